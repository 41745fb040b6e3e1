"""How fast the ledger is, as ratios in one run: ``python -m tests.bench.ledger_speed [MILLIONS]``.

Durable appends against bare sqlite3 with the same settings and batches; readings with the lag of the event
loop beside them; the last day out of so many million readings (30 by default) against a ledger of one day.
"""

import asyncio
import sqlite3
import sys
import tempfile
import time
from contextlib import closing
from pathlib import Path
from statistics import median

import numpy as np

from quietcell.core.readings import ReadingBlock
from quietcell.ledger.chain import GENESIS, Envelope, digest
from quietcell.ledger.ledger import Ledger, Stamp
from quietcell.ledger.readings_files import ReadingsFiles, SegmentReadings, month_of
from tests.support.ledgers import NoteBody, note
from tests.support.streams import ANCHOR_UTC_MS

BATCH, BATCHES, ROUNDS = 20, 150, 5
CELL = "live-feed-room"
DAY_MS = 86_400_000


def seconds() -> float:
    """Time that only goes on."""
    return time.perf_counter()


def opened(folder: Path) -> Ledger:
    """A ledger with usual settings."""
    return Ledger(folder, stamp=lambda: Stamp(ANCHOR_UTC_MS, "synchronised"))


def notes(batch: int) -> list[NoteBody]:
    """Records of some 2 KB."""
    return [note(batch * BATCH + each, "x" * 1800) for each in range(BATCH)]


def bare_appends(folder: Path, round_number: int) -> float:
    """Records a second of sqlite3 alone, text made beforehand."""
    envelope = Envelope(
        ledger="x", recorded_at="2026", time_quality="synchronised", software="x", engine_version=1
    )
    texts: list[tuple[int, str]] = []
    head = GENESIS
    for batch in range(BATCHES):
        for body in notes(batch):
            stored = envelope.seal(body.as_json(), schema=1, seq=len(texts) + 1, previous=head)
            texts.append((stored.seq, stored.text))
            head = digest(stored.text)
    with closing(sqlite3.connect(folder / f"bare-{round_number}.sqlite", isolation_level=None)) as database:
        database.execute("PRAGMA journal_mode = WAL")
        database.execute("PRAGMA synchronous = FULL")
        database.execute("CREATE TABLE journal (seq INTEGER PRIMARY KEY, record TEXT NOT NULL) STRICT")
        began = seconds()
        for batch in range(BATCHES):
            database.execute("BEGIN IMMEDIATE")
            rows = texts[batch * BATCH : batch * BATCH + BATCH]
            database.executemany("INSERT INTO journal VALUES (?, ?)", rows)
            database.execute("COMMIT")
        return BATCH * BATCHES / (seconds() - began)


async def ledger_appends(folder: Path, round_number: int) -> float:
    """Records a second of the ledger, each batch durable before the next."""
    ledger = opened(folder / f"ledger-{round_number}")
    bodies = [notes(batch) for batch in range(BATCHES)]
    began = seconds()
    for batch in bodies:
        await ledger.record(batch)
    rate = BATCH * BATCHES / (seconds() - began)
    await ledger.close()
    return rate


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
    ledger._readings_commit_s = 0.2
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
        pairs = [(asyncio.run(ledger_appends(folder, n)), bare_appends(folder, n)) for n in range(ROUNDS)]
        ledger, bare = (median(each) for each in zip(*pairs, strict=True))
        print(f"durable appends, batches of {BATCH}: {ledger:.0f}/s, bare sqlite3 {bare:.0f}/s")
        print(f"  ratio {median(a / b for a, b in pairs):.2f} (rounds {[round(a / b, 2) for a, b in pairs]})")
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
