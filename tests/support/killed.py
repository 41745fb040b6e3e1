"""A ledger under load, killed at random moments: ``python -m tests.support.killed FOLDER KILLS SEED``.

One process imports everything and forks a worker for each run. A worker does what the daemon does: it goes on
from the last checkpoint, judges readings, records, delivers to a daily file, and tells on a pipe which of its
records it was told are durable. The last run is ended in order; then the ledger is checked. Prints JSON.
"""

import asyncio
import json
import os
import random
import signal
import sys
import time
from contextlib import closing, suppress
from pathlib import Path
from typing import Any

import structlog

from quietcell.core.engine import Engine
from quietcell.core.times import rfc3339
from quietcell.ledger.cursors import Cursors
from quietcell.ledger.journal import Journal
from quietcell.ledger.ledger import Ledger, Stamp
from quietcell.ledger.readings_files import ReadingsFiles, SegmentReadings
from quietcell.ledger.verify import verify
from quietcell.outlets.files import DailyFiles
from quietcell.outlets.follower import FileOutlet
from quietcell.service.outlets import json_sheet
from quietcell.service.recompute import recompute
from quietcell.service.records import DaemonIds, RunBody
from quietcell.service.recovery import next_segment
from quietcell.service.resume import resume
from tests.support.leak import leaking
from tests.support.ledgers import NoteBody
from tests.support.recorded import CELL, end, mark
from tests.support.streams import ANCHOR_UTC_MS, began, cell_settings

SETTINGS = cell_settings(every_s=60.0)
PIECE = 20


async def work(folder: Path, tell: int, pieces: int) -> None:
    """Do one run; ended in order after so many pieces of readings, if it lives that long."""
    stamp_ms = [ANCHOR_UTC_MS]
    ledger = Ledger(
        folder / "state", stamp=lambda: Stamp(stamp_ms[0], "synchronised"), readings_commit_s=0.01
    )
    run = await ledger.run(ledger.journal.last_run) + 1
    ids, utc_ms = DaemonIds(run), ANCHOR_UTC_MS + run * 3_600_000
    stamp_ms[0] = utc_ms
    ledger.give_ids(ids.next)
    body = RunBody(id=ids.next(), cell="daemon", at=rfc3339(utc_ms), run=run, state="began")
    await ledger.record([body])
    engine = await resume(ledger, ids, CELL, utc_ms=utc_ms) or Engine(SETTINGS)
    segment = await ledger.run(lambda: next_segment(ledger, CELL))
    await ledger.record(engine.take(began(segment, utc_ms=utc_ms)))
    with closing(Cursors(folder / "state")) as cursors:
        outlet = FileOutlet(ledger, DailyFiles(folder / "out", json_sheet(), cursors))
        delivering = asyncio.create_task(outlet.run())
        block = leaking(pieces * PIECE, SETTINGS, from_s=400, seed=run)
        for piece in range(pieces):
            part = block[piece * PIECE : piece * PIECE + PIECE]
            ledger.keep(SegmentReadings(cell=CELL, segment=segment, anchor_utc_ms=utc_ms, block=part))
            made = engine.take(part)
            note = NoteBody(id=ids.next(), cell=CELL, at=rfc3339(utc_ms + int(part.ms[-1])), text="x" * 40)
            told = await ledger.record([*made, note])
            os.write(tell, "".join(f"{record.seq} {record.body()['id']}\n" for record in told).encode())
            if piece % 9 == 8:
                at_ms = int(part.ms[-1]) + 10
                await mark(ledger, engine, ids, segment=segment, at_ms=at_ms, utc_ms=utc_ms)
        await end(ledger, engine, ids, at_ms=int(block.ms[-1]) + 100, utc_ms=utc_ms)
        while outlet.seq < ledger.seq:  # noqa: ASYNC110 # outlets know no such event
            await asyncio.sleep(0.002)
        delivering.cancel()
        with suppress(asyncio.CancelledError):
            await delivering
    await ledger.close()


def forked(folder: Path, *, pieces: int, live_s: float | None) -> list[str]:
    """Run a worker in a process of its own, kill it so long after its first word; return what it told."""
    read, write = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(read)
        try:
            asyncio.run(work(folder, write, pieces))
            os._exit(0)
        finally:
            os._exit(1)
    os.close(write)
    with os.fdopen(read) as told:
        lines = [told.readline()]
        if live_s is not None:
            time.sleep(live_s)
            os.kill(child, signal.SIGKILL)
        lines += told.readlines()
    _, status = os.waitpid(child, 0)
    if live_s is None and status:
        raise RuntimeError(f"the last run ended with {status}")
    # The last line may be half a line.
    return [line.strip() for line in lines if line.endswith("\n")]


def campaign(folder: Path, kills: int, seed: int) -> dict[str, Any]:
    """Kill so many runs and check what is left."""
    structlog.configure(logger_factory=structlog.ReturnLoggerFactory())
    rng = random.Random(seed)
    told: list[str] = []
    for _ in range(kills):
        told += forked(folder, pieces=500, live_s=rng.uniform(0.0, 0.06))
    told += forked(folder, pieces=12, live_s=None)
    with (
        Journal(folder / "state") as journal,
        closing(ReadingsFiles(folder / "state", read_only=True)) as files,
    ):
        stored = [record.text for record in journal.all()]
        ids = {f"{n} {json.loads(text)['body']['id']}" for n, text in enumerate(stored, 1)}
        found = verify(journal, files, tell=lambda _: None)
        again = recompute(journal, files, CELL)
    lines = [
        line for path in sorted((folder / "out").glob("*.jsonl")) for line in path.read_text().splitlines()
    ]
    return {
        "kills": kills,
        "told": len(told),
        "told_but_not_stored": sorted(set(told) - ids),
        "records": found.records,
        "readings": found.readings,
        "readings_uncovered": found.readings_uncovered,
        "files_equal_journal": sorted(lines) == sorted(stored) and len(lines) == len(stored),
        "judged_again": again.same,
        "different": again.different,
        "differences": again.differences,
        "not_recomputable": dict(again.not_recomputable),
    }


if __name__ == "__main__":
    print(json.dumps(campaign(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))))  # noqa: T201 # its answer
