"""How fast the ledger is, as ratios in one run: ``python -m tests.bench.ledger_speed [MILLIONS]``.

Durable appends against bare sqlite3 with the same settings and batches; readings with the lag of the event
loop beside them; the last day out of so many million readings (30 by default) against a ledger of one day.
"""

import asyncio
import shutil
import sqlite3
import sys
import tempfile
import time
from collections.abc import Iterable
from contextlib import closing
from pathlib import Path
from statistics import median
from uuid import uuid4

import numpy as np

from quietcell import __version__
from quietcell.core.readings import ReadingBlock
from quietcell.core.records import ENGINE_VERSION
from quietcell.core.times import DAY_MS, rfc3339
from quietcell.ledger.canonical import canonical_body
from quietcell.ledger.chain import GENESIS, Envelope
from quietcell.ledger.journal import _LAYOUT, Journal
from quietcell.ledger.ledger import Ledger, Stamp
from quietcell.ledger.readings_files import ReadingsFiles, SegmentReadings, month_of
from quietcell.ledger.waiting import Batch, Waiting
from tests.support.ledgers import NoteBody, note
from tests.support.streams import ANCHOR_UTC_MS

ROUNDS = 45
BATCHES = ((1, 500), (20, 150), (300, 20))
"""Records a commit, and commits."""
_TABLE = "CREATE TABLE journal (seq INTEGER PRIMARY KEY, record TEXT NOT NULL) STRICT"
CELL = "live-feed-room"


def seconds() -> float:
    """Time that only goes on."""
    return time.perf_counter()


def opened(folder: Path) -> Ledger:
    """A ledger with usual settings."""
    return Ledger(folder, stamp=lambda: Stamp(ANCHOR_UTC_MS, "synchronised"))


def notes(first: int, batch: int) -> list[NoteBody]:
    """Records of some 2 KB."""
    return [note(first + each, "x" * 1800) for each in range(batch)]


def envelope(ledger: str) -> Envelope:
    """What is said about records."""
    return Envelope(
        ledger=ledger,
        recorded_at=rfc3339(ANCHOR_UTC_MS),
        time_quality="synchronised",
        software=f"quietcell {__version__}",
        engine_version=ENGINE_VERSION,
    )


def sealed(rows: int) -> list[tuple[int, str]]:
    """What the ledger would store."""
    texts = [(canonical_body(body), body.schema) for body in notes(0, rows)]
    return [(each.seq, each.text) for each in envelope(str(uuid4())).seal(texts, behind=(0, GENESIS))[0]]


def bare_appends(path: Path, layout: str, batch: int, commits: int) -> float:
    """Records a second of sqlite3 alone, text made beforehand."""
    texts = sealed(batch * commits)
    with closing(sqlite3.connect(path, isolation_level=None)) as database:
        database.execute("PRAGMA journal_mode = WAL")
        database.execute("PRAGMA synchronous = FULL")
        database.executescript(layout)
        began = seconds()
        for at in range(0, len(texts), batch):
            database.execute("BEGIN IMMEDIATE")
            database.executemany("INSERT INTO journal (seq, record) VALUES (?, ?)", texts[at : at + batch])
            database.execute("COMMIT")
        return len(texts) / (seconds() - began)


def journal_appends(folder: Path, batch: int, commits: int, *, ready: bool) -> float:
    """Records a second of the journal, from bodies to durable; `ready`: their canonical form is made already.

    So the daemon hands them over: its event loop makes the form, while the writer's thread commits others.
    """
    folder.mkdir()
    batches = [notes(number * batch, batch) for number in range(commits)]
    with closing(Journal(folder, new_id=str(uuid4()))) as journal:
        made = [((canonical_body(body), body.schema) for body in bodies) for bodies in batches]
        given: list[Iterable[tuple[str, int]]] = [list(each) for each in made] if ready else [*made]
        began = seconds()
        for bodies in given:
            journal.append(bodies, envelope(journal.ledger))
        return batch * commits / (seconds() - began)


class OneByOne(Waiting):
    """Gives a commit what one source queued: both sides of the comparison commit as many at a time."""

    def take(self) -> Batch | None:
        """Return the oldest bodies alone."""
        batch = super().take()
        if batch is None or len(batch.bodies) == 1:
            return batch
        self.put_back(Batch(batch.bodies[1:], []), most_readings=0)
        return Batch(batch.bodies[:1], batch.readings)


async def ledger_appends(folder: Path, batch: int, commits: int, *, sources: int) -> float:
    """Records a second of the ledger.

    Each source waits until its batch is durable before its next; of two, one can be made ready during
    the commit of the other.
    """
    ledger = opened(folder)
    ledger._waiting = OneByOne()
    bodies = iter([notes(number * batch, batch) for number in range(commits)])

    async def source() -> None:
        for each in bodies:
            await ledger.record(each)

    began = seconds()
    await asyncio.gather(*(source() for _ in range(sources)))
    rate = batch * commits / (seconds() - began)
    await ledger.close()
    return rate


def appends(folder: Path) -> None:
    """Print the rates of journal and ledger beside those of sqlite3, in turn."""
    print(
        "durable appends of 2 KB; ratio to sqlite3 alone with the ledger's tables, and with one plain table"
    )
    for batch, commits in BATCHES:
        ours: dict[str, list[float]] = {}
        bare: dict[str, list[float]] = {_LAYOUT: [], _TABLE: []}
        for _ in range(ROUNDS):
            place = folder / "appends"
            place.mkdir()
            for index, (layout, rates) in enumerate(bare.items()):
                rates.append(bare_appends(place / f"{index}", layout, batch, commits))
            for name, ready in (("journal", True), ("journal, canonical form included", False)):
                rate = journal_appends(place / name, batch, commits, ready=ready)
                ours.setdefault(name, []).append(rate)
            for sources in (1, 2):
                rate = asyncio.run(ledger_appends(place / f"of-{sources}", batch, commits, sources=sources))
                ours.setdefault(f"ledger beside the event loop, {sources} at work", []).append(rate)
            shutil.rmtree(place)  # gigabytes the system is still writing would hold up the next round
        told = ", ".join(f"{median(rates):.0f}/s" for rates in bare.values())
        print(f"  {batch} a commit: sqlite3 {told}")
        for name, found in ours.items():
            ratios = [[a / b for a, b in zip(found, rates, strict=True)] for rates in bare.values()]
            told = ", ".join(f"{median(each):.2f} ({min(each):.2f} to {max(each):.2f})" for each in ratios)
            print(f"    {name}: {median(found):.0f}/s, ratio {told}")


def block_of(rows: int, first: int, *, step_ms: int = 1) -> ReadingBlock:
    """Plausible readings."""
    rng = np.random.default_rng(first)
    return ReadingBlock.from_columns(
        ms=(first + np.arange(rows)) * step_ms,
        mv=np.round(25 + rng.normal(0, 0.02, rows), 2),
        temperature_c=np.round(21 + rng.normal(0, 0.01, rows), 2),
        conductivity_us_cm=np.round(0.06 + rng.normal(0, 0.0003, rows), 4),
    )


async def readings(folder: Path, *, rate: int, for_s: float) -> tuple[float, float, float]:
    """Rows a second kept durable, and median and 99th percentile of the loop's lag, ms."""
    ledger = opened(folder)
    ledger.readings_commit_s = 0.2
    lags: list[float] = []

    async def watch() -> None:
        while True:
            at = seconds()
            await asyncio.sleep(0.005)
            lags.append((seconds() - at - 0.005) * 1000)

    watching = asyncio.create_task(watch())
    piece = rate // 100
    blocks = [block_of(piece, number * piece) for number in range(round(for_s * 100))]
    await asyncio.sleep(0.05)
    lags.clear()
    began = seconds()
    for number, block in enumerate(blocks):
        ledger.keep(SegmentReadings(cell=CELL, segment=1, anchor_utc_ms=ANCHOR_UTC_MS, block=block))
        await asyncio.sleep(max(0.0, began + (number + 1) / 100 - seconds()))
    await ledger.flush()
    took_s = seconds() - began
    watching.cancel()
    await asyncio.gather(watching, return_exceptions=True)
    await ledger.close()
    return len(blocks) * piece / took_s, median(lags), float(np.percentile(lags, 99))


def fill(folder: Path, rows: int) -> None:
    """Store one reading a second, ending now; without waiting for the disk."""
    folder.mkdir()
    with closing(ReadingsFiles(folder)) as files:
        anchor_ms = ANCHOR_UTC_MS - rows * 1000
        done, piece = 0, 100_000
        while done < rows:
            block = block_of(min(piece, rows - done), done, step_ms=1000)
            part = SegmentReadings(cell=CELL, segment=1, anchor_utc_ms=anchor_ms, block=block)
            for ms in (int(block.ms[0]), int(block.ms[-1])):
                files._month(month_of(anchor_ms + ms)).execute("PRAGMA synchronous = OFF")
            files.append([part])
            done += len(block)


def last_day(folder: Path, rows: int) -> float:
    """Seconds to read the last 24 h, the best of some."""
    anchor_ms, best = ANCHOR_UTC_MS - rows * 1000, float("inf")
    for _ in range(ROUNDS):
        began = seconds()
        with closing(ReadingsFiles(folder, read_only=True)) as files:
            found = sum(
                len(block)
                for block in files.between(
                    CELL, 1, anchor_utc_ms=anchor_ms, after_ms=rows * 1000 - DAY_MS - 1, upto_ms=rows * 1000
                )
            )
        best = min(best, seconds() - began)
        assert found == DAY_MS // 1000
    return best


def main() -> None:
    """Print the figures."""
    millions = float(sys.argv[1]) if len(sys.argv) > 1 else 30.0
    with tempfile.TemporaryDirectory(dir=".") as place:
        folder = Path(place)
        appends(folder)
        for rate in (20_000, 30_000):
            kept, middle, lag = asyncio.run(readings(folder / f"rows-{rate}", rate=rate, for_s=6.0))
            print(
                f"readings offered {rate}/s: {kept:.0f}/s, loop lag median {middle:.1f} ms, p99 {lag:.1f} ms"
            )
        one, many = DAY_MS // 1000, round(millions * 1e6)
        fill(folder / "one", one)
        fill(folder / "many", many)
        alone, among = last_day(folder / "one", one), last_day(folder / "many", many)
        print(f"last 24 h of {many} readings: {among * 1000:.0f} ms, of one day {alone * 1000:.0f} ms")
        print(f"  ratio {among / alone:.2f}")


if __name__ == "__main__":
    main()
