"""How long a report of three months of four cells takes.

``python -m tests.bench.report_speed [DAYS [READING_S]]``

The ledger is made first; then `quietcell report` runs as people run it, in a process of its own, and its wall
time, CPU time and size are printed.
"""

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from quietcell.ledger.journal import Journal
from tests.support.long_ledger import long_ledger


def main() -> None:
    """Make the ledger, report on it, print."""
    days = float(sys.argv[1]) if len(sys.argv) > 1 else 90.0
    reading_s = float(sys.argv[2]) if len(sys.argv) > 2 else 10.0
    with tempfile.TemporaryDirectory() as place:
        folder, out = Path(place, "ledger"), Path(place, "report.html")
        began = time.perf_counter()
        long_ledger(folder, days=days, reading_s=reading_s)
        made_s = time.perf_counter() - began
        with Journal(folder) as journal:
            records, determinations = journal.head[0], journal.count("determination")
        size = sum(file.stat().st_size for file in folder.iterdir()) / 1e6
        print(f"{records} records, {determinations} determinations, {size:.0f} MB, made in {made_s:.1f} s")
        for _ in range(3):
            options = ["--ledger", str(folder), "--days", str(days), "--out", str(out)]
            before, began = os.times(), time.perf_counter()
            subprocess.run(
                [sys.executable, "-m", "quietcell", "report", *options], check=True, stderr=subprocess.DEVNULL
            )
            wall_s, after = time.perf_counter() - began, os.times()
            cpu_s = (
                after.children_user + after.children_system - before.children_user - before.children_system
            )
            size = out.stat().st_size / 1e6
            print(f"report: {wall_s:.1f} s (CPU {cpu_s:.1f} s in all processes), {size:.2f} MB")


if __name__ == "__main__":
    main()
