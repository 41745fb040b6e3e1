"""What the ledger says of an electrode, or of another thing, in whatever cell it was."""

from collections.abc import Mapping
from dataclasses import replace
from typing import TypeVar

from quietcell.core.bench_records import CalibrationBody, CheckBody
from quietcell.core.electrode_history import condition_of
from quietcell.core.ingress.watch import OF_ELECTRODE
from quietcell.core.records import Json
from quietcell.core.settings import CellSettings
from quietcell.errors import CommandError
from quietcell.ledger.journal import Journal
from quietcell.ledger.ledger import Ledger
from quietcell.service.in_force import of_electrode

_KINDS = ("electrode", "note", "calibration", "check")
B = TypeVar("B", CalibrationBody, CheckBody)


async def with_condition(ledger: Ledger, body: B) -> B:
    """Return a calibration or check with the condition of its electrode by its history and this record."""
    before: list[dict[str, Json]] = await ledger.run(
        lambda: electrode_bodies(ledger.journal, body.cell, body.electrode)
    )
    condition = condition_of([*before, body.as_json()])
    return replace(body, condition=condition.signal, condition_reasons=condition.reasons)


def require_by(settings: CellSettings, measured: Mapping[str, Json], *, same_line: bool = False) -> None:
    """Refuse a measurement with another electrode, which says nothing of the one in the cell.

    Parameters
    ----------
    settings : CellSettings
        What the cell works with now.
    measured : mapping
        JSON body of a determination or reference measurement.
    same_line : bool
        Whether its pH counts, so that it must be of the calibration in force.

    Raises
    ------
    CommandError
        If it was measured with another electrode, or by another calibration.
    """
    calibration = measured["calibration"]["id"] if "calibration" in measured else measured["calibration_id"]
    other = ""
    if measured["electrode"] != settings.electrode:
        other = f"with {measured['electrode'] or 'an electrode without a name'}, not the one in the cell now"
    elif same_line and calibration != settings.calibration_id:
        other = "by another calibration than the one in force now"
    if other:
        raise CommandError(
            f"{measured['id']} was measured {other}", subject=settings.cell, hint="Measure again"
        )


def electrode_bodies(journal: Journal, cell: str, electrode: str | None) -> list[dict[str, Json]]:
    """Return the calibrations and checks of an electrode, oldest first; one without a name is its cell's."""
    found = {record.seq: record.body() for record in of_electrode(journal, cell, electrode)}
    for kind in ("calibration", "check") if electrode is not None else ():
        for record in journal.of_kind(kind):
            if (body := record.body())["electrode"] == electrode:
                found[record.seq] = body
    return [found[seq] for seq in sorted(found)]


def suspicions(journal: Journal, electrode: str) -> tuple[str, ...]:
    """Return what was last said against an electrode that no calibration or check has answered."""
    moves = (record.body() for record in journal.of_kind("electrode"))
    own = [body for body in moves if (body["thing"], body["name"]) == ("electrode", electrode)]
    if not own:
        return ()
    last = own[-1]
    answered = max((body["at"] for body in electrode_bodies(journal, last["cell"], electrode)), default="")
    told = () if answered > last["at"] else tuple(last["condition_reasons"])
    episodes = {}
    if last["state"] == "in-use":
        for record in journal.of_cell(last["cell"], kinds=("episode",)):
            body = record.body()
            episodes[body["episode"]] = body
    drifts = (
        f"its junction drifted in {body['cell']} from {body['began']} on ({body['episode']})"
        for body in episodes.values()
        if body["diagnosis"] == OF_ELECTRODE and body["state"] != "closed" and body["began"] > answered
    )
    return (*told, *drifts)


def whereabouts(journal: Journal, thing: str, name: str) -> str | None:
    """Return the cell a thing is in use at; another put there has taken its place."""
    cell = None
    for record in journal.of_kind("electrode"):
        body = record.body()
        in_use = body["state"] == "in-use"
        if (body["thing"], body["name"]) == (thing, name):
            cell = body["cell"] if in_use else None
        elif (body["thing"], body["cell"]) == (thing, cell) and in_use:
            cell = None
    return cell


def history(journal: Journal, name: str) -> list[dict[str, Json]]:
    """Return the bodies of every record about a thing, oldest first.

    Those of an electrode from before it had a name are among them, where it was said to have been there.
    """
    found: dict[int, dict[str, Json]] = {}
    for kind in _KINDS:
        for record in journal.of_kind(kind):
            body = record.body()
            named = body.get("name") if kind == "electrode" else (body.get("electrode"), body.get("meter"))
            if named == name or (isinstance(named, tuple) and name in named):
                found[record.seq] = body
            if named == name and body["thing"] == "electrode" and body["already_there"]:
                found |= {each.seq: each.body() for each in of_electrode(journal, body["cell"], name)}
    return [found[seq] for seq in sorted(found)]
