"""What 64 ports at 10 lines a second cost: the daemon, a bare loop, and a thread with pyserial a port.

The daemon measures with on-request cells, so the engine only takes readings in; its own share is measured
beside it by feeding an engine the same readings in the same portions.

Usage: python -m tests.bench.ports_cost [--seconds 30] [--ports 64]
"""

import argparse
import resource
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from quietcell.core.electrode.nernst import Line
from quietcell.core.endpoint.criterion import SHIPPED
from quietcell.core.engine import Engine
from quietcell.core.inputs import SegmentBegan
from quietcell.core.readings import ReadingBlock
from quietcell.core.settings import CellSettings
from tests.bench.bytes_to_rows import Meters, configuration, measure

ENGINE_S = 60
"""Seconds of readings the engines are fed with."""


def engine_s_per_s(ports: int) -> float:
    """Return what the engines of so many cells cost for each second of readings, s; fed in turn, as live."""
    settings = CellSettings(
        cell="bench",
        criterion_name="loop-water",
        criterion=SHIPPED["loop-water"],
        line=Line(slope_pct=98.4, zero_mv=3.1),
        mode="on-request",
    )
    rng = np.random.default_rng(1)
    engines = [Engine(settings) for _ in range(ports)]
    for engine in engines:
        engine.take(SegmentBegan(segment=1, utc_ms=0, cause="started", time_quality="synchronised"))
    blocks = [
        [
            ReadingBlock.from_columns(
                np.arange(10) * 100 + second * 1000,
                25 + rng.normal(0, 0.02, 10),
                21 + rng.normal(0, 0.01, 10),
            )
            for _ in engines
        ]
        for second in range(ENGINE_S)
    ]
    began = time.process_time()
    for of_a_second in blocks:
        for engine, block in zip(engines, of_a_second, strict=True):
            engine.take(block)
    return (time.process_time() - began) / ENGINE_S


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--ports", type=int, default=64)
    given = parser.parse_args()
    resource.setrlimit(resource.RLIMIT_NOFILE, (4096, 4096))
    meters = Meters(given.ports)
    bare = [sys.executable, "-m", "tests.bench.bare_loops"]
    loop, _ = measure([*bare, "loop", *meters.names], meters, given.seconds)
    threads, _ = measure([*bare, "threads", *meters.names], meters, given.seconds)
    with tempfile.TemporaryDirectory() as name:
        config = configuration(Path(name), meters.names, of_cells='mode = "on-request"')
        ours, memory = measure(
            [sys.executable, "-m", "quietcell", "run", "--config", str(config)], meters, given.seconds
        )
    engines = engine_s_per_s(given.ports)
    print(f"{given.ports} ports, processor seconds a second")
    print(f"  bare loop                 {loop:8.4f}")
    print(f"  a pyserial thread a port  {threads:8.4f}")
    print(f"  engines alone             {engines:8.4f}")
    print(f"  quietcell                 {ours:8.4f}   {memory:.0f} MB")
    print(f"  (quietcell - engines) / bare loop: {(ours - engines) / loop:.1f}")
    print(f"  threads / quietcell: {threads / ours:.1f}")


if __name__ == "__main__":
    main()
