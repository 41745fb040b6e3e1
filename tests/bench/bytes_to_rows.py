"""Processor time from bytes at the port to committed rows, against the usual script; memory and start.

Twice: with the criterion a new configuration has (`loop-water`, looked at every 5 s, a determination
every 10 min), and with a brisk one that looks every second and delivers every 10 s as the script does.

Usage: python -m tests.bench.bytes_to_rows [--seconds 30] [--ports 1 64]
"""

import argparse
import os
import random
import resource
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
import tty
from pathlib import Path

from quietcell.errors import LedgerError
from quietcell.ledger.journal import Journal
from tests.support.consumer import mosquitto

LINES_PER_S = 10
_TICKS_PER_S = os.sysconf("SC_CLK_TCK")


class Meters:
    """Pseudo-terminals that each get a line ten times a second."""

    def __init__(self, count: int) -> None:
        self.masters: list[int] = []
        self.names: list[str] = []
        for _ in range(count):
            master, slave = os.openpty()
            tty.setraw(slave)
            os.set_blocking(master, False)
            self.masters.append(master)
            self.names.append(os.ttyname(slave))
        self._rng = random.Random(1)

    def feed(self, seconds: float) -> int:
        """Send for `seconds`; returns the lines sent to each."""
        began, sent = time.monotonic(), 0  # noqa: TID251 # paces real lines
        while (now := time.monotonic() - began) < seconds:  # noqa: TID251 # same
            for master in self.masters:
                line = f"{25 + self._rng.gauss(0, 0.02):.2f};{21 + self._rng.gauss(0, 0.01):.2f}\r\n"
                try:
                    os.write(master, line.encode())
                except BlockingIOError:
                    continue
            sent += 1
            time.sleep(max(0.0, sent / LINES_PER_S - now))
        return sent


def cpu_s(pid: int) -> float:
    """Return the processor time a process has used, s."""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / _TICKS_PER_S


def rss_mb(pid: int) -> float:
    """Return the memory a process holds, MB."""
    status = Path(f"/proc/{pid}/status").read_text()
    return int(status.split("VmRSS:")[1].split()[0]) / 1024


def measure(
    command: list[str], meters: Meters, seconds: float, *, warm_s: float = 12.0
) -> tuple[float, float]:
    """Return processor seconds per second, start-up left out, and memory in MB."""
    process = subprocess.Popen(
        command, env={**os.environ, "OPENBLAS_NUM_THREADS": "1"}, stderr=subprocess.DEVNULL
    )
    meters.feed(warm_s)  # windows fill and imports end
    before = cpu_s(process.pid)
    meters.feed(seconds)
    used, memory = cpu_s(process.pid) - before, rss_mb(process.pid)
    process.send_signal(signal.SIGTERM)
    process.wait(20)
    return used / seconds, memory


CRITERIA = {"loop-water": (600.0, 330.0), "brisk": (10.0, 12.0)}
"""Criterion, seconds between determinations, and seconds until all its windows are full."""
BRISK = """
[criteria.brisk]
based_on = "grab-water"
window_s = 6.0
min_wait_s = 1.0
max_wait_s = 9.0
max_gap_s = 2.0
max_remaining_ph = 2.0
max_drift_mv_per_min = 1.0
max_temperature_drift_c_per_min = 5.0
resolution_mv = 0.01
[outlets.mqtt]
host = "127.0.0.1"
port = {port}
"""


def configuration(folder: Path, names: list[str], *, of_cells: str, more: str = "") -> Path:
    """Write a configuration for these ports: what each cell has beside its meter, and what comes before."""
    cells = "".join(
        f"""
[cells.c{number}]
driver = "line-stream"
{of_cells}
settings = {{ port = "{name}", columns = ["mv", "temperature_c"] }}
[cells.c{number}.calibration]
slope_pct = 98.4
zero_mv = 3.1
"""
        for number, name in enumerate(names)
    )
    path = folder / "bench.toml"
    path.write_text(f'[site]\nname = "bench"\n[store]\nfolder = "state"\n{more}{cells}')
    return path


def delivering(folder: Path, names: list[str], broker_port: int, criterion: str) -> Path:
    """Write a configuration whose cells deliver to a broker."""
    of_cells = f'criterion = "{criterion}"\nevery_s = {CRITERIA[criterion][0]}'
    return configuration(folder, names, of_cells=of_cells, more=BRISK.format(port=broker_port))


def start_s(config: Path, meters: Meters) -> float:
    """Return the time from start to the first committed record of a reading's segment, s."""
    began = time.monotonic()  # noqa: TID251 # a figure
    process = subprocess.Popen(
        [sys.executable, "-m", "quietcell", "run", "--config", str(config)], stderr=subprocess.DEVNULL
    )
    from quietcell.ledger.readings_files import ReadingsFiles  # noqa: PLC0415 # after the clock started

    taken = 0.0
    while not taken:
        meters.feed(0.05)
        files = ReadingsFiles(config.parent / "state", read_only=True)
        try:
            if files.months() and any(len(b) for b in files.of_segment("c0", 1)):
                taken = time.monotonic() - began  # noqa: TID251 # a figure
        except (LedgerError, sqlite3.Error):
            taken = 0.0  # not there yet
        finally:
            files.close()
    process.send_signal(signal.SIGTERM)
    process.wait(20)
    return taken


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--ports", type=int, nargs="+", default=[1, 64])
    given = parser.parse_args()
    resource.setrlimit(resource.RLIMIT_NOFILE, (4096, 4096))
    print(f"{'ports':>6} {'criterion':>11} {'usual script':>14} {'quietcell':>12} {'ratio':>7} {'memory':>9}")
    with mosquitto() as broker_port:
        for count in given.ports:
            meters = Meters(count)
            with tempfile.TemporaryDirectory() as name:
                script = [sys.executable, "-m", "tests.bench.usual_script"]
                usual, _ = measure(
                    [*script, str(Path(name) / "usual.sqlite"), str(broker_port), *meters.names],
                    meters,
                    given.seconds,
                )
            for criterion, (_, warm_s) in CRITERIA.items():
                with tempfile.TemporaryDirectory() as name:
                    config = delivering(Path(name), meters.names, broker_port, criterion)
                    run = [sys.executable, "-m", "quietcell", "run", "--config", str(config)]
                    ours, memory = measure(run, meters, given.seconds, warm_s=warm_s)
                    with Journal(config.parent / "state") as journal:
                        results = journal.count("determination")
                print(
                    f"{count:6} {criterion:>11} {usual:10.4f} s/s {ours:9.4f} s/s {usual / ours:6.1f}x "
                    f"{memory:6.1f} MB   {results} determinations"
                )
        meters = Meters(4)
        with tempfile.TemporaryDirectory() as name:
            config = delivering(Path(name), meters.names, broker_port, "loop-water")
            config.write_text(
                config.read_text().replace('folder = "state"', 'folder = "state"\nreadings_commit_s = 0.1')
            )
            print(f"start to first committed reading, 4 cells: {start_s(config, meters):.2f} s")


if __name__ == "__main__":
    main()
