"""Drift over one window of readings, with a bound that noise can't talk down.

The straight line is fitted by least squares on times relative to the window, so that neither the
age of a segment nor the level of the signal costs digits. Readings far off the line for no more
than three in a row are spikes or dropouts and are left out; longer excursions are changes of level
and stay in. The standard error of the slope rests on what the window shows at low frequency, where
a slope lives, or on the noise learnt from the cell's history.

Sums are elementwise products on contiguous copies: the same window gives the same bits however
the stream was cut.
"""

import math
from dataclasses import dataclass
from functools import lru_cache
from statistics import NormalDist
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from quietcell.errors import DomainError

Array = NDArray[np.float64]

MS_PER_MIN = 60_000.0
MAD_TO_SD = 1.482602218505602  # 1 / Phi^-1(3/4): median absolute deviation to sd of a normal law
SPIKE_SD = 5.0  # in 60 normal readings one lies further out in 30 000 windows
SPIKE_RUN = 3  # readings in a row; more is a change of level, not a spike
FEW = 24  # up to here one spike tilts the least-squares line far enough to hide itself
SPIKE_PASSES = 4  # a large spike tilts the first line and hides small ones
COSINES = np.arange(2.0, 10.0)  # half waves per window; the first is all but a straight line itself
LEAST_NORM = 1e-6  # of a cosine beside the line, by reading: with less, few times tell it from none
HISTORY_EXCEEDED = 1.7  # square root of F(8, 40) at 99 %: the noise is now worse than the history
HISTORY_OUTDATED = 0.2  # 1/f noise shows half of itself in one window; a fifth is other water, once at work


class SlopeNoise(Protocol):
    """What a noise model tells about slopes of windows of a given length."""

    def slope_se(self, span_s: float) -> tuple[float, float] | None:
        """Return standard error (mV/min) and its degrees of freedom, None while not known."""
        ...

    def level_se_mv(self, span_s: float) -> float | None:
        """Return how far means of such windows differ as they repeat, mV; None while not known."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """The slope of one window, how well it is known, and the level it was found at."""

    slope_mv_per_min: float
    """Least-squares slope; positive when the potential rises."""
    se_mv_per_min: float
    """Standard error of the slope, autocorrelation included; infinite when it can't be told."""
    dof: float
    """Degrees of freedom behind the standard error."""
    hidden_mv_per_min: float
    """Drift that the meter's step may hide."""
    bound_mv_per_min: float
    """Two-sided bound |slope| + t · se at the asked confidence, or + what rounding hides if that is more."""
    mean_mv: float
    """Mean of the kept readings; NaN without any."""
    scatter_mv: float
    """Standard deviation of the kept readings about the line."""
    span_s: float
    """Time from the first to the last kept reading."""
    n: int
    """Readings kept."""
    rejected: int
    """Readings left out as spikes, dropouts or not measured."""


def drift(
    ms: NDArray[np.int64],
    mv: Array,
    *,
    confidence: float = 0.95,
    noise: SlopeNoise | None = None,
    step_mv: float = 0.0,
) -> Drift:
    """Return the drift of one window of readings and its two-sided bound.

    Parameters
    ----------
    ms : int64 array, shape (n,)
        Reading times, ms, not decreasing; any origin.
    mv : float array, shape (n,)
        Potentials, mV; NaN = not measured.
    confidence : float
        Two-sided, between 0 and 1.
    noise : SlopeNoise, optional
        Noise learnt from the history of the cell. Without it the window's own residuals tell.
    step_mv : float
        Step of the meter, mV; readings that stand still may hide a drift of one step over the window.

    Returns
    -------
    Drift
        With an infinite bound when fewer than four readings remain or all have one time.

    Notes
    -----
    Without a history the standard error comes from the residuals' projections on eight slow
    cosines (periods of the window's length down to 2/9 of it), so that correlated noise counts with
    its power near the frequencies of a slope. Source: U. K. Mueller and M. W. Watson,
    Econometrica 76 (2008) 979, low-frequency transformations.

    Readings rounded to a step hide a drift of up to one step over a window they stand still in. They err by
    step / sqrt(12) anew at each change, so the more changes are seen the less is hidden.
    """
    minutes, level = _kept(ms, mv)
    n, rejected = len(level), len(mv) - len(level)
    span_min = float(minutes[-1] - minutes[0]) if n else 0.0
    if n < 4 or span_min <= 0.0:
        return Drift(
            slope_mv_per_min=0.0,
            se_mv_per_min=math.inf,
            dof=1.0,
            hidden_mv_per_min=0.0,
            bound_mv_per_min=math.inf,
            mean_mv=float(level.sum()) / n if n else math.nan,
            scatter_mv=math.nan,
            span_s=span_min * 60.0,
            n=n,
            rejected=rejected,
        )
    slope, y_mean, t, residual, sxx = _line(minutes, level)
    variance = float((residual * residual).sum()) / (n - 2)
    se, dof = _low_frequency_se(t, residual, sxx, span_min, variance)
    known = noise.slope_se(span_min * 60.0) if noise is not None else None
    if known is not None and HISTORY_OUTDATED * known[0] <= se <= HISTORY_EXCEEDED * known[0]:
        se, dof = known
    changes = np.count_nonzero(level[1:] != level[:-1]) if step_mv else 0
    hidden = step_mv / span_min / math.sqrt(1.0 + changes)
    return Drift(
        slope_mv_per_min=slope,
        se_mv_per_min=se,
        dof=dof,
        hidden_mv_per_min=hidden,
        bound_mv_per_min=abs(slope) + max(t_quantile(0.5 + 0.5 * confidence, dof) * se, hidden),
        mean_mv=y_mean,
        scatter_mv=math.sqrt(variance),
        span_s=span_min * 60.0,
        n=n,
        rejected=rejected,
    )


def slope_per_min(ms: NDArray[np.int64], values: Array) -> float:
    """Return the slope that `drift` finds, without what is to be known of its uncertainty."""
    minutes, level = _kept(ms, values)
    return _line(minutes, level)[0] if len(level) >= 4 and minutes[-1] > minutes[0] else 0.0


def _kept(ms: NDArray[np.int64], mv: Array) -> tuple[Array, Array]:
    """Return the readings that were measured and are no spikes, on the time of the last, min."""
    measured = ~np.isnan(mv)
    minutes = (ms - ms[-1]) / MS_PER_MIN if len(ms) else np.empty(0)
    level = np.ascontiguousarray(mv, np.float64)
    if not measured.all():
        minutes, level = minutes[measured], level[measured]
    return without_spikes(minutes, level)


def _line(minutes: Array, level: Array) -> tuple[float, float, Array, Array, float]:
    """Return slope, mean level, centred times, residuals and the sum of squares of the times."""
    n = len(level)
    t = minutes - float(minutes.sum()) / n
    origin = float(level[0])
    y = level - origin
    y_mean = float(y.sum()) / n
    y -= y_mean
    sxx = float((t * t).sum())
    slope = float((t * y).sum()) / sxx if sxx > 0.0 else 0.0
    return slope, origin + y_mean, t, y - slope * t, sxx


def without_spikes(minutes: Array, level: Array) -> tuple[Array, Array]:
    """Leave out readings far off the line, at most `SPIKE_RUN` of them in a row."""
    for _ in range(SPIKE_PASSES):
        n = len(level)
        if n < 8:
            break
        residual = _line(minutes, level)[3] if n > FEW else _resistant_residual(minutes, level)
        size = np.abs(residual - np.partition(residual, n // 2)[n // 2])
        limit = SPIKE_SD * MAD_TO_SD * float(np.partition(size, n // 2)[n // 2])
        if not float(size.max()) > limit:
            break
        # On a coarse meter the deviation may vanish: one step up and back is no spike.
        far = size > max(limit, 2.5 * step_of(level))
        keep = ~_short_runs(far)
        if keep.all():
            break
        minutes, level = minutes[keep], level[keep]
    return minutes, level


def free_of_spikes(minutes: Array, level: Array) -> NDArray[np.bool_]:
    """Say of which of many windows `without_spikes` leaves out nothing; False where it must look itself.

    Parameters
    ----------
    minutes, level : float arrays, shape (windows, n)
    """
    windows, n = level.shape
    if n < 8:
        return np.asarray(~np.isnan(level).any(axis=1))
    if n > FEW:
        return np.zeros(windows, np.bool_)
    first, second = _pairs(n)
    apart = minutes[:, second] - minutes[:, first]
    later = apart > 0.0
    if not later.all():
        apart[~later] = np.nan
    slopes = (level[:, second] - level[:, first]) / apart
    slope = np.partition(slopes, slopes.shape[1] // 2, axis=1)[:, slopes.shape[1] // 2, np.newaxis]
    residual = level - level[:, :1] - slope * minutes
    size = np.abs(residual - np.partition(residual, n // 2, axis=1)[:, n // 2, np.newaxis])
    limit = SPIKE_SD * MAD_TO_SD * np.partition(size, n // 2, axis=1)[:, n // 2]
    whole = np.isfinite(slopes).all(axis=1)  # no two readings at one time, all measured
    return np.asarray(whole & ~(size.max(axis=1) > limit))


@lru_cache(maxsize=FEW)
def _pairs(n: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return the places of all pairs of n readings."""
    return np.triu_indices(n, 1)


def step_of(mv: Array) -> float:
    """Return the smallest change from one reading to the next: at most a meter's step; 0 without any."""
    steps = np.abs(mv[1:] - mv[:-1])
    steps = steps[steps > 0.0]
    return float(steps.min()) if len(steps) else 0.0


def median(values: Array) -> float:
    """Return the median of numbers, shape (n,), n > 0; as numpy's, without its overhead of a dozen checks."""
    low, high = (len(values) - 1) // 2, len(values) // 2
    parted = np.partition(values, (low, high))
    return 0.5 * (float(parted[low]) + float(parted[high]))


def _resistant_residual(minutes: Array, level: Array) -> Array:
    """Return residuals from the median of all slopes between two readings (Theil and Sen)."""
    first, second = _pairs(len(level))
    apart, steps = minutes[second] - minutes[first], level[second] - level[first]
    later = apart > 0.0
    slopes = steps[later] / apart[later]
    slope = float(np.partition(slopes, len(slopes) // 2)[len(slopes) // 2]) if len(slopes) else 0.0
    return np.asarray(level - level[0] - slope * minutes)


def _short_runs(far: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return where `far` holds for no more than `SPIKE_RUN` readings in a row."""
    padded = np.zeros(len(far) + 2, np.bool_)
    padded[1:-1] = far
    edges = np.flatnonzero(padded[1:] != padded[:-1])
    short = np.zeros(len(far), np.bool_)
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        short[begin:end] = end - begin <= SPIKE_RUN
    return short


def _low_frequency_se(
    t: Array, residual: Array, sxx: float, span_min: float, variance: float
) -> tuple[float, float]:
    """Return the standard error of the slope from the slow part of the residuals, and its dof."""
    n = len(t)
    if n < 2 * len(COSINES):
        return math.sqrt(variance / sxx), n - 2.0
    phase = (t - t[0]) * (math.pi / span_min)
    waves = np.cos(COSINES[:, np.newaxis] * phase)
    mean = waves.sum(axis=1) / n
    along_line = (waves * t).sum(axis=1)
    norm = (waves * waves).sum(axis=1) - n * mean * mean - along_line * along_line / sxx
    projection = (waves * residual).sum(axis=1)
    told = norm > LEAST_NORM * n
    if not told.all():
        norm, projection = norm[told], projection[told]
        if not len(norm):
            return math.sqrt(variance / sxx), n - 2.0
    power = float((projection * projection / norm).sum()) / len(norm)
    return math.sqrt(power / sxx), float(len(norm))


@lru_cache(maxsize=256)
def t_quantile(probability: float, dof: float) -> float:
    """Return the quantile of Student's t.

    Parameters
    ----------
    probability : float
        Cumulative, between 0 and 1.
    dof : float
        Degrees of freedom, > 0.

    Notes
    -----
    The tail is I_x(dof/2, 1/2) / 2 with x = dof / (dof + t²); solved by Newton steps inside a bracket, from
    the expansion about the normal quantile on.
    Source: Abramowitz and Stegun, 26.5.27, 26.5.8 (continued fraction) and 26.7.5 (expansion).

    Examples
    --------
    >>> round(t_quantile(0.975, 10.0), 6)
    2.228139
    """
    if not 0.0 < probability < 1.0 or not dof > 0.0:
        raise DomainError(f"probability {probability} must lie between 0 and 1, dof {dof} above 0")
    if probability < 0.5:
        return -t_quantile(1.0 - probability, dof)
    tail = 1.0 - probability
    if tail == 0.5:
        return 0.0
    z = NormalDist().inv_cdf(probability)
    square = z * z
    first, second = (square + 1.0) / 4.0, (3.0 + square * (16.0 + 5.0 * square)) / 96.0
    third = (-15.0 + square * (17.0 + square * (19.0 + 3.0 * square))) / 384.0
    t = z * (1.0 + max(0.0, first + (second + third / dof) / dof) / dof)
    low, high = 0.0, math.inf
    log_peak = math.lgamma(0.5 * (dof + 1.0)) - math.lgamma(0.5 * dof) - 0.5 * math.log(dof * math.pi)
    for _ in range(1000):
        too_much = _t_tail(t, dof) - tail
        low, high = (t, high) if too_much > 0.0 else (low, t)
        density = math.exp(log_peak - 0.5 * (dof + 1.0) * math.log1p(t * t / dof))
        step = too_much / density if density > 0.0 else -math.inf
        if not low <= t + step <= high:
            step = 0.5 * (low + min(high, 3.0 * t)) - t
        t += step
        if abs(step) <= 1e-9 * t:  # the next would be of the order of its square
            break
    return t


def _t_tail(t: float, dof: float) -> float:
    """Return the probability above t >= 0."""
    return 0.5 * _incomplete_beta(0.5 * dof, 0.5, dof / (dof + t * t), t * t / (dof + t * t))


def _incomplete_beta(a: float, b: float, x: float, y: float) -> float:
    """Return I_x(a, b) with y = 1 - x given apart, so that neither loses digits."""
    if x <= 0.0 or y <= 0.0:
        return 0.0 if x <= 0.0 else 1.0
    front = math.exp(math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log(y))
    if x < (a + 1.0) / (a + b + 2.0):
        return front * _beta_fraction(a, b, x) / a
    return 1.0 - front * _beta_fraction(b, a, y) / b


def _beta_fraction(a: float, b: float, x: float) -> float:
    """Return the continued fraction of the incomplete beta function (modified Lentz)."""
    tiny = 1e-300
    c, d = 1.0, 1.0 / max(abs(1.0 - (a + b) * x / (a + 1.0)), tiny)
    value = d
    for m in range(1, 500):
        even = m * (b - m) * x / ((a + 2 * m - 1.0) * (a + 2 * m))
        odd = -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1.0))
        factor = 1.0
        for term in (even, odd):
            d = 1.0 + term * d
            c = 1.0 + term / c
            d = 1.0 / (d if abs(d) > tiny else tiny)
            c = c if abs(c) > tiny else tiny
            factor = c * d
            value *= factor
        if abs(factor - 1.0) < 1e-16:
            break
    return value
