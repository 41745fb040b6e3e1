"""Go on where the last run of a cell's engine stopped, and finish what a kill left open.

The engine is a pure function of stored input, so feeding it again what was stored behind the last
checkpoint gives exactly the bodies the journal holds, plus those whose commit was cut off, plus an orderly
end of the open determination and segment. What it then knows (open episodes, what is normal at this cell)
is what the next run begins with: a restart never blinds it.
"""

import sqlite3
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace

import structlog

from quietcell.core.engine import Engine
from quietcell.core.inputs import EngineInput, SegmentBegan, SegmentEnded
from quietcell.core.records import ENGINE_VERSION, Body, Json, SegmentBody
from quietcell.core.settings import CellSettings
from quietcell.core.times import rfc3339, utc_ms
from quietcell.errors import (
    ContractError,
    LedgerDamagedError,
    LedgerError,
    ReadingsMissingError,
    StateUnknownError,
)
from quietcell.ledger.canonical import canonical, canonical_body
from quietcell.ledger.chain import Stored
from quietcell.ledger.journal import Journal
from quietcell.ledger.readings_files import ReadingsFiles
from quietcell.ledger.storage import ReadingsDroppedBody
from quietcell.service.checkpoint import last_checkpoint, place_of, restored, settings_at
from quietcell.service.given import given_input
from quietcell.service.stored_input import Place, StoredInput

ASKING = ("request", "reference-request")
"""Kinds of record that are owed an answer."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Recovered:
    """Where a cell goes on."""

    engine: Engine
    """Between two runs, with all it knew at the end of the last one."""
    missing: tuple[Body, ...]
    """Bodies the journal lacks of that run."""


def recover(journal: Journal, readings: ReadingsFiles, cell: str) -> Recovered | None:
    """Return where a cell goes on, None when it never ran."""
    began = last_checkpoint(journal, cell)
    steps = StoredInput(
        journal,
        readings,
        cell,
        after=0 if began is None else began.seq,
        place=None if began is None else place_of(began),
    )
    log = structlog.get_logger().bind(cell=cell)
    try:
        return _finished(journal, readings, began, steps)
    except _OtherEngineError as error:
        log.warning("interrupted run closed without judging it again", engine_version=error.version)
    except ReadingsMissingError as error:
        log.warning("interrupted run closed without judging it again", why=str(error))
    except StateUnknownError as error:
        log.warning("what was known at the last checkpoint is not taken over", why=str(error))
    except LedgerDamagedError:
        raise
    except Exception:  # what broke the engine once must not keep the daemon from starting
        log.exception("interrupted run closed without judging it again: the engine breaks on it")
    return _closed(journal, readings, cell, began)


class _OtherEngineError(Exception):
    """Another engine made what is to be finished."""

    def __init__(self, version: int) -> None:
        super().__init__()
        self.version = version


def _finished(
    journal: Journal, readings: ReadingsFiles, began: Stored | None, steps: StoredInput
) -> Recovered | None:
    """Feed an engine everything behind the last checkpoint."""
    after = 0 if began is None else began.seq
    if any(journal.of_cell(steps.cell, kinds=(ReadingsDroppedBody.kind,), after=after)):
        raise ReadingsMissingError("readings were dropped for want of space")
    engine = None if began is None else restored(journal, readings, began)
    stored: dict[str, dict[str, Json]] = {}
    made: list[Body] = []
    for step in steps:
        if step.record is not None:
            version = step.envelope["engine_version"]
            if version != ENGINE_VERSION:
                raise _OtherEngineError(version)
            stored[step.body["id"]] = step.body
        if engine is None and step.record is not None:
            engine = Engine(CellSettings.from_json(step.body["settings"]))
        if engine is not None and step.item is not None:
            made += engine.take(step.item)
    if engine is None:
        return None
    missing = tuple(body for body in made if body.id not in stored)
    _require_same(stored, made)
    if missing:
        structlog.get_logger().info(
            "interrupted run finished from stored readings", cell=engine.settings.cell, records=len(missing)
        )
    return Recovered(engine=engine, missing=missing)


def _require_same(stored: Mapping[str, dict[str, Json]], made: Sequence[Body]) -> None:
    """Refuse to go on from readings that do not give what the journal holds: some of the run are missing."""
    again = {body.id: canonical_body(body) for body in made}
    for body_id, body in stored.items():
        if not body_id.startswith("daemon.") and canonical(body) != again.get(body_id):
            raise ReadingsMissingError("what is stored of it does not give its records", subject=body_id)


def _closed(journal: Journal, readings: ReadingsFiles, cell: str, began: Stored | None) -> Recovered | None:
    """End the open segment without a verdict on what was judged in it: that is not ours to complete.

    Whoever asked for a value is told that there is none; what the engine knew at the last checkpoint is
    carried over.
    """
    engine, place, ordinal = None, None, 0
    if began is not None:
        place, ordinal = place_of(began), began.body()["state"].get("ordinal", 0)
        try:
            engine = restored(journal, readings, began, with_readings=False)
        except StateUnknownError:
            engine = Engine(settings_at(journal, began))
    steps = StoredInput(journal, None, cell, after=0 if began is None else began.seq, place=place)
    missing: tuple[Body, ...] = ()
    for step in steps:
        if step.body.get("record") == "configuration" and engine is None:
            engine = Engine(CellSettings.from_json(step.body["settings"]))
        if engine is not None and isinstance(step.item, SegmentBegan | SegmentEnded):
            engine = _told(engine, step.item)
        if step.record is None:
            missing = _bare_end(journal, readings, cell, steps.place, ordinal, step.item)
        elif not step.body["id"].startswith("daemon."):
            ordinal = int(step.body["id"].rpartition(".")[2])
    return None if engine is None else Recovered(engine=engine, missing=missing)


def _told(engine: Engine, item: SegmentBegan | SegmentEnded) -> Engine:
    """Return an engine that knows of a segment and its settings; where it breaks on that, a new one."""
    try:
        engine.take(item)
    except Exception:  # noqa: BLE001 # a daemon must start
        return Engine((isinstance(item, SegmentBegan) and item.settings) or engine.settings)
    return engine


def _bare_end(
    journal: Journal,
    readings: ReadingsFiles,
    cell: str,
    place: Place | None,
    ordinal: int,
    end: EngineInput | None,
) -> tuple[Body, ...]:
    """Return the end of a segment behind all that is stored of it, and before it what who asked is owed."""
    if place is None or not isinstance(end, SegmentEnded):
        raise ContractError("an end without a segment", subject=cell)
    end_ms = max(end.ms, _last_reading_ms(readings, cell, place))
    answers = _answers(journal, cell, place.anchor_utc_ms + end_ms)
    body_id = f"{cell}.{place.segment}"
    return (
        *(replace(body, id=f"{body_id}.{number}") for number, body in enumerate(answers, ordinal + 1)),
        SegmentBody(
            id=f"{body_id}.{ordinal + len(answers) + 1}",
            cell=cell,
            at=rfc3339(place.anchor_utc_ms + end_ms),
            segment=place.segment,
            state="ended",
            cause="interrupted",
        ),
    )


def _last_reading_ms(readings: ReadingsFiles, cell: str, place: Place) -> int:
    with suppress(sqlite3.Error, LedgerError):  # what cannot be read is for `verify` to tell
        ends_ms = readings.ends_ms(cell, place.segment, anchor_utc_ms=place.anchor_utc_ms)
        return -1 if ends_ms is None else ends_ms[1]
    return -1


def _answers(journal: Journal, cell: str, end_utc_ms: int) -> list[Body]:
    """Return a refusal for each request that nothing answers; all lie behind the last configuration."""
    configured = journal.get(journal.last_seq(cell, "configuration"))
    if configured is None:
        return []
    kinds = (*ASKING, "determination", "reference-measurement")
    asked: dict[str, Mapping[str, Json]] = {}
    for record in journal.of_cell(cell, kinds=kinds, after=configured.seq):
        body = record.body()
        if body["record"] in ASKING:
            asked[body["id"]] = body
        else:
            asked.pop(body.get("request", ""), None)
    settings = CellSettings.from_json(configured.body()["settings"])
    return [_refusal(settings, body, end_utc_ms) for body in asked.values()]


def _refusal(settings: CellSettings, asked: Mapping[str, Json], end_utc_ms: int) -> Body:
    """Return how a request ends of which no readings are known."""
    item, anchor_utc_ms = given_input(asked), utc_ms(asked["at"]) - asked["ms"]
    engine = Engine(replace(settings, mode="on-request"))
    inputs: tuple[EngineInput, ...] = (
        SegmentBegan(
            segment=asked["segment"], utc_ms=anchor_utc_ms, cause="reopened", time_quality="not-known"
        ),
        item,
        SegmentEnded(ms=max(item.ms, end_utc_ms - anchor_utc_ms), cause="interrupted"),
    )
    return next(b for each in inputs for b in engine.take(each) if getattr(b, "request", None) == item.id)


def next_segment(journal: Journal, cell: str) -> int:
    """Return the number of the next segment of a cell."""
    last = journal.get(journal.last_seq(cell, "segment"))
    return 1 if last is None else 1 + int(last.body()["segment"])
