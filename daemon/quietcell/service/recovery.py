"""Finish what a killed run left open, from what it stored.

The engine is a pure function of stored input, so running it again over the readings of the
interrupted run gives exactly the bodies the journal holds, plus those whose commit was cut off, plus
an orderly end of the open determination and segment.
"""

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass

import structlog

from quietcell.core.engine import Engine
from quietcell.core.inputs import EngineInput, SegmentBegan, SegmentEnded
from quietcell.core.records import ENGINE_VERSION, Body, Json, SegmentBody
from quietcell.core.settings import CellSettings
from quietcell.core.times import rfc3339, utc_ms
from quietcell.ledger.journal import Journal
from quietcell.ledger.readings_files import ReadingsFiles
from quietcell.service.given import INPUTS, Given, given_input, placed


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredRun:
    """The segments one engine went through, as the journal tells."""

    plain_settings: dict[str, Json]
    """What the engine worked with at first."""
    reloaded: dict[int, dict[str, Json]]
    """What it worked with from then on, by the number of the segment that began with it."""
    segments: list[dict[str, Json]]
    """Bodies of the segments that began, in order."""
    ends: dict[int, dict[str, Json]]
    """Bodies of those that ended, by number."""
    given: dict[int, list[Given]]
    """What people gave the engine, in order, by number of the segment."""
    last_at_ms: int
    """UTC of the last record of the cell in this run, ms."""
    ids: set[str]
    """Ids of all its bodies in the journal."""
    engine_version: int
    """Of the program that ran."""

    @property
    def settings(self) -> CellSettings:
        """What the engine worked with at first."""
        return CellSettings.from_json(self.plain_settings)


def last_run(journal: Journal, cell: str) -> StoredRun | None:
    """Return the last run of a cell's engine, or None when it never ran."""
    segments: list[dict[str, Json]] = []
    ends: dict[int, dict[str, Json]] = {}
    configurations: list[dict[str, Json]] = []
    reloaded: dict[int, dict[str, Json]] = {}
    given: dict[int, list[Given]] = {}
    last_at_ms, ids, version = 0, set(), ENGINE_VERSION
    for record in journal.of_cell(cell, after=_start(journal, cell) - 1):
        envelope = record.envelope()
        body, version = envelope["body"], envelope["engine_version"]
        if body["record"] in INPUTS:
            given.setdefault(body["segment"], []).append(given_input(body))
            last_at_ms = max(last_at_ms, utc_ms(body["at"]))
        if body["id"].startswith("daemon."):
            continue  # about the port or the clock; no work of the engine
        ids.add(body["id"])
        last_at_ms = max(last_at_ms, utc_ms(body["at"]))
        if body["record"] == "configuration":
            configurations.append(body["settings"])
        elif body["record"] == "segment":
            if body["state"] == "began":
                if body["cause"] == "reloaded":
                    reloaded[body["segment"]] = configurations[-1]
                segments.append(body)
            else:
                ends[body["segment"]] = body
    if not segments:
        return None
    return StoredRun(
        plain_settings=configurations[0],
        reloaded=reloaded,
        segments=segments,
        ends=ends,
        given=given,
        last_at_ms=last_at_ms,
        ids=ids,
        engine_version=version,
    )


def _start(journal: Journal, cell: str) -> int:
    """Return the number of the record the last run of a cell's engine began with."""
    configured = start = 0
    for record in journal.of_cell(cell, kinds=("configuration", "segment")):
        body = record.body()
        if body["record"] == "configuration":
            configured = record.seq
        elif body["state"] == "began" and body["cause"] == "started":
            start = configured
    return start


def engine_input(run: StoredRun, readings: ReadingsFiles) -> Iterator[EngineInput]:
    """Yield what the engine of a run was fed; an end that was never recorded is an interruption."""
    cell = run.plain_settings["cell"]
    for body in run.segments:
        number, anchor_ms = body["segment"], utc_ms(body["at"])
        plain = run.reloaded.get(number)
        yield SegmentBegan(
            segment=number,
            utc_ms=anchor_ms,
            cause=body["cause"],
            time_quality=body["time_quality"],
            settings=None if plain is None else CellSettings.from_json(plain),
        )
        last_ms = 0
        waiting = deque(run.given.get(number, ()))
        for block in readings.of_segment(cell, number):
            yield from placed(block, waiting)
            last_ms = int(block.ms[-1])
        yield from waiting
        end = run.ends.get(number)
        if end is not None:
            yield SegmentEnded(ms=utc_ms(end["at"]) - anchor_ms, cause=end["cause"])
        else:
            yield SegmentEnded(ms=max(last_ms, run.last_at_ms - anchor_ms), cause="interrupted")


def unfinished_bodies(journal: Journal, readings: ReadingsFiles, cell: str) -> list[Body]:
    """Return the bodies the journal lacks of a cell's last run, none when it ended in order."""
    run = last_run(journal, cell)
    if run is None or run.segments[-1]["segment"] in run.ends:
        return []
    log = structlog.get_logger().bind(cell=cell)
    if run.engine_version != ENGINE_VERSION:
        log.warning("interrupted run closed without recomputing it", engine_version=run.engine_version)
        return [_bare_end(cell, run)]
    try:
        engine = Engine(run.settings)
        made = [body for item in engine_input(run, readings) for body in engine.take(item)]
    except Exception:  # what broke the engine once must not keep the daemon from starting
        log.exception("interrupted run closed without finishing it: the engine breaks on it")
        return [_bare_end(cell, run)]
    missing = [body for body in made if body.id not in run.ids]
    log.info("interrupted run finished from stored readings", records=len(missing))
    return missing


def _bare_end(cell: str, run: StoredRun) -> SegmentBody:
    """Return the end of a segment that another engine began: its verdicts are not ours to complete."""
    number = run.segments[-1]["segment"]
    ordinals = (int(text.rpartition(".")[2]) for text in run.ids if text.startswith(f"{cell}.{number}."))
    return SegmentBody(
        id=f"{cell}.{number}.{max(ordinals) + 1}",
        cell=cell,
        at=rfc3339(run.last_at_ms),
        segment=number,
        state="ended",
        cause="interrupted",
    )


def next_segment(journal: Journal, cell: str) -> int:
    """Return the number of the next segment of a cell."""
    last = journal.last_seq(cell, "segment")
    return 1 + next(
        (r.body()["segment"] for r in journal.of_cell(cell, kinds=("segment",), after=last - 1)), 0
    )
