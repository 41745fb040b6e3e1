"""What three months of one-second readings cost the page: `python -m tests.bench.trend_months [DAYS]`.

A ledger with a reading every second and 200 excursions of a single reading is made, then its trend is asked
for: the first time, when everything has yet to be boiled down, and again. Told are the points of each
trace, whether each excursion is still there, and how long the answers took.
"""

import asyncio
import json
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from quietcell.core.readings import ReadingBlock
from quietcell.core.records import ConfigurationBody, SegmentBody
from quietcell.core.times import DAY_MS, rfc3339
from quietcell.ledger.canonical import canonical
from quietcell.ledger.chain import Envelope
from quietcell.ledger.journal import Journal
from quietcell.ledger.readings_files import ReadingsFiles, SegmentReadings
from quietcell.panel.source import Source
from tests.support.streams import cell_settings

BEGINS_UTC_MS = 1_780_272_000_000
EXCURSIONS = 200
CELL = "live-feed-room"


def make(folder: Path, days: int) -> list[int]:
    """Write the ledger and return when its excursions are, UTC ms."""
    rng = np.random.default_rng(1)
    apart_s = days * 86_400 // EXCURSIONS  # half of it at least, so that each is the highest of its step
    excursions = apart_s * np.arange(EXCURSIONS) + rng.integers(apart_s // 4, 3 * apart_s // 4, EXCURSIONS)
    at = rfc3339(BEGINS_UTC_MS)
    with Journal(folder, new_id="0" * 32) as journal:
        envelope = Envelope(
            ledger=journal.ledger, recorded_at=at, time_quality="synchronised", software="bench",
            engine_version=1,
        )  # fmt: skip
        settings = cell_settings(cell=CELL).as_json()
        bodies = (
            ConfigurationBody(id=f"{CELL}.1.1", cell=CELL, at=at, settings=settings),
            SegmentBody(id=f"{CELL}.1.2", cell=CELL, at=at, segment=1, state="began", cause="start"),
        )
        journal.append([(canonical(body.as_json()), 1) for body in bodies], envelope)
    files = ReadingsFiles(folder)
    for day in range(days):
        seconds = np.arange(day * 86_400, (day + 1) * 86_400)
        slow = np.sin(2 * np.pi * seconds / 86_400)
        size = len(seconds)
        mv = 5.0 + slow + rng.normal(0.0, 0.05, size)
        conductivity = 0.06 + 0.002 * slow + rng.normal(0.0, 0.0005, size)
        hit = np.isin(seconds, excursions)
        mv[hit] += 20.0
        conductivity[hit] += 0.05
        block = ReadingBlock(
            ms=seconds * 1000,
            mv=mv,
            temperature_c=21.0 + 0.5 * slow + rng.normal(0.0, 0.01, size),
            conductivity_us_cm=conductivity,
            flow_ml_min=100.0 + rng.normal(0.0, 0.5, size),
            flags=np.zeros(size, np.uint32),
        )
        files.append([SegmentReadings(cell=CELL, segment=1, anchor_utc_ms=BEGINS_UTC_MS, block=block)])
    files.close()
    return [BEGINS_UTC_MS + 1000 * int(second) for second in excursions]


async def ask(source: Source, days: int) -> tuple[dict[str, list[list[float]]], float, int]:
    """Return the traces, how long they took, and how large the answer is."""
    began = time.perf_counter()
    found = await source.trend(CELL, BEGINS_UTC_MS, BEGINS_UTC_MS + days * DAY_MS)
    return found["traces"], time.perf_counter() - began, len(json.dumps(found))


async def measure(folder: Path, days: int, excursions: list[int]) -> None:
    """Ask and print."""
    source = Source(folder)
    _, cold_s, _ = await ask(source, days)
    cpu = time.process_time()
    traces, warm_s, size = await ask(source, days)
    print(
        f"first answer {cold_s:.1f} s, next {warm_s:.2f} s (CPU {time.process_time() - cpu:.2f} s), {size} B"
    )
    for name, points in traces.items():
        kept = len({int(at) for at, _ in points} & set(excursions))
        told = f", {kept} of {len(excursions)} excursions" if name in ("ph", "conductivity_us_cm") else ""
        print(f"{name}: {len(points)} points{told}")
    source.close()


def main() -> None:
    """Make the ledger, ask, print."""
    days = int(sys.argv[1]) if len(sys.argv) > 1 else 90
    with tempfile.TemporaryDirectory() as folder:
        excursions = make(Path(folder), days)
        print(f"{days} d of readings, {days * 86_400} rows")
        asyncio.run(measure(Path(folder), days, excursions))


if __name__ == "__main__":
    main()
