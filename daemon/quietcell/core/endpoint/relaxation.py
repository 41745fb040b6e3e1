"""What is still to come: relaxations fitted to the approach, and the gap to where they end.

The approach since the last disturbance is described by a constant and up to two decaying shapes
from a fixed grid: exponentials (membrane, flow cell), the emptying of a plug by diffusion (junction),
inverse square roots of time (diffusion out of a film) and stretched exponentials (gel layers). A plug
begins faster than it ends: that a slope has fallen off says less of it than of an exponential. For each
choice of shapes the amplitudes are linear and solved exactly (variable projection); the choices are weighed
by their marginal likelihood, so that what the data can't tell apart widens the forecast. A small amplitude
with a large time constant is what a short look can't exclude: its prior weight, `slow_tail_odds`, is
a number of the criterion. The grid is fine enough that a single exponential between two of its time
constants needs no second one to be met, which would leave none for the tail behind it.

Readings far from the present level say little about its last hundredths: their variance grows with
the distance, which also covers shapes that no sum of the grid meets. What an electrode's slow noise
can feign is told apart from a relaxation by generalised least squares: 1/f noise whose strength the
approach itself shows, so that a quiet cell is believed sooner than a restless one.

Water that flows may change steadily for hours, and the reading follows it: such a change has no end
to forecast, and its size is the drift's affair. It is straight where a relaxation fades. In flowing water
a straight line may take the place of a shape, once the slowest relaxation of the grid would have bent;
it must then be far likelier than all relaxations that could stand for it. Two hours after the
disturbance, three of the longest time constants, a steady change is taken for the water's own.
"""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from quietcell.core.endpoint.window import Array, median

TAU_S = np.geomspace(4.0, 2400.0, 30)
SQRT_S = np.array([0.5, 2.0, 8.0, 30.0])
STRETCHED_S = np.array([1.0, 4.0, 15.0, 60.0])
AMPLITUDE_SD_MV = np.concatenate(
    (
        np.where(TAU_S < 60.0, 60.0, np.where(TAU_S < 600.0, 12.0, 8.0)),
        np.full(len(SQRT_S), 25.0),
        np.full(len(STRETCHED_S), 60.0),
    )
)
SHAPES = len(AMPLITUDE_SD_MV)
SLOW = np.concatenate((TAU_S >= 500.0, np.zeros(SHAPES - len(TAU_S), np.bool_)))  # junctions: 8 to 40 min
FAST_S, PLUG_S = TAU_S[TAU_S < 500.0], TAU_S[TAU_S >= 500.0]

BLOCK_EDGES = np.linspace(0.0, 1.0, 41)[:-1] ** 2  # shares of the time where 40 blocks begin
WINDOW_SHARES = np.array([0.05, 0.2, 0.35, 0.5, 0.65, 0.8, 0.95])  # where the window's mean is taken
DISTANCE_SHARE = 0.15  # standard deviation of the model per distance from the present level
FLICKER_SD_MV = np.geomspace(0.004, 0.05, 5)  # 1/f noise, mV in every factor e of frequency
FLICKER_USUAL_MV = 0.02  # Allan deviation of sensors at rest over minutes; a factor e either way is usual
LOG_FLICKER = np.log(FLICKER_SD_MV)
LOG_FLICKER_PRIOR = np.square(LOG_FLICKER - math.log(FLICKER_USUAL_MV))
LEVEL_PRIOR_SD_MV = 20.0
BLOCK_REACH = 0.158  # of a block's width: makes the variance of a block mean under 1/f that of a box
LEAST_VARIANCE_MV2 = 1e-6
HORIZON_S = 3600.0
OWN_CHANGE_AFTER_S = 7200.0
OWN_CHANGE_SD_MV_PER_MIN = 0.1
STRAIGHT_AFTER_S = 2700.0  # the slowest relaxation has lost two thirds of its pace by then
STRAIGHT_ODDS = 0.02  # beforehand, in flowing water, against all relaxations together
NEGLIGIBLE = 1e-5
BOUND_STEPS = 20
NEAR_SHARE = 0.759  # mean square of the nearest 95 % of a normal law over its variance


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """The change still to come within an hour, from the mean of the judged window on."""

    remaining_mv: float
    """Expected change, mV; positive when the potential will rise."""
    bound_mv: float
    """Two-sided bound of the change at the asked confidence, mV."""
    beyond: float
    """Probability that the change exceeds the limit, 0 to 1."""
    rest_in_s: float | None
    """Time until the likeliest course is within the limit, s; None when it is not within an hour."""
    misfit: float
    """Mean square of the residuals over what noise explains, at least 1; well above 1 the shapes do not
    describe the approach."""
    flicker_mv: float
    """Slow noise the approach shows, 1/f, mV in every factor e of frequency; it widens the forecast."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Courses:
    """Gaussian forecasts of all choices of shapes, with their weights."""

    weight: Array
    gap_mv: Array
    """Shape (2, n): as a change up and as one down."""
    variance: Array
    scale: Array
    """One over the square root of twice the variance, the same for every limit."""

    @property
    def remaining_mv(self) -> float:
        """The expected gap, mV."""
        return float((self.weight * self.gap_mv[0]).sum())

    def exceeding(self, limit_mv: float) -> tuple[float, float]:
        """Return the probability that the gap exceeds a limit on either side, and its density there, 1/mV."""
        x = (limit_mv - self.gap_mv) * self.scale
        bell = np.exp(-x * x)
        upper = _erfc_over_bell(np.abs(x)) * bell
        weight = 0.5 * self.weight
        beyond = float((weight * np.where(x >= 0.0, upper, 2.0 - upper)).sum())
        return beyond, float((weight * self.scale * bell).sum()) * 2.0 / math.sqrt(math.pi)

    def bound(self, confidence: float) -> float:
        """Return the limit the gap exceeds with probability 1 - confidence, to a thousandth."""
        asked = 1.0 - confidence
        square = self.variance + self.gap_mv[0] * self.gap_mv[0]
        rms = math.sqrt(float((self.weight * square).sum())) + NEGLIGIBLE
        low, high = 0.0, rms / math.sqrt(asked)  # Chebyshev
        limit = 2.0 * rms
        for _ in range(BOUND_STEPS):
            beyond, density = self.exceeding(limit)
            low, high = (limit, high) if beyond > asked else (low, limit)
            # Newton's step for the logarithm, which falls nearly as a parabola
            step = math.log(beyond / asked) * beyond / density if beyond > 0.0 and density > 0.0 else math.inf
            limit = limit + step if low < limit + step < high else 0.5 * (low + high)
            if abs(step) < 1e-3 * limit:
                break
        return limit


def _erfc_over_bell(x: Array) -> Array:
    """Return the complementary error function over exp(-x²), x at least 0, to 2e-7.

    Source: Abramowitz and Stegun, 7.1.26.
    """
    t = 1.0 / (1.0 + 0.3275911 * x)
    series = 1.061405429 * t - 1.453152027
    for coefficient in (1.421413741, -0.284496736, 0.254829592):
        series = series * t + coefficient
    return np.asarray(series * t)


def forecast(
    ms: NDArray[np.int64],
    mv: Array,
    *,
    disturbed_ms: int,
    window_s: float,
    limit_mv: float,
    confidence: float,
    slow_tail_odds: float,
    flowing: bool = False,
) -> Forecast | None:
    """Forecast what is still to come.

    Parameters
    ----------
    ms : int64 array, shape (n,)
        Reading times since the disturbance or for the last hour of them, ms, not decreasing.
    mv : float array, shape (n,)
        Potentials, mV; NaN = not measured.
    disturbed_ms : int
        When the approach began, on the clock of `ms`.
    window_s : float
        Span of the judged window at the end, whose mean is the value to be accepted, s.
    limit_mv : float
        Largest change still to come that counts as rest, mV.
    confidence : float
        Of the bound, two-sided.
    slow_tail_odds : float
        How much likelier than any other choice one with a time constant above 8 min is beforehand.
    flowing : bool
        The sample is renewed all the time, so that a steady change may be its own.

    Returns
    -------
    Forecast or None
        None when fewer than twelve readings were measured or their times do not grow.

    Notes
    -----
    Variable projection: G. H. Golub and V. Pereyra, SIAM J. Numer. Anal. 10 (1973) 413; on a grid, as
    in S. W. Provencher, Comput. Phys. Commun. 27 (1982) 213. Weights: marginal likelihood of a linear
    model with normal priors on the amplitudes.
    """
    measured = ~np.isnan(mv)
    seconds = (ms[measured] - disturbed_ms) / 1000.0
    level = np.ascontiguousarray(mv[measured], np.float64)
    if len(level) < 12 or not seconds[-1] > seconds[0]:
        return None
    time_s, mean_mv, count, white_sd = _blocks(seconds, level)
    now_s = float(seconds[-1])
    window = level[seconds > now_s - window_s]
    present = median(window) if len(window) else float(mean_mv[-1])
    distance = mean_mv - present
    straight = flowing and STRAIGHT_AFTER_S <= now_s <= OWN_CHANGE_AFTER_S
    own = _present_course(time_s, mean_mv) * (time_s - now_s) if straight else 0.0
    variance = white_sd * white_sd / count + LEAST_VARIANCE_MV2 + (DISTANCE_SHARE * (distance - own)) ** 2
    n = len(time_s)
    known = np.diag(variance)
    if now_s > OWN_CHANGE_AFTER_S:
        minutes = (time_s - time_s.mean()) / 60.0
        known += np.square(OWN_CHANGE_SD_MV_PER_MIN) * minutes * minutes[:, np.newaxis]
    slow = _flicker(time_s, count * (now_s - float(seconds[0])) / len(seconds))
    course = shapes(np.concatenate((time_s, now_s - window_s * WINDOW_SHARES, (now_s + HORIZON_S,))))
    basis, here, ahead = course[:, :n], course[:, n:-1].sum(axis=1) / len(WINDOW_SHARES), course[:, -1]
    flicker_mv = _flicker_sd(basis, distance, known, slow)
    if straight:
        basis = np.concatenate((basis, (time_s[np.newaxis] - now_s) / 60.0))
    courses, misfit, best = _weigh(
        basis, distance, known + flicker_mv * flicker_mv * slow, ahead - here, slow_tail_odds
    )
    return Forecast(
        remaining_mv=courses.remaining_mv,
        bound_mv=courses.bound(confidence),
        beyond=courses.exceeding(limit_mv)[0],
        rest_in_s=_rest_in(best, now_s, limit_mv),
        misfit=misfit,
        flicker_mv=flicker_mv,
    )


def shapes(time_s: Array) -> Array:
    """Return the decaying shapes of the grid at times since the disturbance.

    Parameters
    ----------
    time_s : float array, shape (n,)
        At least 0, s.

    Returns
    -------
    float array, shape (SHAPES, n)
        Each 1 at time 0: exponentials, plugs, inverse square roots, stretched exponentials of power 1/2.
    """
    t = np.maximum(time_s, 0.0)[np.newaxis, :]
    return np.concatenate(
        (
            np.exp(-t / FAST_S[:, np.newaxis]),
            _plug(t / PLUG_S[:, np.newaxis]),
            1.0 / np.sqrt(1.0 + t / SQRT_S[:, np.newaxis]),
            np.exp(-np.sqrt(t / STRETCHED_S[:, np.newaxis])),
        )
    )


def _plug(t: Array) -> Array:
    """Return what is left in a plug that empties through one face, at times over its last time constant.

    Source: J. Crank, The Mathematics of Diffusion, plane sheet; its forms for short and long times, to 1e-4.
    """
    late = (8.0 / math.pi**2) * (np.exp(-t) + np.exp(-9.0 * t) / 9.0)
    return np.where(t < 0.25, 1.0 - (4.0 / math.pi**1.5) * np.sqrt(t), late)


def _blocks(seconds: Array, level: Array) -> tuple[Array, Array, Array, float]:
    """Return mean times, mean levels and counts of blocks that grow with time, and the white noise."""
    middle = _median_of_five(level)
    size = np.abs(level - middle)
    n = len(size)
    # On a coarse meter most readings equal their neighbours: look further out, too, for the spread.
    half, most = n // 2, (4 * n) // 5
    ranked = np.partition(size, (half, most))
    spread = max(1.4826 * float(ranked[half]), float(ranked[most]) / 1.6)
    near = size <= 6.0 * spread + 1e-9
    seconds, level = seconds[near], level[near]
    # From the later half, where little moves; squares, since on a coarse meter the median step is none.
    later = level[len(level) // 2 :]
    steps = np.square(later[1:] - later[:-1])
    common = max(1, (19 * len(steps)) // 20)
    white_sd = math.sqrt(0.5 * float(np.partition(steps, common - 1)[:common].sum()) / common / NEAR_SHARE)
    first = float(seconds[0])
    ends = np.append(np.searchsorted(seconds, first + (float(seconds[-1]) - first) * BLOCK_EDGES), len(level))
    starts, count = ends[:-1], (ends[1:] - ends[:-1]).astype(np.float64)
    starts, count = starts[count > 0.0], count[count > 0.0]
    origin = float(level[-1])
    time_s = np.add.reduceat(seconds, starts) / count
    return time_s, origin + np.add.reduceat(level - origin, starts) / count, count, white_sd


def _present_course(time_s: Array, mean_mv: Array) -> float:
    """Return the slope over the later half of the time, mV/s."""
    late = time_s >= 0.5 * (time_s[0] + time_s[-1])
    t, y = time_s[late], mean_mv[late]
    t = t - t.sum() / len(t)
    return float((t * (y - y[0])).sum() / (t * t).sum())


def _median_of_five(level: Array) -> Array:
    """Return the running median of five, mirrored at the ends."""
    padded = np.concatenate((level[2:0:-1], level, level[-2:-4:-1]))
    a, b, c, d, e = (padded[i : i + len(level)] for i in range(5))
    low, high = np.minimum, np.maximum
    inner_low = high(low(a, b), low(c, d))
    inner_high = low(high(a, b), high(c, d))
    return np.asarray(high(low(e, inner_low), low(high(e, inner_low), inner_high)))


def _flicker(time_s: Array, width_s: Array) -> Array:
    """Return the covariance of block means under 1/f noise of unit variance in every factor e.

    Notes
    -----
    Minus the logarithm of the distance in time, whatever the scale; here as an integral over kernels
    1 / (distance² + c), each of them positive definite, so that gaps and bursts break nothing.
    """
    reach = np.square(BLOCK_REACH * width_s)
    apart = np.square(time_s - time_s[:, np.newaxis]) + reach + reach[:, np.newaxis]
    longest = 10.0 * float(time_s[-1] - time_s[0] + width_s[-1])
    return np.asarray(0.5 * np.log1p(longest * longest / apart))


def _flicker_sd(basis: Array, level: Array, known: Array, slow: Array) -> float:
    """Return the strength of slow noise the approach shows, mV: the posterior mean of its logarithm.

    Every shape may take part at once here, each with its prior: what they can't explain is noise.
    """
    n = len(level)
    scaled = basis * AMPLITUDE_SD_MV[:, np.newaxis]
    covariance = known + scaled.T @ scaled + LEVEL_PRIOR_SD_MV**2
    # With the levels as a border, the last row of the root holds them whitened, whatever the corner.
    bordered = np.zeros((len(FLICKER_SD_MV), n + 1, n + 1))
    bordered[:, :n, :n] = covariance + np.square(FLICKER_SD_MV)[:, np.newaxis, np.newaxis] * slow
    bordered[:, n, :n] = level
    bordered[:, n, n] = 1.0 + float((level * level).sum()) / LEAST_VARIANCE_MV2
    root = np.linalg.cholesky(bordered)
    white = root[:, n, :n]
    log_weight = -0.5 * (
        (white * white).sum(axis=1)
        + 2.0 * np.log(np.diagonal(root[:, :n, :n], axis1=1, axis2=2)).sum(axis=1)
        + LOG_FLICKER_PRIOR
    )
    weight = np.exp(log_weight - log_weight.max())
    return math.exp(float((weight * LOG_FLICKER).sum()) / float(weight.sum()))


@lru_cache(maxsize=4)
def _pairs(count: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return first and second of each two out of `count`."""
    first, second = np.triu_indices(count, 1)
    return first, second


@lru_cache(maxsize=64)
def _log_prior(slow_tail_odds: float, *, straight: bool) -> Array:
    """Return log prior weights: no shape, any one, any two; each of the three sums to one."""
    one = np.where(SLOW, slow_tail_odds, 1.0)
    first, second = _pairs(SHAPES)
    two = np.where(SLOW[first] | SLOW[second], slow_tail_odds, 1.0)
    one, two = one / one.sum(), two / two.sum()
    if straight:
        share = STRAIGHT_ODDS / (1.0 + STRAIGHT_ODDS)
        pairs = np.zeros((SHAPES + 1, SHAPES + 1))
        pairs[first, second], pairs[:-1, -1] = (1.0 - share) * two, share * one
        one, two = np.append((1.0 - share) * one, share), pairs[_pairs(SHAPES + 1)]
    return np.log(np.concatenate(([1.0], one, two)))


def _weigh(
    basis: Array, level: Array, covariance: Array, gain: Array, slow_tail_odds: float
) -> tuple[_Courses, float, Array]:
    """Solve all choices of shapes, weigh them, and return the amplitudes of the likeliest.

    A straight line may stand behind the shapes in `basis`; nothing is to come of it.
    """
    straight = len(basis) > SHAPES
    first_of, second_of = _pairs(len(basis))
    amplitude_sd = AMPLITUDE_SD_MV
    if straight:
        gain, amplitude_sd = np.append(gain, 0.0), np.append(amplitude_sd, OWN_CHANGE_SD_MV_PER_MIN)
    constant = np.ones((len(level), 1))
    columns = np.concatenate((basis.T, level[:, np.newaxis], constant), axis=1)
    white = np.linalg.solve(np.linalg.cholesky(covariance), columns)
    mean = white[:, -1:]
    white = white[:, :-1] - mean * ((white[:, :-1] * mean).sum(axis=0) / float((mean * mean).sum()))
    products = white.T @ white
    gram, moment, square = products[:-1, :-1], products[:-1, -1], float(products[-1, -1])
    prior = 1.0 / (amplitude_sd * amplitude_sd)
    diagonal = np.diagonal(gram) + prior
    single = moment / diagonal
    one, two, cross = diagonal[first_of], diagonal[second_of], gram[first_of, second_of]
    determinant = one * two - cross * cross
    moment_one, moment_two, gain_one, gain_two = (
        moment[first_of],
        moment[second_of],
        gain[first_of],
        gain[second_of],
    )
    first = (two * moment_one - cross * moment_two) / determinant
    second = (one * moment_two - cross * moment_one) / determinant
    none = np.zeros(1)
    explained = np.concatenate((none, moment * single, moment_one * first + moment_two * second))
    chi_square = square - explained
    volume = np.concatenate(
        (none + 1.0, diagonal / prior, determinant / (prior[first_of] * prior[second_of]))
    )
    gap = np.concatenate((none, gain * single, gain_one * first + gain_two * second))
    pair_variance = (
        gain_one * gain_one * two - 2.0 * gain_one * gain_two * cross + gain_two * gain_two * one
    ) / determinant
    gap_variance = np.concatenate((none, gain * gain / diagonal, pair_variance))
    misfit = max(1.0, float(chi_square.min()) / max(len(level) - 4, 1))
    log_weight = _log_prior(slow_tail_odds, straight=straight) - 0.5 * (chi_square / misfit + np.log(volume))
    top = int(log_weight.argmax())
    weights = np.exp(log_weight - log_weight[top])
    weights /= weights.sum()
    kept = weights > NEGLIGIBLE
    amplitudes = np.zeros(len(basis))
    if 0 < top <= len(basis):
        amplitudes[top - 1] = single[top - 1]
    elif top > len(basis):
        pair = top - 1 - len(basis)
        amplitudes[first_of[pair]], amplitudes[second_of[pair]] = first[pair], second[pair]
    variance = np.maximum(gap_variance[kept], 0.0) * misfit
    courses = _Courses(
        weight=weights[kept],
        gap_mv=np.array((gap[kept], -gap[kept])),
        variance=variance,
        scale=1.0 / ((np.sqrt(variance) + 1e-9) * math.sqrt(2.0)),
    )
    return courses, misfit, amplitudes[:SHAPES]


def _rest_in(amplitudes: Array, now_s: float, limit_mv: float) -> float | None:
    """Return the time until a course stays within the limit of where it is in an hour."""
    if not amplitudes.any():
        return 0.0
    steps = HORIZON_S * np.linspace(0.0, 1.0, 121) ** 2
    course = (shapes(now_s + steps) * amplitudes[:, np.newaxis]).sum(axis=0)
    outside = np.flatnonzero(np.abs(course - course[-1]) > limit_mv)
    if len(outside) == 0:
        return 0.0
    after = int(outside[-1]) + 1
    return float(steps[after]) if after < len(steps) - 1 else None
