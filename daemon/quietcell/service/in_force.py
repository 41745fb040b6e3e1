"""What the ledger says a cell works with: electrode, calibration, last check, low-ionic check."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from quietcell.core.calibration_record import with_calibration
from quietcell.core.electrode.influences import LowIonicCheck
from quietcell.core.records import Json
from quietcell.core.settings import CellSettings
from quietcell.ledger.journal import Journal


@dataclass(frozen=True, slots=True, kw_only=True)
class InForce:
    """Bodies of the records that count now; None where there is none."""

    electrode: str | None = None
    meter: str | None = None
    calibration: dict[str, Json] | None = None
    """The last accepted one of this cell with this electrode."""
    failed_check: dict[str, Json] | None = None
    """The last check, if it failed and no calibration came after it."""
    low_ionic: dict[str, Json] | None = None
    """The last low-ionic check that found a bias to correct for."""
    good_at: str | None = None
    """Time of the last good check or accepted calibration."""


def in_force(
    journal: Journal, cell: str, *, electrode: str | None = None, meter: str | None = None
) -> InForce:
    """Return what counts now.

    Parameters
    ----------
    journal : Journal
        The ledger's.
    cell : str
        Name of the cell.
    electrode, meter : str, optional
        As the configuration names them; None takes what was last put into the cell.
    """
    things = things_of(journal, cell)
    electrode = electrode or things.get("electrode")
    meter = meter or things.get("meter")
    calibration = failed = low_ionic = good_at = None
    for record in journal.of_cell(cell, kinds=("calibration", "check")):
        body = record.body()
        if body["electrode"] != electrode:
            continue
        if body["record"] == "calibration":
            if body["verdict"] == "accepted":
                calibration, failed, good_at = body, None, body["at"]
            continue
        if body["verdict"] == "failed":
            failed = body
        else:
            failed, good_at = None, body["at"]
            low_ionic = body if body["method"] == "low-ionic" else low_ionic
    return InForce(
        electrode=electrode,
        meter=meter,
        calibration=calibration,
        failed_check=failed,
        low_ionic=low_ionic,
        good_at=good_at,
    )


def things_of(journal: Journal, cell: str) -> dict[str, str]:
    """Return what was last put into a cell and has not left it: names by kind of thing."""
    here: dict[str, str] = {}
    for record in journal.of_cell(cell, kinds=("electrode",)):
        body = record.body()
        if body["state"] == "in-use":
            here[body["thing"]] = body["name"]
        elif here.get(body["thing"]) == body["name"]:
            del here[body["thing"]]
    return here


def with_in_force(settings: CellSettings, found: InForce, *, fixed: bool) -> CellSettings:
    """Return settings with what the ledger holds.

    Parameters
    ----------
    settings : CellSettings
        From the configuration.
    found : InForce
        From the ledger.
    fixed : bool
        The configuration fixes the calibration; the ledger's is then not used.
    """
    settings = replace(settings, electrode=found.electrode, meter=found.meter)
    if found.calibration is not None and not fixed:
        settings = with_calibration(settings, found.calibration)
    settings = replace(
        settings, failed_check_id=None if found.failed_check is None else found.failed_check["id"]
    )
    if found.low_ionic is None:
        return settings
    bias = found.low_ionic["low_ionic"]
    return replace(
        settings,
        low_ionic=LowIonicCheck(
            bias_ph=bias["bias_ph"],
            standard_uncertainty_ph=bias["standard_uncertainty_ph"],
            lowest_conductivity_us_cm=bias["lowest_conductivity_us_cm"],
            highest_conductivity_us_cm=bias["highest_conductivity_us_cm"],
        ),
        low_ionic_id=found.low_ionic["id"],
        low_ionic_at=found.low_ionic["at"],
    )


def results_since(journal: Journal, cell: str, since: str | None, until: str) -> Sequence[str]:
    """Return the ids of the results (accepted or qualified) that ended in a span of time.

    Parameters
    ----------
    journal : Journal
        The ledger's.
    cell : str
        Name of the cell.
    since : str or None
        RFC 3339 UTC; None from the beginning.
    until : str
        RFC 3339 UTC.
    """
    found = []
    for record in journal.of_cell(cell, kinds=("determination",)):
        body = record.body()
        if body["verdict"] in ("accepted", "qualified") and (since or "") <= body["ended"] <= until:
            found.append(body["id"])
    return found
