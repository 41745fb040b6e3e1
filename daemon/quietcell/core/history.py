"""The readings of the current segment that are still needed, in growing contiguous columns."""

import hashlib
import math

import numpy as np
from numpy.typing import NDArray

from quietcell.core.readings import ReadingBlock, flag_labels

_FLOATS = ("mv", "temperature_c", "conductivity_us_cm", "flow_ml_min")


class History:
    """Append-only columns with cheap look-up by time; forgets from the front."""

    def __init__(self) -> None:
        self._capacity = 256
        self._ms = np.empty(self._capacity, np.int64)
        self._flags = np.empty(self._capacity, np.int64)
        self._row = np.empty(self._capacity, np.int64)
        self._floats = {name: np.empty(self._capacity) for name in _FLOATS}
        self._first = 0
        self._end = 0

    def append(self, block: ReadingBlock, rows: NDArray[np.int64]) -> None:
        """Add readings behind those held.

        Parameters
        ----------
        block : ReadingBlock
            The readings.
        rows : int64 array, shape (n,)
            Their numbers among all readings of the segment, from 0.
        """
        if self._end + len(block) > self._capacity:
            self._make_room(len(block))
        held = slice(self._end, self._end + len(block))
        self._ms[held] = block.ms
        self._flags[held] = block.flags
        self._row[held] = rows
        for name, column in self._floats.items():
            column[held] = getattr(block, name)
        self._end = held.stop

    def _make_room(self, more: int) -> None:
        """Move what is held to the front of columns at least half free."""
        held = slice(self._first, self._end)
        size = self._end - self._first
        while self._capacity < 2 * (size + more):
            self._capacity *= 2

        for column in (self._ms, self._flags, self._row, *self._floats.values()):
            column.resize(self._capacity, refcheck=False)
            column[:size] = column[held].copy()
        self._first, self._end = 0, size

    def runs(self) -> list[tuple[int, int]]:
        """Return which readings of the segment are held: first of each unbroken run, first behind it."""
        rows = self._row[self._first : self._end]
        breaks = np.flatnonzero(np.diff(rows) != 1) + 1
        return [(int(run[0]), int(run[-1]) + 1) for run in np.split(rows, breaks) if len(run)]

    @property
    def first_ms(self) -> int | None:
        """Time of the first reading held, or None."""
        return int(self._ms[self._first]) if self._end > self._first else None

    @property
    def last_ms(self) -> int | None:
        """Time of the last reading held, or None."""
        return int(self._ms[self._end - 1]) if self._end > self._first else None

    def between(self, after_ms: int, upto_ms: int) -> ReadingBlock:
        """Return copies of the readings with after_ms < ms <= upto_ms."""
        times = self._ms[self._first : self._end]
        low, high = self._first + np.searchsorted(times, (after_ms, upto_ms), side="right")
        rows = slice(int(low), int(high))
        return ReadingBlock(
            ms=self._ms[rows].copy(),
            flags=self._flags[rows].copy(),
            **{name: column[rows].copy() for name, column in self._floats.items()},
        )

    def potentials(self, after_ms: int, upto_ms: int) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
        """Return times and potentials of the readings with after_ms < ms <= upto_ms, to look at only."""
        times = self._ms[self._first : self._end]
        low, high = self._first + np.searchsorted(times, (after_ms, upto_ms), side="right")
        return self._ms[low:high], self._floats["mv"][low:high]

    def forget_before(self, ms: int) -> None:
        """Let go of readings with a time of at most `ms`."""
        times = self._ms[self._first : self._end]
        self._first += int(np.searchsorted(times, ms, side="right"))


def evidence_sha256(block: ReadingBlock) -> str:
    """Return the digest of a window's readings.

    One line a reading, ``ms,mv,temperature_c,conductivity_us_cm,flow_ml_min,flags`` and a line feed;
    floats in shortest round-trip form, nothing for what was not measured, flags joined by a space.
    """
    columns = [block.mv, block.temperature_c, block.conductivity_us_cm, block.flow_ml_min]
    texts = ["" if math.isnan(value) else repr(value) for column in columns for value in column.tolist()]
    size = len(block)
    lines = zip(
        map(str, block.ms.tolist()),
        *(texts[row * size : (row + 1) * size] for row in range(len(columns))),
        (" ".join(flag_labels(flags)) if flags else "" for flags in block.flags.tolist()),
        strict=True,
    )
    return hashlib.sha256("".join(f"{','.join(line)}\n" for line in lines).encode()).hexdigest()
