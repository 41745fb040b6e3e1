"""Readings of a long span in few steps: the lowest and highest of each, so that nothing is averaged away."""

import math
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from quietcell.core.readings import Quantity
from quietcell.report.material import Span

STEPS = 720
"""More than a printed page can show apart."""
Point = tuple[float, float]
"""A value, and the temperature it was read at, °C; NaN where that does not matter."""


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

    def step_of(self, at_ms: int) -> int:
        """Return the step an instant of the span falls in."""
        return min(int((at_ms - self.span.from_ms) / self._width_ms), STEPS - 1)

    def begins_ms(self, step: int) -> int:
        """Return the first instant of a step, UTC ms; the end of the span for the step behind the last."""
        if step >= STEPS:
            return self.span.to_ms
        at_ms = self.span.from_ms + math.ceil(step * self._width_ms)
        return at_ms if self.step_of(at_ms) >= step else at_ms + 1

    @property
    def _width_ms(self) -> float:
        return (self.span.to_ms - self.span.from_ms) / STEPS

    def put(self, step: int, extremes: Iterable[Point]) -> None:
        """Take the lowest and highest of some readings of a step."""
        for value, temperature_c in extremes:
            if not self.low[step] <= value:
                self.low[step], self.low_c[step] = value, temperature_c
            if not self.high[step] >= value:
                self.high[step], self.high_c[step] = value, temperature_c

    def feed(self, at_ms: NDArray[np.int64], values: Quantity, temperature_c: Quantity) -> None:
        """Take readings in order of time, all in the span; NaN is left out."""
        good = np.isfinite(values)
        values, temperature_c = values[good], temperature_c[good]
        if not len(values):
            return
        step = np.minimum(((at_ms[good] - self.span.from_ms) / self._width_ms).astype(np.int64), STEPS - 1)
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
