"""How long a month of one cell at 1 Hz takes to be judged, against scipy solving each reading alone.

``python -m tests.bench.ingress_speed [days]``, 3 days unless told; both in one run, processor time per month.
"""

import sys
import time
from collections.abc import Callable

import numpy as np

from tests.bench.water_speed import plain_root_finder_row, root_finder_row
from tests.support.ingress_scenarios import quiet
from tests.support.ingress_score import told

SOLVED = 3_000
"""Readings solved one by one; scaled to all."""


def seconds(work: Callable[[], object]) -> float:
    """Return the processor time work takes."""
    began = time.process_time()
    work()
    return time.process_time() - began


def main() -> None:
    """Print both times and their ratio."""
    days = float(sys.argv[1]) if len(sys.argv) > 1 else 3.0
    scenario = quiet(1, days, every_s=1.0)
    per_month = 30.0 / days
    n = len(scenario.ph)
    judged = seconds(lambda: told(scenario)) * per_month
    print(f"a month of one cell at 1 Hz ({days:g} days, scaled): judged in {judged:.1f} s")
    rows = [(float(ph), 25.0) for ph in np.resize(scenario.ph, SOLVED)]
    for name, row in (("same chemistry", root_finder_row), ("barest balance", plain_root_finder_row)):
        solved = seconds(lambda row=row: [row(*each) for each in rows]) * n / SOLVED * per_month  # type: ignore[misc]  # bound at once
        print(f"  brentq for each reading, {name}: {solved:.0f} s, {solved / judged:.1f} times")


if __name__ == "__main__":
    main()
