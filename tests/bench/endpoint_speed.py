"""Time the whole engine of a cell, live and in replay, in one run: ``python -m tests.bench.endpoint_speed``.

Quiet water of the default criterion, a determination every 600 s, all quantities measured once a second.
Figures are processor time; the yardstick is one ``numpy.polyfit`` over 60 readings. Options: ``--hours N``
(24) of the recording, ``--profile`` prints where the time of a replay goes.
"""

import argparse
import cProfile
import io
import json
import pstats
import time
import tracemalloc
from collections.abc import Callable, Iterator

import numpy as np

from quietcell.core.endpoint.criterion import SHIPPED
from quietcell.core.engine import Engine
from quietcell.core.inputs import SegmentBegan, TimeMark
from quietcell.core.readings import ReadingBlock
from quietcell.core.recording_reader import read_recording
from quietcell.core.settings import CellSettings
from quietcell.core.times import rfc3339
from quietcell.service.replay import replay
from tests.support.settling import flicker
from tests.support.streams import ANCHOR_UTC_MS, cell_settings

CHUNK_S = 3600


def settings() -> CellSettings:
    """A cell with all that can be known of it."""
    return cell_settings(
        SHIPPED["loop-water"],
        every_s=600.0,
        conductivity_position="downstream",
        hold_up_ml=12.0,
        reference_outflow_ul_h=5.0,
    )


def quiet(seconds: int, seed: int = 1) -> ReadingBlock:
    """Water at rest, one reading a second."""
    rng = np.random.default_rng(seed)
    return ReadingBlock.from_columns(
        ms=np.arange(seconds) * 1000 + rng.integers(0, 80, seconds),
        mv=np.round(8.0 + rng.normal(0.0, 0.05, seconds) + flicker(rng, seconds, 0.01), 2),
        temperature_c=np.round(25.0 + rng.normal(0.0, 0.01, seconds), 2),
        conductivity_us_cm=np.round(0.075 + rng.normal(0.0, 0.0002, seconds), 4),
        flow_ml_min=np.round(80.0 + rng.normal(0.0, 0.5, seconds), 1),
    )


def lines(block: ReadingBlock, begin_ms: int = 0) -> Iterator[str]:
    """The rows of a recording."""
    columns = (block.mv, block.temperature_c, block.conductivity_us_cm, block.flow_ml_min)
    for ms, *row in zip(block.ms.tolist(), *(c.tolist() for c in columns), strict=True):
        yield f"{rfc3339(ANCHOR_UTC_MS + begin_ms + ms)},{','.join(map(repr, row))}\n"


HEADER = "time,mv,temperature_c,conductivity_us_cm,flow_ml_min\n"


def cpu_s(work: Callable[[], object]) -> float:
    """Return the processor time of one run, s."""
    start = time.process_time()
    work()
    return time.process_time() - start


def live(block: ReadingBlock) -> int:
    """Feed an engine reading by reading with a time mark a second; return the number of bodies."""
    engine = Engine(settings())
    engine.take(SegmentBegan(segment=1, utc_ms=ANCHOR_UTC_MS, cause="started", time_quality="synchronised"))
    bodies = 0
    for row in range(len(block)):
        bodies += len(engine.take(block[row : row + 1]))
        bodies += len(engine.take(TimeMark(ms=int(block.ms[row]) // 1000 * 1000 + 999)))
    return bodies


def replayed(rows: Iterator[str]) -> int:
    """Replay a recording as the command does: rows read, judged, written as JSON; return their number."""
    out = io.StringIO()
    count = 0
    for body in replay(read_recording(rows, name="quiet.csv"), settings()):
        out.write(json.dumps(body.as_json()) + "\n")
        count += 1
    return count


def many_chunks(hours: int) -> Iterator[str]:
    """A recording of any length, made as it is read."""
    yield HEADER
    chunk = quiet(CHUNK_S)
    for hour in range(hours):
        yield from lines(chunk, hour * CHUNK_S * 1000)


def peak_mib(hours: int) -> float:
    """Return the most memory a replay held, MiB."""
    tracemalloc.start()
    replayed(many_chunks(hours))
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak / 2**20


def main() -> None:
    """Read the options and print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hours", type=int, default=24)
    parser.add_argument("--profile", action="store_true")
    options = parser.parse_args()
    block = quiet(options.hours * 3600)
    text = [HEADER, *lines(block)]
    if options.profile:
        profile = cProfile.Profile()
        profile.runcall(replayed, iter(text))
        pstats.Stats(profile).sort_stats("cumulative").print_stats(45)
        return
    n = len(block)
    x, y = block.ms[:60] / 1000.0, block.mv[:60]
    polyfit_us = 1e6 * min(cpu_s(lambda: [np.polyfit(x, y, 1) for _ in range(2000)]) for _ in range(3)) / 2000
    live_us = 1e6 * cpu_s(lambda: live(block)) / n
    replay_us = 1e6 * min(cpu_s(lambda: replayed(iter(text))) for _ in range(2)) / n
    print(f"numpy.polyfit over 60 readings       {polyfit_us:7.1f} µs")
    print(f"live engine, a reading and a tick    {live_us:7.1f} µs")
    print(f"replay, a reading                    {replay_us:7.1f} µs")
    print(f"replay against polyfit               {polyfit_us / replay_us:7.1f} times cheaper (4 asked)")
    print(f"replay against live                  {live_us / replay_us:7.1f} times faster (10 asked)")
    for hours in (4, 12):
        print(f"peak memory of a replay of {hours:3d} h      {peak_mib(hours):7.1f} MiB")


if __name__ == "__main__":
    main()
