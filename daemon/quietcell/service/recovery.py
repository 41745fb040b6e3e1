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

from quietcell.core.bench_records import IN_BUFFER
from quietcell.core.engine import Engine
from quietcell.core.ingress.episode import EpisodeBody
from quietcell.core.ingress.wording import told_as
from quietcell.core.inputs import EngineInput, ReferenceRequest, SegmentBegan, SegmentEnded
from quietcell.core.plain import rebuilt
from quietcell.core.records import ENGINE_VERSION, Body, Json, SegmentBody
from quietcell.core.settings import CellSettings
from quietcell.core.times import rfc3339, utc_ms
from quietcell.errors import (
    LedgerDamagedError,
    LedgerError,
    ReadingsMissingError,
    StateUnknownError,
)
from quietcell.ledger.canonical import canonical, canonical_body
from quietcell.ledger.chain import Stored
from quietcell.ledger.journal import Journal
from quietcell.ledger.ledger import Ledger
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
    carried over, but for episodes that were closed since. Those it does not know of are followed no further.
    """
    engine, place = None, None
    if began is not None:
        place = place_of(began)
        try:
            engine = restored(journal, readings, began, with_readings=False)
        except StateUnknownError:
            engine = Engine(settings_at(journal, began))
    steps = StoredInput(journal, None, cell, after=0 if began is None else began.seq, place=place)
    bare: list[Body] = []
    for step in steps:
        if step.body.get("record") == "configuration" and engine is None:
            engine = Engine(CellSettings.from_json(step.body["settings"]))
        item = step.item
        if engine is not None and isinstance(item, ReferenceRequest) and item.purpose in IN_BUFFER:
            engine.take_over(from_buffer=True)
        elif engine is not None and step.body.get("record") == "determination":
            engine.take_over(from_buffer=None if step.body["verdict"] == "refused" else False)
        if isinstance(item, SegmentEnded) and step.record is None and steps.place is not None:
            item = replace(item, ms=max(item.ms, _last_ms(journal, readings, cell, steps.place)))
            end_utc_ms = steps.place.anchor_utc_ms + item.ms
            bare = [*_answers(journal, cell, end_utc_ms), _end(cell, steps.place.segment, end_utc_ms)]
        if engine is not None and isinstance(item, SegmentBegan | SegmentEnded):
            engine = _told(engine, item)
    if engine is None:
        return None
    last = journal.get(journal.last_seq(cell, "segment"))
    at = bare[-1].at if bare or last is None else last.body()["at"]
    closed, ends = _episodes_apart(journal, engine, at)
    engine.take_over(closed=closed)
    bodies = [*ends, *bare]
    return Recovered(engine=engine, missing=_numbered(journal, cell, bodies))


def _told(engine: Engine, item: SegmentBegan | SegmentEnded) -> Engine:
    """Return an engine that knows of a segment and its settings; where it breaks on that, a new one."""
    try:
        engine.take(item)
    except Exception:  # noqa: BLE001 # a daemon must start
        return Engine((isinstance(item, SegmentBegan) and item.settings) or engine.settings)
    return engine


def _episodes_apart(journal: Journal, engine: Engine, at: str) -> tuple[set[str], list[Body]]:
    """Return which episodes an engine wrongly takes for open, and the ends of those it does not know of."""
    told = {
        body["episode"]: body
        for body in map(_body, journal.of_cell(engine.settings.cell, kinds=("episode",)))
    }
    still = {episode for episode, body in told.items() if body["state"] != "closed"}
    known = set(engine.open_episodes)
    return known - still, [_followed_no_further(told[each], at) for each in sorted(still - known)]


def _body(record: Stored) -> dict[str, Json]:
    return record.body()


def _followed_no_further(told: Mapping[str, Json], at: str) -> EpisodeBody:
    """Return the end of an episode of which nothing more is known than was told."""
    known = {name: value for name, value in told.items() if name != "record"}
    text = (
        f"{told_as(told['diagnosis'])} since {told['began'][11:19]} UTC is followed no further: "
        "the run that found it cannot be judged again. What is still there will be found anew."
    )
    return rebuilt(EpisodeBody, {**known, "at": at, "state": "closed", "closed_at": at, "text": text})


def _end(cell: str, segment: int, end_utc_ms: int) -> SegmentBody:
    return SegmentBody(
        id="", cell=cell, at=rfc3339(end_utc_ms), segment=segment, state="ended", cause="interrupted"
    )


def _numbered(journal: Journal, cell: str, bodies: Sequence[Body]) -> tuple[Body, ...]:
    """Return bodies with the ids behind the last that the engine made."""
    segment, ordinal = 0, 0
    for body in map(_body, journal.of_cell(cell, after=journal.last_seq(cell, "segment") - 1)):
        if not body["id"].startswith("daemon."):
            segment, ordinal = (int(number) for number in body["id"].split(".")[1:])
    return tuple(
        replace(body, id=f"{cell}.{segment}.{number}") for number, body in enumerate(bodies, ordinal + 1)
    )


def _last_ms(journal: Journal, readings: ReadingsFiles, cell: str, place: Place) -> int:
    """Return the time of the last reading that is stored of a segment, or was dropped."""
    last_ms = -1
    with suppress(sqlite3.Error, LedgerError):  # what cannot be read is for `verify` to tell
        ends_ms = readings.ends_ms(cell, place.segment, anchor_utc_ms=place.anchor_utc_ms)
        last_ms = -1 if ends_ms is None else ends_ms[1]
    for record in journal.of_cell(cell, kinds=(ReadingsDroppedBody.kind,)):
        body = record.body()
        if body["segment"] == place.segment:
            last_ms = max(last_ms, body["from_ms"], body["upto_ms"] or -1)
    return last_ms


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


def next_segment(ledger: Ledger, cell: str) -> int:
    """Return the number of the next segment of a cell, for use in the ledger's thread.

    A disk that lost records it had confirmed may have kept the readings of a segment they began: its number
    is not given again, or those would count as the new one's.
    """
    last = ledger.journal.get(ledger.journal.last_seq(cell, "segment"))
    known = 0 if last is None else int(last.body()["segment"])
    return 1 + max(known, ledger.readings.last_segment(cell))
