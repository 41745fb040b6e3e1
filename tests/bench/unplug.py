"""Unplug and plug in again, under load: descriptors, tasks, false readings and gaps.

Usage: python -m tests.bench.unplug [--meters 4] [--cycles 25] [--lines-per-s 20]
"""

import argparse
import asyncio
import io
import tempfile
import time
from pathlib import Path

from quietcell.service.logs import configure_logs
from tests.support.unplugging import unplug_and_plug


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description="Unplug and plug in again, under load.")
    parser.add_argument("--meters", type=int, default=4)
    parser.add_argument("--cycles", type=int, default=25, help="of each meter")
    parser.add_argument("--lines-per-s", type=float, default=20.0)
    given = parser.parse_args()
    configure_logs("json", file=io.StringIO())
    with tempfile.TemporaryDirectory() as name:
        began = time.monotonic()  # noqa: TID251 # a figure
        left = asyncio.run(
            unplug_and_plug(
                Path(name),
                meters=given.meters,
                cycles_each=given.cycles,
                lines_per_s=given.lines_per_s,
                between=30,
            )
        )
        took_s = time.monotonic() - began  # noqa: TID251 # a figure
    print(f"{left.cycles} cycles of {given.meters} meters in {took_s:.0f} s, {left.readings} readings")
    print(f"descriptors before and after: {left.descriptors}, tasks: {left.tasks}")
    print(f"segments begun by a reopened port: {left.reopened}, gaps recorded: {len(left.gaps)}")
    print(f"readings no meter sent: {left.false_readings}")


if __name__ == "__main__":
    main()
