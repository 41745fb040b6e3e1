"""What the journal and the configuration tell alarms when they begin: limits, standing facts, states."""

from collections.abc import Container, Iterable
from itertools import islice

from quietcell.config import Config
from quietcell.core.alarms.cell_facts import VALID, concerns, judges_water
from quietcell.core.alarms.limits import CellLimits
from quietcell.core.alarms.states import SHOWN
from quietcell.core.bench_records import CARE_OF_ELECTRODE, CHECK_GROUPS, tells_of_electrode
from quietcell.core.records import Json
from quietcell.ledger.chain import Stored
from quietcell.ledger.journal import Journal

_LATEST = ("configuration", "calibration", "check", "electrode", "doubt")
"""Kinds whose last record tells what holds; of a driver's fault a run tells anew."""
_FAR_BACK = 5000
"""No result among so many determinations counts as none."""
CARE = (
    ("electrolyte-refilled", "electrolyte_every_d"),
    ("cleaned", "cleaning_every_d"),
    ("tubing-changed", "tubing_every_d"),
)
"""What is done at intervals and noted, and the limit that states the interval."""


def cell_limits(config: Config, name: str) -> CellLimits:
    """Return what a cell is watched against: its limits, completed from its criterion."""
    cell, criterion = config.cells[name], config.criterion_of(name)
    given = cell.limits.model_dump()
    if given["flow_low_ml_min"] is None and given["flow_high_ml_min"] is None:
        given["flow_low_ml_min"] = criterion.flow_low_ml_min
        given["flow_high_ml_min"] = criterion.flow_high_ml_min
    if given["no_result_after_s"] is None and cell.mode == "continuous":
        given["no_result_after_s"] = 2 * (cell.every_s + criterion.max_wait_s)
    if given["silent_after_s"] is None:
        given["silent_after_s"] = max(5.0, criterion.max_gap_s)
    return CellLimits(**given)


def standing_facts(journal: Journal, cell: str) -> list[dict[str, Json]]:
    """Return the records that tell what holds for a cell, oldest first."""
    found: dict[int, Stored] = {}
    for kind in _LATEST:
        found |= {record.seq: record for record in islice(journal.latest(cell, kind), 1)}
    # Each electrode's own, for one may come back.
    checks: dict[tuple[str, ...], Stored] = {}
    for kind in ("calibration", "check"):
        for record in islice(journal.latest(cell, kind), _FAR_BACK):
            body = record.body()
            if kind == "check" or tells_of_electrode(body):
                group = CHECK_GROUPS[body.get("method", "buffer")]
                checks.setdefault((kind, group, str(body["electrode"])), record)
    found |= {record.seq: record for record in checks.values()}
    for record in journal.of_cell(cell, kinds=("electrode",)):
        if record.body()["thing"] == "electrode":
            found[record.seq] = record
    gaps = (r for r in islice(journal.latest(cell, "gap"), _FAR_BACK) if "goes_on" in r.body())
    found |= {record.seq: record for record in islice(gaps, 1)}
    found |= {record.seq: record for record in _last_determinations(journal, cell)}
    episodes: dict[str, None] = {}
    for record in islice(journal.latest(cell, "episode"), _FAR_BACK):
        if (episode := record.body()["episode"]) not in episodes:
            episodes[episode] = None
            found[record.seq] = record
    return [found[seq].body() for seq in sorted(found)]


def _last_determinations(journal: Journal, cell: str) -> Iterable[Stored]:
    """Return the last result and the last that judged the water, of a loop's own and of a sample's."""
    found: dict[tuple[str, bool], Stored] = {}
    for record in islice(journal.latest(cell, "determination"), _FAR_BACK):
        body = record.body()
        for what, is_one in (("result", body["verdict"] in VALID), ("judged", judges_water(body))):
            if is_one:
                found.setdefault((what, "grab" in body), record)
        if found.keys() >= {("result", False), ("judged", False)}:
            break
    return found.values()


def last_care(journal: Journal, cell: str, electrodes: Container[str | None]) -> dict[str, str]:
    """Return when each work that people note was last done, and when its electrode was checked.

    `electrodes` is what records of the cell call the one in it.
    """
    last: dict[str, str] = {}
    for body in care_notes(journal):
        work, of_electrode = body["work"], body["work"] in CARE_OF_ELECTRODE
        if concerns(body, cell) and (body.get("electrode") in electrodes or not of_electrode):
            last[work] = max(last.get(work, ""), body["at"])
    for kind in ("calibration", "check"):
        for record in journal.latest(cell, kind):
            body = record.body()
            if body["electrode"] in electrodes and tells_of_electrode(body):
                last["check"] = max(last.get("check", ""), body["at"])
                break
    return last


def care_notes(journal: Journal) -> list[dict[str, Json]]:
    """Return the last note of each work, by cell and electrode, oldest first."""
    found: dict[tuple[str, str | None, str], Stored] = {}
    for cell in journal.cells():
        for record in islice(journal.latest(cell, "note"), _FAR_BACK):
            body = record.body()
            if (work := body.get("work")) is not None:
                found.setdefault((cell, body.get("electrode"), work), record)
    return [record.body() for record in sorted(found.values(), key=lambda record: record.seq)]


def last_of_alarms(journal: Journal, owner: str) -> list[dict[str, Json]]:
    """Return the last record of each alarm of an owner that people should see."""
    last: dict[str, dict[str, Json]] = {}
    for record in islice(journal.latest(owner, "alarm"), 10 * _FAR_BACK):
        body = record.body()
        last.setdefault(body["alarm"], body)
    return [body for body in last.values() if body["state"] in SHOWN]
