"""How long a report of three months of four cells takes.

``python -m tests.bench.report_speed [DAYS [READING_S]]``

The ledger is made first; then `quietcell report` runs as people run it, in a process of its own, and its
wall time, CPU time and size are printed, beside the CPU time that parsing the journal's text alone takes
meanwhile: on a busy machine that ratio tells more than seconds.
"""

import gc
import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from quietcell.ledger.journal import Journal
from tests.support.long_ledger import long_ledger


def parsing(folder: Path) -> float:
    """CPU time that the text of all records takes to be parsed."""
    with Journal(folder) as journal:
        texts = [stored for _, stored in journal.stored_bytes(1, journal.head[0])]
    gc.disable()
    began = time.process_time()
    for text in texts:
        json.loads(text)
    gc.enable()
    return time.process_time() - began


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
            size, parsing_s = out.stat().st_size / 1e6, parsing(folder)
            print(f"report: {wall_s:.1f} s, CPU {cpu_s:.1f} s in all processes, {size:.2f} MB")
            print(f"        parsing the journal alone: CPU {parsing_s:.1f} s, ratio {cpu_s / parsing_s:.1f}")


if __name__ == "__main__":
    main()
