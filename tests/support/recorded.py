"""A small ledger as a daemon leaves it, made without one: runs, checkpoints, digests."""

import asyncio
from collections.abc import Sequence
from pathlib import Path

from quietcell.core.engine import Engine
from quietcell.core.inputs import SegmentEnded, TimeMark
from quietcell.core.readings import ReadingBlock
from quietcell.core.times import rfc3339
from quietcell.ledger.ledger import Ledger
from quietcell.ledger.readings_files import SegmentReadings
from quietcell.service.checkpoint import checkpoint
from quietcell.service.digests import record_digest
from quietcell.service.records import DaemonIds
from tests.support.ledgers import open_ledger
from tests.support.streams import ANCHOR_UTC_MS, began, cell_settings, readings

CELL = "live-feed-room"


async def record_run(
    ledger: Ledger,
    engine: Engine,
    block: ReadingBlock,
    *,
    segment: int,
    utc_ms: int = ANCHOR_UTC_MS,
    every: int = 20,
    marks: Sequence[int] = (),
) -> None:
    """Record one run: a checkpoint and a digest after each reading whose number is in `marks`."""
    ids = DaemonIds(segment)
    await ledger.record(engine.take(began(segment, utc_ms=utc_ms)))
    done = 0
    for behind in sorted({*range(every, len(block), every), *marks, len(block)}):
        part, done = block[done:behind], behind
        ledger.keep(SegmentReadings(cell=CELL, segment=segment, anchor_utc_ms=utc_ms, block=part))
        made = engine.take(part)
        if made:
            await ledger.record(made)
        if behind in marks:
            at_ms = int(part.ms[-1]) + 50
            await mark(ledger, engine, ids, segment=segment, at_ms=at_ms, utc_ms=utc_ms)
    await end(ledger, engine, ids, at_ms=int(block.ms[-1]) + 100, utc_ms=utc_ms)


async def mark(
    ledger: Ledger, engine: Engine, ids: DaemonIds, *, segment: int, at_ms: int, utc_ms: int
) -> None:
    """Keep what the engine knows at a time of its segment, and a digest of the readings before."""
    marked = engine.take(TimeMark(ms=at_ms))
    await ledger.record([*marked, checkpoint(engine, id=ids.next(), at=rfc3339(utc_ms + at_ms))])
    await record_digest(ledger, ids, CELL, utc_ms=utc_ms + at_ms, complete=(segment, at_ms))


async def end(ledger: Ledger, engine: Engine, ids: DaemonIds, *, at_ms: int, utc_ms: int) -> None:
    """End the segment as a stop does."""
    ended = engine.take(SegmentEnded(ms=at_ms, cause="stopped"))
    await ledger.record([*ended, checkpoint(engine, id=ids.next(), at=rfc3339(utc_ms + at_ms))])
    await record_digest(ledger, ids, CELL, utc_ms=utc_ms + at_ms)


def recorded(folder: Path, *, seconds: int = 60, utc_ms: int = ANCHOR_UTC_MS) -> None:
    """Make a ledger of two runs in a folder."""

    async def work() -> None:
        ledger, engine = open_ledger(folder), Engine(cell_settings())
        first = readings(seconds)
        first.ms[7] = first.ms[6]
        await record_run(ledger, engine, first, segment=1, utc_ms=utc_ms, marks=(seconds // 2,))
        later_ms = utc_ms + seconds * 1000 + 5000
        await record_run(ledger, engine, readings(seconds, seed=2), segment=2, utc_ms=later_ms)
        await ledger.close()

    asyncio.run(work())
