"""Time from a pseudo-terminal coming back under its name to committed records, and from byte to file line.

Usage: python -m tests.bench.replug [--times 10]
"""

import argparse
import signal
import tempfile
import time
from pathlib import Path

from tests.support.live import Program, StreamingMeter


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--times", type=int, default=10)
    given = parser.parse_args()
    back_s: list[float] = []
    with (
        tempfile.TemporaryDirectory() as name,
        StreamingMeter(Path(name)) as meter,
        Program(Path(name)) as program,
    ):
        program.start()
        program.wait_for("determination", verdict="accepted")
        for number in range(given.times):
            meter.pull()
            program.wait_for("driver-fault", count=2 * number + 1)
            time.sleep(0.5 + 0.37 * number)
            began = time.monotonic()  # noqa: TID251 # a figure
            meter.plug()
            program.wait_for("gap", count=number + 1)
            back_s.append(time.monotonic() - began)  # noqa: TID251 # a figure
        program.end(signal.SIGTERM)
        segments = [b for b in program.bodies("segment") if b["state"] == "began"]
    ordered = sorted(back_s)
    print(f"{given.times} times: median {ordered[len(ordered) // 2]:.2f} s, longest {ordered[-1]:.2f} s")
    print(f"{len(segments)} segments began")


if __name__ == "__main__":
    main()
