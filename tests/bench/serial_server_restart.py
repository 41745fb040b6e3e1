"""Time from a killed serial device server being started again to committed records of its meter.

Usage: python -m tests.bench.serial_server_restart [--times 10]
"""

import argparse
import signal
import tempfile
import time
from pathlib import Path

from tests.support.live import Program, StreamingMeter
from tests.support.serial_server import SerialServer


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--times", type=int, default=10)
    given = parser.parse_args()
    back_s: list[float] = []
    with tempfile.TemporaryDirectory() as name, StreamingMeter(Path(name)) as meter:
        folder = Path(name)
        with SerialServer(folder, meter.terminal.port) as server, Program(folder) as program:
            text = program.config.read_text()
            program.config.write_text(text.replace(meter.terminal.port, server.address))
            program.start()
            program.wait_for("determination", verdict="accepted")
            for number in range(given.times):
                server.kill()
                program.wait_for("driver-fault", count=number + 1)
                time.sleep(0.5 + 0.37 * number)
                began = time.monotonic()  # noqa: TID251 # a figure
                server.start()
                program.wait_for("gap", count=number + 1)
                back_s.append(time.monotonic() - began)  # noqa: TID251 # a figure
            program.end(signal.SIGTERM)
    ordered = sorted(back_s)
    print(f"{given.times} times: median {ordered[len(ordered) // 2]:.2f} s, longest {ordered[-1]:.2f} s")


if __name__ == "__main__":
    main()
