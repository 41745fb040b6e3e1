"""The checkpoint: what an engine knows, journalled hourly and at each end, restored at each start."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, ClassVar

from quietcell.core.engine import Engine
from quietcell.core.engine_state import needed_readings
from quietcell.core.readings import ReadingBlock
from quietcell.core.records import Body, Json
from quietcell.core.settings import CellSettings
from quietcell.errors import LedgerDamagedError, StateUnknownError
from quietcell.ledger.chain import Stored
from quietcell.ledger.journal import Journal
from quietcell.ledger.readings_files import ReadingsFiles
from quietcell.service.stored_input import Place

CHECKPOINT_MS = 3_600_000
"""Time between checkpoints of a run; so much is judged again after a kill, at most."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckpointBody(Body):
    """What the engine of a cell knew; an input of the engine that goes on from here."""

    kind: ClassVar[str] = "checkpoint"

    segment: int | None
    """The open one; None between two runs."""
    ms: int | None
    """Everything of the segment up to here is in the state."""
    state: Mapping[str, Json]


def checkpoint(engine: Engine, *, id: str, at: str) -> CheckpointBody:  # noqa: A002 # the record's own name for it
    """Return what an engine knows, behind a time mark or between segments."""
    state = engine.state()
    begun = state["segment"]
    return CheckpointBody(
        id=id,
        cell=engine.settings.cell,
        at=at,
        segment=None if begun is None else begun["segment"],
        ms=None if begun is None else state["now_ms"],
        state=state,
    )


def restored(
    journal: Journal, readings: ReadingsFiles, record: Stored, *, with_readings: bool = True
) -> Engine:
    """Return the engine that goes on from a checkpoint.

    Parameters
    ----------
    journal, readings : Journal, ReadingsFiles
        The ledger.
    record : Stored
        The checkpoint.
    with_readings : bool
        False to leave the readings of the open segment aside: nothing can then be judged before the next.

    Raises
    ------
    StateUnknownError
        If the state cannot be read.
    ReadingsMissingError
        If readings it rests on are missing.
    """
    body = record.body()
    cell, state = body["cell"], body["state"]
    engine = Engine(settings_at(journal, record))
    try:
        if not with_readings:
            state = {**state, "reception": {**state["reception"], "counting": []}}
        needed = needed_readings(state)
        stored: Any = []
        if needed is not None:
            anchor_ms = state["segment"]["utc_ms"]
            stored = list(
                readings.between(
                    cell,
                    needed.segment,
                    anchor_utc_ms=anchor_ms,
                    after_ms=needed.after_ms,
                    upto_ms=needed.upto_ms,
                )
            )
        engine.restore(state, ReadingBlock.concatenate(stored) if stored else None)
    except (KeyError, TypeError, ValueError) as error:
        raise StateUnknownError(
            f"the checkpoint cannot be restored: {error}", subject=f"record {record.seq} ({cell})"
        ) from error
    return engine


def settings_at(journal: Journal, record: Stored) -> CellSettings:
    """Return the settings in force at a checkpoint.

    Raises
    ------
    LedgerDamagedError
        If there are none.
    """
    cell = record.body()["cell"]
    configured = journal.get(journal.last_seq(cell, "configuration", before=record.seq))
    if configured is None:
        raise LedgerDamagedError("a checkpoint before any configuration", subject=f"record {record.seq}")
    return CellSettings.from_json(configured.body()["settings"])


def place_of(record: Stored) -> Place | None:
    """Return the segment that is open at a checkpoint, None between two runs."""
    body = record.body()
    if body["segment"] is None:
        return None
    return Place(
        segment=body["segment"],
        anchor_utc_ms=body["state"]["segment"]["utc_ms"],
        fed_ms=body["ms"],
        last_ms=body["ms"] + 1,
    )


def last_checkpoint(journal: Journal, cell: str) -> Stored | None:
    """Return the last checkpoint of a cell."""
    return journal.get(journal.last_seq(cell, "checkpoint"))
