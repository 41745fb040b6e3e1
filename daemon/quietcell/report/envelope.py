"""Readings of a long span in few steps: the lowest and highest of each, so that nothing is averaged away."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from quietcell.core.readings import Quantity
from quietcell.report.material import Span

STEPS = 720
"""More than a printed page can show apart."""


@dataclass(slots=True, kw_only=True)
class Envelope:
    """Lowest and highest of one quantity in every step of a span, NaN where nothing was read."""

    span: Span
    low: Quantity = field(default_factory=lambda: np.full(STEPS, np.nan))
    high: Quantity = field(default_factory=lambda: np.full(STEPS, np.nan))
    low_c: Quantity = field(default_factory=lambda: np.full(STEPS, np.nan))
    """Temperature of the lowest."""
    high_c: Quantity = field(default_factory=lambda: np.full(STEPS, np.nan))

    @property
    def edges_ms(self) -> Quantity:
        """Where the steps begin and end, UTC ms, shape (STEPS + 1,)."""
        return np.linspace(self.span.from_ms, self.span.to_ms, STEPS + 1)

    def feed(self, at_ms: NDArray[np.int64], values: Quantity, temperature_c: Quantity) -> None:
        """Take readings in order of time, all in the span; NaN is left out."""
        good = np.isfinite(values)
        values, temperature_c = values[good], temperature_c[good]
        if not len(values):
            return
        width = (self.span.to_ms - self.span.from_ms) / STEPS
        step = np.minimum(((at_ms[good] - self.span.from_ms) / width).astype(np.int64), STEPS - 1)
        starts = np.flatnonzero(np.concatenate(([True], step[1:] != step[:-1])))
        steps = step[starts]
        group = np.repeat(np.arange(len(starts)), np.diff([*starts, len(step)]))
        for reduce, best, best_c, better in (
            (np.minimum, self.low, self.low_c, np.less),
            (np.maximum, self.high, self.high_c, np.greater),
        ):
            found = reduce.reduceat(values, starts)
            hits = np.flatnonzero(values == found[group])
            first = hits[np.unique(group[hits], return_index=True)[1]]
            new = ~(np.isfinite(best[steps]) & ~better(found, best[steps]))
            best[steps[new]], best_c[steps[new]] = found[new], temperature_c[first][new]
