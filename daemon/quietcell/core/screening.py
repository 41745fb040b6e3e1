"""Screening: which readings count, and the name of what speaks against the others.

Only the raw reading is stored; screening is part of the engine, so a recording screened again gives
the same answer.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from quietcell.core.readings import ReadingBlock, flag_labels

MV_RANGE = (-1500.0, 1500.0)
"""Wider than any electrode over pH 0 to 14 with any reference, mV."""
TEMPERATURE_RANGE_C = (0.0, 100.0)
"""Liquid water at ordinary pressure, °C."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Screened:
    """Readings that count and names for those that do not."""

    counts: NDArray[np.bool_]
    """Shape (n,): True where the reading may enter a window."""
    labels: list[tuple[int, list[str]]]
    """Row and names of what speaks against it, for each row that does not count."""


def screen(block: ReadingBlock) -> Screened:
    """Judge each reading by itself.

    A reading counts when it carries no flag and its potential and temperature are measured and lie
    inside what water and electrodes can give.
    """
    with np.errstate(invalid="ignore"):
        faults = {
            "mv-not-measured": np.isnan(block.mv),
            "mv-out-of-range": (block.mv < MV_RANGE[0]) | (block.mv > MV_RANGE[1]),
            "temperature-not-measured": np.isnan(block.temperature_c),
            "temperature-out-of-range": (block.temperature_c < TEMPERATURE_RANGE_C[0])
            | (block.temperature_c > TEMPERATURE_RANGE_C[1]),
        }
    counts = block.flags == 0
    for fault in faults.values():
        counts &= ~fault
    labels = [
        (
            int(row),
            flag_labels(int(block.flags[row])) + [name for name, fault in faults.items() if fault[row]],
        )
        for row in np.flatnonzero(~counts)
    ]
    return Screened(counts=counts, labels=labels)
