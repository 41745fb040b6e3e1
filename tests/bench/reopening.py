"""Time from a port coming back to committed records of its meter: plugged in again, or its server restarted.

Usage: python -m tests.bench.reopening [--through-server] [--times 10]
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
    parser.add_argument("--through-server", action="store_true", help="a serial device server is killed")
    parser.add_argument("--times", type=int, default=10)
    given = parser.parse_args()
    back_s: list[float] = []
    with tempfile.TemporaryDirectory() as name, StreamingMeter(Path(name)) as meter:
        with Program(Path(name)) as program:
            away, back = meter.pull, meter.plug
            if given.through_server:
                server = SerialServer(Path(name), meter.terminal.port)
                server.start()
                away, back = server.kill, server.start
                text = program.config.read_text()
                program.config.write_text(text.replace(meter.terminal.port, server.address))
            program.start()
            program.wait_for("determination", verdict="accepted")
            for number in range(given.times):
                faults = len(program.bodies("driver-fault"))
                away()
                program.wait_for("driver-fault", count=faults + 1)
                time.sleep(0.5 + 0.37 * number)
                began = time.monotonic()  # noqa: TID251 # a figure
                back()
                program.wait_for("gap", count=number + 1)
                back_s.append(time.monotonic() - began)  # noqa: TID251 # a figure
            program.end(signal.SIGTERM)
            segments = sum(body["state"] == "began" for body in program.bodies("segment"))
        if given.through_server:
            away()
    ordered = sorted(back_s)
    print(f"{given.times} times: median {ordered[len(ordered) // 2]:.2f} s, longest {ordered[-1]:.2f} s")
    print(f"{segments} segments began")


if __name__ == "__main__":
    main()
