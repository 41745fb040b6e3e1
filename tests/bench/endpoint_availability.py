"""Count due determinations that are delivered: ``python -m tests.bench.endpoint_availability``.

The whole engine with the default criterion, a determination every 600 s, through quiet days and days on
which the water changes steadily; every day an electrode with noise of its own. Option: ``--days N`` (10).
"""

import argparse
from collections import Counter

import numpy as np

from quietcell.core.endpoint.criterion import SHIPPED
from quietcell.core.engine import Engine
from quietcell.core.inputs import SegmentEnded
from quietcell.core.readings import ReadingBlock
from tests.support.settling import MV_PER_PH, electrode_noise
from tests.support.streams import began, cell_settings, determinations, run

DAY_S = 86_400
STEADY_PH_PER_H = (0.002, 0.05)
"""Below the limit of the longer window, 0.1 mV/min, which is 0.1 pH/h."""


def day(seed: int, *, changing: bool) -> ReadingBlock:
    """One day of one cell."""
    rng = np.random.default_rng([41, seed])
    s = np.arange(DAY_S)
    rate = np.exp(rng.uniform(*np.log(STEADY_PH_PER_H))) * rng.choice([-1.0, 1.0]) if changing else 0.0
    swing = np.minimum(s, 2 * DAY_S // 4) / 3600.0  # half the day, so that pH stays in range
    ph = 6.6 + rate * np.minimum(swing, 12.0)
    return ReadingBlock.from_columns(
        ms=s * 1000 + rng.integers(0, 80, DAY_S),
        mv=np.round(-MV_PER_PH * (ph - 7.0) + electrode_noise(rng, DAY_S, 1.0), 2),
        temperature_c=np.round(25.0 + rng.normal(0.0, 0.02, DAY_S), 2),
    )


def outcomes(block: ReadingBlock) -> Counter[str]:
    """Verdicts and first reasons of a day."""
    engine = Engine(cell_settings(SHIPPED["loop-water"], every_s=600.0))
    ended = SegmentEnded(ms=DAY_S * 1000, cause="stopped")
    bodies = determinations(run(engine, [began(), block, ended]))
    told: Counter[str] = Counter()
    for body in bodies:
        if "stopped" in body["reasons"]:
            continue
        told[body["verdict"] if body["verdict"] != "refused" else " ".join(body["reasons"])] += 1
    return told


def main() -> None:
    """Read the options and print the shares."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, default=10)
    options = parser.parse_args()
    for changing in (False, True):
        told: Counter[str] = Counter()
        for seed in range(options.days):
            told.update(outcomes(day(seed, changing=changing)))
        due = options.days * DAY_S // 600
        delivered = told["accepted"] + told["qualified"]
        name = "steady changes" if changing else "quiet"
        print(
            f"{name}: {100.0 * delivered / due:.1f} % of {due} due were delivered; {dict(told)}", flush=True
        )


if __name__ == "__main__":
    main()
