"""Means over ten seconds, aligned to the segment: what the detector works on."""

import math
from dataclasses import dataclass, field
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from quietcell.core.readings import ReadingBlock
from quietcell.core.records import Json

BLOCK_MS: Final = 10_000
"""Means over so long; a block holds the times (end - BLOCK_MS, end]."""
NEIGHBOURS_MS: Final = 12_000
"""Readings further apart say nothing about how sudden a change was."""

Array = NDArray[np.float64]
_NAN = float("nan")


class Block(NamedTuple):
    """Means of the readings of one block; NaN is not measured."""

    end_ms: int
    ph: float
    log_conductivity: float
    """Natural logarithm of the mean conductivity, µS/cm."""
    temperature_c: float
    flow_ml_min: float
    ph_jump: float
    """Largest change of pH from one reading to the next, with its sign."""
    log_jump: float
    """The same of ln conductivity."""
    ph_scatter: float
    """Standard deviation of pH within the block about its trend, from successive differences (von Neumann
    1941): a fast fall is no noise. NaN with fewer than five readings."""


@dataclass(slots=True)
class Averager:
    """Gathers readings and gives complete blocks, the same however the readings were cut."""

    _ms: list[NDArray[np.int64]] = field(default_factory=list)
    _rows: list[Array] = field(default_factory=list)
    _made: list[Block] = field(default_factory=list)
    """Complete, but their time has not come; never at a checkpoint."""
    _last: tuple[float, float, float] = (-math.inf, _NAN, _NAN)
    """Time, pH and ln conductivity of the last reading of the last complete block."""

    def add(self, block: ReadingBlock, ph: Array) -> None:
        """Take readings that count, with their pH, shape (n,)."""
        self._ms.append(block.ms)
        self._rows.append(np.stack((ph, block.conductivity_us_cm, block.temperature_c, block.flow_ml_min)))

    def complete(self, now_ms: int) -> list[Block]:
        """Return the blocks that end at or before `now_ms` and were not returned yet."""
        limit_ms = now_ms // BLOCK_MS * BLOCK_MS
        if self._ms and self._ms[0][0] <= limit_ms:
            ms, rows = np.concatenate(self._ms), np.concatenate(self._rows, axis=1)
            # All that is complete is worked out at once, however much of it there is.
            complete_ms = max(limit_ms, (int(ms[-1]) - 1) // BLOCK_MS * BLOCK_MS)
            cut = int(np.searchsorted(ms, complete_ms, side="right"))
            rest = cut < len(ms)
            self._ms, self._rows = ([ms[cut:]], [rows[:, cut:]]) if rest else ([], [])
            self._made += self._blocks(ms[:cut], rows[:, :cut])
        due = sum(block.end_ms <= limit_ms for block in self._made)
        now, self._made = self._made[:due], self._made[due:]
        return now

    def drop(self) -> None:
        """Give up a block begun."""
        self._ms, self._rows, self._made = [], [], []

    def shift(self, ms: int) -> None:
        """Move to the time of a segment whose zero lies `ms` later; a block begun is given up."""
        self.drop()
        self._last = (self._last[0] - ms, self._last[1], self._last[2])

    def _blocks(self, ms: NDArray[np.int64], rows: Array) -> list[Block]:
        number = -(-ms // BLOCK_MS)
        begins = _steps(number, number[0]) > 0
        index = np.cumsum(begins)
        begins[0] = True
        first = np.flatnonzero(begins)
        count = np.bincount(index)
        ph, conductivity, temperature, flow = rows
        # Sums run in the order of the readings, so a block's bits do not depend on its neighbours.
        ph_mean = np.bincount(index, ph) / count
        with np.errstate(divide="ignore", invalid="ignore"):
            known = conductivity > 0.0
            log_one = np.where(known, np.log(conductivity), _NAN)
            mean = np.bincount(index, np.where(known, conductivity, 0.0)) / np.bincount(index, known)
            log_mean = np.log(mean)
            has_flow = np.isfinite(flow)
            flow_mean = np.bincount(index, np.where(has_flow, flow, 0.0)) / np.bincount(index, has_flow)
            scatter = _scatter(ph, index, first, count)
        scatter[count < 5] = _NAN
        before_ms = np.concatenate(([self._last[0]], ms[:-1]))
        near = ms - before_ms <= NEIGHBOURS_MS
        jumps = [
            _largest(np.where(near, _steps(column, before), 0.0), first)
            for column, before in ((ph, self._last[1]), (log_one, self._last[2]))
        ]
        self._last = (float(ms[-1]), float(ph[-1]), float(log_one[-1]))
        return [
            Block(*values)
            for values in zip(
                (number[first] * BLOCK_MS).tolist(),
                # Hundreds of blocks stand in every checkpoint: no more digits than can ever matter.
                ph_mean.round(6).tolist(),
                log_mean.round(6).tolist(),
                (np.bincount(index, temperature) / count).round(4).tolist(),
                flow_mean.round(4).tolist(),
                jumps[0].round(6).tolist(),
                jumps[1].round(6).tolist(),
                scatter.tolist(),
                strict=True,
            )
        ]

    def as_json(self) -> Json:
        """Return what is held as JSON values."""
        return {
            "ms": [int(one) for part in self._ms for one in part],
            "rows": [[_number(v) for part in self._rows for v in part[i]] for i in range(4)],
            "last": [_number(v) for v in self._last],
        }

    @classmethod
    def from_json(cls, plain: Json) -> "Averager":
        """Rebuild from what `as_json` gave."""
        last = [-math.inf if i == 0 and v is None else _value(v) for i, v in enumerate(plain["last"])]
        made = cls(_last=(last[0], last[1], last[2]))
        if plain["ms"]:
            made._ms = [np.array(plain["ms"], np.int64)]
            made._rows = [np.array([[_value(v) for v in row] for row in plain["rows"]], np.float64)]
        return made


def _steps(values: NDArray[Any], before: Any) -> NDArray[Any]:
    """Return each value less the one before it; numpy's own way takes five times as long."""
    steps = np.empty_like(values)
    steps[0] = values[0] - before
    np.subtract(values[1:], values[:-1], out=steps[1:])
    return steps


def _scatter(ph: Array, index: NDArray[Any], first: NDArray[np.intp], count: NDArray[Any]) -> Array:
    """Return the standard deviation per block of what is left of pH beside its trend."""
    steps = _steps(ph, ph[0])
    steps[first] = 0.0
    ends = np.append(first[1:], len(ph)) - 1
    trend = (ph[ends] - ph[first]) / (count - 1)
    squares = np.bincount(index, steps * steps) - (count - 1) * trend * trend
    found: Array = np.sqrt(np.maximum(squares, 0.0) / (2.0 * (count - 2)))
    return found


def _largest(steps: Array, first: NDArray[np.intp]) -> Array:
    """Return per block the step largest in size, with its sign; NaN counts as none."""
    steps = np.where(np.isfinite(steps), steps, 0.0)
    up, down = np.maximum.reduceat(steps, first), np.minimum.reduceat(steps, first)
    return np.where(up >= -down, up, down)


def _number(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def _value(value: float | None) -> float:
    return _NAN if value is None else value
