"""What the journal and the configuration tell alarms when they begin: limits, standing facts, states."""

from itertools import islice

from quietcell.config import Config
from quietcell.core.alarms.cell_watch import VALID
from quietcell.core.alarms.engine import state_of_bodies
from quietcell.core.alarms.limits import CellLimits
from quietcell.core.records import Json
from quietcell.ledger.chain import Stored
from quietcell.ledger.journal import Journal

_LATEST = (
    "configuration", "determination", "driver-fault", "calibration", "check", "electrode", "note", "doubt",
)  # fmt: skip
"""Kinds whose last record tells what holds."""
_FAR_BACK = 5000
"""No result among so many determinations counts as none."""


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
    for number, record in enumerate(journal.latest(cell, "determination")):
        if record.body()["verdict"] in VALID or number > _FAR_BACK:
            found[record.seq] = record
            break
    episodes: dict[str, None] = {}
    for record in islice(journal.latest(cell, "episode"), _FAR_BACK):
        if (episode := record.body()["episode"]) not in episodes:
            episodes[episode] = None
            found[record.seq] = record
    return [found[seq].body() for seq in sorted(found)]


def alarm_state(journal: Journal, owner: str) -> dict[str, dict[str, Json]]:
    """Return where the alarms of an owner stood last."""
    last: dict[str, dict[str, Json]] = {}
    for record in islice(journal.latest(owner, "alarm"), 10 * _FAR_BACK):
        body = record.body()
        last.setdefault(body["alarm"], body)
    return state_of_bodies(last.values())
