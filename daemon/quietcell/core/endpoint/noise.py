"""How uncertain a slope is, learnt from the slopes the cell showed while at rest.

A window of a minute can't tell 1/f noise from white: what it lacks is in the history. Readings at
rest are put into bins of equal length; windows of 1, 2, 4 ... bins follow from them by merging, each with
its least-squares slope. The difference between the slopes of two windows, one window apart, holds no
steady drift, only noise; half its mean square is the variance of a slope, whatever the spectrum.
(White and random-walk noise make such slopes independent, 1/f noise all but so; those of adjoining
windows would be opposed.)
"""

import math
from collections import deque
from itertools import repeat, starmap
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from quietcell.core.endpoint.window import MS_PER_MIN, Array, free_of_spikes, median, without_spikes

BIN_S = 15
LEVELS = 8  # windows up to 128 bins, 32 min
KEPT = 128  # differences a level: two hours of 1-minute windows, two days of half-hour ones
DECIMALS = 6  # mV/min; keeps the stored state small
FEWEST = 16  # differences before a level counts: its standard error is then known to a fifth
FEWEST_READINGS = 6  # a slope of fewer readings is not compared
CLIP_SD = 3.0
CLIP_LOSS = 0.9733  # second moment of a normal law inside 3 sd
CHI_SQUARE_MEDIAN = 0.454936423119572  # one degree of freedom
INDEPENDENT_SHARE = 0.6  # successive differences share a slope: 2/3, less what clipping costs

State = dict[str, list[list[float]]]


class _Window(NamedTuple):
    """Moments of the readings of one window; two merge exactly (Chan, Golub and LeVeque 1979)."""

    number: int
    n: int
    minute: float
    mv: float
    sxx: float
    sxy: float

    def merged(self, later: "_Window") -> "_Window":
        n = self.n + later.n
        apart_min, apart_mv = later.minute - self.minute, later.mv - self.mv
        weight = self.n * later.n / n
        share = later.n / n
        return _Window(
            self.number // 2,
            n,
            self.minute + share * apart_min,
            self.mv + share * apart_mv,
            self.sxx + later.sxx + weight * apart_min * apart_min,
            self.sxy + later.sxy + weight * apart_min * apart_mv,
        )


class NoiseHistory:
    """Standard errors of slopes, by window length, from a cell's own past.

    Feed it each complete bin of readings taken at rest, in order; forget what was begun when the cell
    is disturbed.

    Parameters
    ----------
    bin_s : int
        Length of a bin, s; at least the interval between readings.
    """

    def __init__(self, bin_s: int = BIN_S) -> None:
        self.bin_s = bin_s
        self._differences: list[deque[float]] = [deque(maxlen=KEPT) for _ in range(LEVELS)]
        self._half: list[_Window | None] = [None] * LEVELS
        self._slopes: list[deque[tuple[int, float]]] = [deque(maxlen=2) for _ in range(LEVELS)]
        self._variance: list[tuple[float, float] | None] = [None] * LEVELS

    def learn(self, first_bin: int, behind_bin: int, ms: NDArray[np.int64], mv: NDArray[np.float64]) -> None:
        """Take in bins that follow each other.

        Parameters
        ----------
        first_bin, behind_bin : int
            Segment time divided by `bin_s`, whole, of the first bin and of the one behind the last.
        ms, mv : int64 array, float array, shape (n,)
            Segment times of all readings of these bins, and potentials, mV; NaN = not measured.
        """
        edges = np.searchsorted(ms, np.arange(first_bin, behind_bin + 1) * (self.bin_s * 1000))
        count = np.diff(edges)
        windows: list[_Window | None] = [None] * len(count)
        for n in set(count.tolist()) - {0}:  # in bins of none nothing was measured
            members = np.flatnonzero(count == n)
            rows = edges[members, np.newaxis] + np.arange(n)
            numbers = first_bin + members
            minutes = (ms[rows] - numbers[:, np.newaxis] * (self.bin_s * 1000)) / MS_PER_MIN
            level = mv[rows]
            clean = free_of_spikes(minutes, level)
            whole = iter(self._windows(numbers[clean], minutes[clean], level[clean]))
            for row, (i, none_left_out) in enumerate(zip(members.tolist(), clean.tolist(), strict=True)):
                windows[i] = (
                    next(whole) if none_left_out else self._window(first_bin + i, minutes[row], level[row])
                )
        for window in windows:
            if window is not None:
                self._merge(window)

    def _window(self, number: int, minutes: Array, level: Array) -> _Window | None:
        """Return the moments of one bin less its spikes."""
        measured = ~np.isnan(level)
        minutes, level = without_spikes(minutes[measured], level[measured])
        if len(level) == 0:
            return None
        return self._windows(np.array([number]), minutes[np.newaxis], level[np.newaxis])[0]

    def _windows(self, numbers: NDArray[np.int64], minutes: Array, level: Array) -> list[_Window]:
        """Return the moments of bins of equally many readings, shape (bins, n)."""
        n = level.shape[1]
        minute, origin = minutes.sum(axis=1) / n, level[:, 0]
        above = level - origin[:, np.newaxis]
        mean = above.sum(axis=1) / n
        t, y = minutes - minute[:, np.newaxis], above - mean[:, np.newaxis]
        rows = zip(
            numbers.tolist(),
            repeat(n, len(numbers)),
            (minute + numbers * (self.bin_s / 60.0)).tolist(),
            (origin + mean).tolist(),
            (t * t).sum(axis=1).tolist(),
            (t * y).sum(axis=1).tolist(),
            strict=True,
        )
        return list(starmap(_Window, rows))

    def _merge(self, window: _Window) -> None:
        """Compare a bin with those before, and with each longer window it completes."""
        for level_number in range(LEVELS):
            self._compare(level_number, window)
            half = self._half[level_number]
            if window.number % 2 == 0 or half is None or half.number != window.number - 1:
                self._half[level_number] = window
                return
            window = half.merged(window)

    def _compare(self, level: int, window: _Window) -> None:
        """Hold the slope of a window against that of the last but one."""
        if window.n < FEWEST_READINGS or window.sxx <= 0.0:
            return
        slope = window.sxy / window.sxx
        for index, before in self._slopes[level]:
            if index == window.number - 2:
                self._differences[level].append(round(slope - before, DECIMALS))
                self._variance[level] = None
        self._slopes[level].append((window.number, slope))

    def disturbed(self) -> None:
        """Forget the windows begun: the next bin does not follow on the last."""
        self._half = [None] * LEVELS
        for slopes in self._slopes:
            slopes.clear()

    def slope_se(self, span_s: float) -> tuple[float, float] | None:
        """Return the standard error of the slope of a window and its degrees of freedom.

        Parameters
        ----------
        span_s : float
            Length of the window, s.

        Returns
        -------
        tuple of float or None
            mV/min and degrees of freedom; None while too little was learnt.

        Notes
        -----
        Between the lengths learnt the logarithms are interpolated. Beyond them each side goes on as
        the noise that is worst there: random walk for longer windows, white for shorter ones.
        """
        known = [
            (self.bin_s * 2.0**level, *moments)
            for level in range(LEVELS)
            if (moments := self._moments(level)) is not None
        ]
        if not known or span_s <= 0.0:
            return None
        shortest, longest = known[0], known[-1]
        if span_s <= shortest[0]:
            return math.sqrt(shortest[1] * (shortest[0] / span_s) ** 3), shortest[2]
        if span_s >= longest[0]:
            return math.sqrt(longest[1] * longest[0] / span_s), longest[2]
        upper = next(row for row in known if row[0] >= span_s)
        lower = known[known.index(upper) - 1]
        share = math.log(span_s / lower[0]) / math.log(upper[0] / lower[0])
        if lower[1] <= 0.0 or upper[1] <= 0.0:
            return math.sqrt(max(lower[1], upper[1])), min(lower[2], upper[2])
        log_variance = (1.0 - share) * math.log(lower[1]) + share * math.log(upper[1])
        return math.exp(0.5 * log_variance), min(lower[2], upper[2])

    def level_se_mv(self, span_s: float) -> float | None:
        """Return how far the means of windows of a length differ as they repeat, mV.

        Parameters
        ----------
        span_s : float
            Length of the window, s.

        Returns
        -------
        float or None
            Standard uncertainty, None while nothing so long was learnt.

        Notes
        -----
        A slope is blind to what is slower than its window and a mean is not. The variance of a mean about
        those of windows twice as long is half that of the difference of two neighbours (Allan), which is
        what the slope of both together, times ``span / sqrt(12)``, squared, amounts to; so it is summed
        over windows of 2, 4, 8 ... times the length. The longest learnt counts twice: as much is white
        noise beyond. What is slower still is not seen.

        Source: D. W. Allan, Proc. IEEE 54 (1966) 221.
        """
        known = [level for level in range(LEVELS) if self._moments(level) is not None]
        longest_s = self.bin_s * 2.0 ** known[-1] if known else 0.0
        found = []
        while (span_s := 2.0 * span_s) <= longest_s and (slope := self.slope_se(span_s)) is not None:
            found.append((slope[0] * span_s / 60.0) ** 2 / 12.0)
        return math.sqrt(sum(found) + found[-1]) if found else None

    def _moments(self, level: int) -> tuple[float, float] | None:
        """Return the variance of a slope at a level and its degrees of freedom."""
        count = len(self._differences[level])
        if count < FEWEST:
            return None
        known = self._variance[level]
        if known is None:
            squares = np.square(np.array(self._differences[level]))
            rough = median(squares) / CHI_SQUARE_MEDIAN
            kept = squares[squares <= CLIP_SD * CLIP_SD * rough]
            known = (0.5 * float(kept.sum()) / (len(kept) * CLIP_LOSS), INDEPENDENT_SHARE * len(kept))
            self._variance[level] = known
        return known

    def state(self) -> State:
        """Return everything learnt as plain lists of numbers."""
        return {
            "bin_s": [[float(self.bin_s)]],
            "differences": [list(level) for level in self._differences],
            "half": [[] if window is None else [float(part) for part in window] for window in self._half],
            "slopes": [[float(part) for slope in slopes for part in slope] for slopes in self._slopes],
        }

    def restore(self, state: State) -> None:
        """Go on from a state."""
        self.bin_s = int(state["bin_s"][0][0])
        self._differences = [deque(saved, maxlen=KEPT) for saved in state["differences"]]
        self._half = [
            _Window(int(saved[0]), int(saved[1]), *saved[2:]) if saved else None for saved in state["half"]
        ]
        self._slopes = [
            deque(((int(k), slope) for k, slope in zip(saved[::2], saved[1::2], strict=True)), maxlen=2)
            for saved in state["slopes"]
        ]
        self._variance = [None] * LEVELS
