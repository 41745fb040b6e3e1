"""Whether a value has provably come to rest, or what is still missing.

Four proofs are asked, all on the readings since the last disturbance:

drift       the bound of the drift over `window_s` is inside its limit, and the newest readings have
            not left its level by half of `max_remaining_ph`; where noise or the meter's rounding
            hides the drift over so short a span, one twice or four times as long may show it;
long drift  the same over `long_window_s`, with its own limit: the only help against two opposed
            relaxations, whose sum stands still for a minute;
whole run   looking every second and taking the first pass breaks a bound meant for one look. While
            a relaxation may still be at work the forecast is the stricter proof: a drift at its
            limit is a change of many times `max_remaining_ph` within the hour. Later its risk is
            shared among all looks the run has had (Bonferroni over independent looks), each at
            up to three spans: a minute of a noisy cell can't bear so strict a bound, four may;
remaining   the forecast leaves at most the stated risk that more than `max_remaining_ph` is to come.

The forecast costs a thousand times a reading; it is made only once the other proofs stand.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import Enum
from itertools import chain

import numpy as np
from numpy.typing import NDArray

from quietcell.core.endpoint.criterion import Criterion
from quietcell.core.endpoint.relaxation import OWN_CHANGE_AFTER_S, Forecast, forecast
from quietcell.core.endpoint.window import Drift, SlopeNoise, drift, median, step_of, t_quantile

LOOKS_PER_WINDOW = 4.0  # a slope over a sliding window is new after about a quarter of it
COLOUR = 1.8  # a slope under 1/f noise over what one window shows of it; measured by bench endpoint_coverage
RELAXED_S = 1800.0  # after that a steady change may be the water's own
FORECAST_SPAN_S = 3600.0
WIDER = (2.0, 4.0)  # under white noise the slope is known 3 and 8 times better, under 1/f 2 and 4 times
NEWEST = 5  # readings whose median two spikes don't move
FROM_BUFFER_ODDS = 10.0  # common practice, no source: fresh from buffer most junctions relax for long
JUNCTION_LEAST_SPAN_S = 240.0  # the shortest whose slope tells of a junction
JUNCTION_SPANS_S = (1200.0, 600.0)  # what fades was steeper half a span ago, but noise hides less of it
JUNCTION_TAU_MIN = 40.0  # its slowest relaxation: what is still to come is slope times this at most


class Missing(Enum):
    """What keeps a value from being accepted."""

    WINDOW = "window"
    """Not yet enough readings or time since the disturbance."""
    DRIFT = "drift"
    """It moves."""
    NOISE = "noise"
    """It may stand still, but noise hides whether it does."""
    REMAINING = "remaining"
    """It stands still for now, but more is to come, or that can't be excluded."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """The evidence at one look."""

    missing: tuple[Missing, ...]
    """Empty when the value has come to rest."""
    drift: Drift
    """Over `window_s`; slope and bound over a wider span where noise hid them."""
    long_drift: Drift | None
    """Over `long_window_s`; None when the criterion has none or it is not yet full."""
    forecast: Forecast | None
    """None when an earlier proof was missing or it is not time for one."""

    @property
    def at_rest(self) -> bool:
        """Every proof stands."""
        return not self.missing


@dataclass(frozen=True, slots=True, kw_only=True)
class _Seen:
    """The readings at one look, and drifts over spans of them that end now."""

    ms: NDArray[np.int64]
    mv: NDArray[np.float64]
    now_ms: int
    disturbed_ms: int
    confidence: float
    noise: SlopeNoise | None
    step_mv: float

    def since(self, begin_ms: int) -> slice:
        """Return which readings came after a time and the disturbance."""
        return slice(int(np.searchsorted(self.ms, max(begin_ms, self.disturbed_ms), side="right")), None)

    def over(self, span_s: float) -> Drift:
        """Return the drift over a span."""
        rows = self.since(self.now_ms - round(span_s * 1000.0))
        return drift(
            self.ms[rows],
            self.mv[rows],
            confidence=self.confidence,
            noise=self.noise,
            step_mv=self.step_mv,
        )

    def over_wider(self, measured: Drift, span_s: float, limit_mv_per_min: float, begin_ms: int) -> Drift:
        """Return the drift over a wider span behind `begin_ms` if noise hides it and that one is inside."""
        most_s = (self.now_ms - max(begin_ms, self.disturbed_ms)) / 1000.0
        for times in WIDER:
            if not _hidden(measured, limit_mv_per_min) or most_s < times * span_s:
                break
            wide = self.over(times * span_s)
            if wide.bound_mv_per_min <= limit_mv_per_min:
                return wide
        return measured


def judge(
    ms: NDArray[np.int64],
    mv: NDArray[np.float64],
    *,
    now_ms: int,
    began_ms: int,
    disturbed_ms: int,
    criterion: Criterion,
    mv_per_ph: float,
    noise: SlopeNoise | None = None,
    from_buffer: bool = False,
    flowing: bool = False,
) -> Judgement:
    """Judge the readings since the last disturbance at one look.

    Parameters
    ----------
    ms : int64 array, shape (n,)
        Times of the readings that count, ms, not decreasing, none after `now_ms`.
    mv : float array, shape (n,)
        Potentials, mV; NaN = not measured.
    now_ms : int
        Time of the look, ms.
    began_ms : int
        When the run of looks began, ms.
    disturbed_ms : int
        When the cell was last disturbed; readings at or before it are not used, ms.
    criterion : Criterion
        The criterion.
    mv_per_ph : float
        Size of the electrode's slope at the sample's temperature, mV per pH.
    noise : SlopeNoise, optional
        Learnt from the cell's history.
    from_buffer : bool
        The electrode comes from a buffer: a relaxation of its junction is taken for certain until the
        slope over a long span excludes it.
    flowing : bool
        The sample is renewed all the time: a change that goes on steadily may be its own.

    Returns
    -------
    Judgement
        The windows are exclusive at their beginning and inclusive at their end.
    """
    behind = int(np.searchsorted(ms, disturbed_ms, side="right"))
    seen = _Seen(
        ms=ms,
        mv=mv,
        now_ms=now_ms,
        disturbed_ms=disturbed_ms,
        confidence=criterion.confidence,
        noise=noise,
        step_mv=step_of(mv[behind:]),
    )
    since, over = seen.since, seen.over
    quiet_s = (now_ms - disturbed_ms) / 1000.0
    short = over(criterion.window_s)
    if quiet_s < max(criterion.window_s, criterion.long_window_s or 0.0) or short.n < criterion.min_readings:
        return Judgement(missing=(Missing.WINDOW,), drift=short, long_drift=None, forecast=None)
    lacks: list[Missing] = []
    shown = seen.over_wider(short, criterion.window_s, criterion.max_drift_mv_per_min, began_ms)
    short = replace(short, slope_mv_per_min=shown.slope_mv_per_min, bound_mv_per_min=shown.bound_mv_per_min)
    _hold(shown, criterion.max_drift_mv_per_min, lacks)
    limit_mv = criterion.max_remaining_ph * mv_per_ph
    _hold_newest(mv[since(disturbed_ms)], short.mean_mv, 0.5 * limit_mv, lacks)
    if lacks:
        return Judgement(missing=tuple(lacks), drift=short, long_drift=None, forecast=None)
    long = None
    if criterion.long_window_s:
        long = over(criterion.long_window_s)
        long = seen.over_wider(
            long, criterion.long_window_s, criterion.long_max_drift_mv_per_min, disturbed_ms
        )
        _hold(long, criterion.long_max_drift_mv_per_min, lacks)
    if not lacks and quiet_s > RELAXED_S:
        first_s = criterion.long_window_s or criterion.window_s
        wider_s = [times * criterion.window_s for times in WIDER if times * criterion.window_s > first_s]
        run_ms, choices = now_ms - max(began_ms, disturbed_ms), 1 + len(wider_s)
        if not any(
            _bound_of_the_run(chosen, run_ms, criterion.confidence, noise, choices)
            <= criterion.max_drift_mv_per_min
            for chosen in chain((long or shown,), map(over, wider_s))  # a wider one only where it is needed
        ):
            lacks.append(Missing.NOISE)
    if lacks:
        return Judgement(missing=tuple(lacks), drift=short, long_drift=long, forecast=None)
    rows = since(now_ms - round(FORECAST_SPAN_S * 1000.0))
    ahead = forecast(
        ms[rows],
        mv[rows],
        disturbed_ms=disturbed_ms,
        window_s=criterion.window_s,
        limit_mv=limit_mv,
        confidence=1.0 - criterion.max_remaining_risk,
        slow_tail_odds=criterion.slow_tail_odds * (FROM_BUFFER_ODDS if from_buffer else 1.0),
        flowing=flowing,
    )
    held = from_buffer and _may_be_a_junction(over, quiet_s, limit_mv)
    if held or ahead is None or ahead.beyond > criterion.max_remaining_risk:
        lacks.append(Missing.REMAINING)
    return Judgement(missing=tuple(lacks), drift=short, long_drift=long, forecast=ahead)


def _hold(measured: Drift, limit_mv_per_min: float, lacks: list[Missing]) -> None:
    """Note whether a drift breaks its limit: shown to move, or hidden by noise that fails any reading."""
    if not measured.bound_mv_per_min <= limit_mv_per_min:
        lacks.append(Missing.NOISE if _hidden(measured, limit_mv_per_min) else Missing.DRIFT)


def _hidden(measured: Drift, limit_mv_per_min: float) -> bool:
    """Return whether a drift may be none at all, and noise alone breaks the limit."""
    slope = abs(measured.slope_mv_per_min)
    spread = measured.bound_mv_per_min - slope
    return slope <= spread and spread > limit_mv_per_min


def _hold_newest(mv: NDArray[np.float64], mean_mv: float, limit_mv: float, lacks: list[Missing]) -> None:
    """Note whether the newest readings have left the window's level: a step the slope can't yet see."""
    newest = mv[~np.isnan(mv)][-NEWEST:]
    if not lacks and abs(median(newest) - mean_mv) > limit_mv:
        lacks.append(Missing.DRIFT)


def _may_be_a_junction(over: Callable[[float], Drift], quiet_s: float, limit_mv: float) -> bool:
    """Return whether no slope excludes that of a junction that has more than the limit to come."""
    if quiet_s > OWN_CHANGE_AFTER_S:
        return False  # three of its longest time constants; the water may well change steadily
    spans_s = dict.fromkeys(min(0.5 * quiet_s, longest_s) for longest_s in JUNCTION_SPANS_S)
    return not any(
        measured.span_s >= JUNCTION_LEAST_SPAN_S and measured.bound_mv_per_min * JUNCTION_TAU_MIN <= limit_mv
        for measured in map(over, spans_s)
    )


def _bound_of_the_run(
    measured: Drift, run_ms: int, confidence: float, noise: SlopeNoise | None, choices: int
) -> float:
    """Return the bound of a drift that holds over all looks of a run, each at so many spans, mV/min."""
    learnt = noise is not None and noise.slope_se(measured.span_s) is not None
    looks = math.ceil(1.0 + LOOKS_PER_WINDOW * run_ms / 1000.0 / max(measured.span_s, 1.0))
    quantile = t_quantile(1.0 - 0.5 * (1.0 - confidence) / (looks * choices), measured.dof)
    spread = quantile * (1.0 if learnt else COLOUR) * measured.se_mv_per_min
    return abs(measured.slope_mv_per_min) + max(spread, measured.hidden_mv_per_min)
