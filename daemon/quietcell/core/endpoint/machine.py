"""The standing of one determination: what its window still lacks.

Phases, in order; each tick puts a determination in the first whose condition is not yet met:

=========  =========================================================================
phase      condition to leave it
=========  =========================================================================
waiting    `min_wait_s` have passed since the determination began
filling    the readings since the last disturbance span `window_s` (and `long_window_s`), are
           at least `min_readings`, and the last is not older than `max_gap_s`
judging    every proof of `judge` stands, temperature and flow are inside their limits
at-rest    -
=========  =========================================================================

A gap, a flagged reading and a new segment are disturbances: the window begins behind them.
"""

import math
from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import NDArray

from quietcell.core.endpoint.criterion import Criterion
from quietcell.core.endpoint.judge import Judgement, Missing, judge
from quietcell.core.endpoint.relaxation import Forecast, forecast
from quietcell.core.endpoint.window import Drift, SlopeNoise, slope_per_min
from quietcell.core.readings import Quantity, ReadingBlock
from quietcell.core.records import Reason

Potentials = tuple[NDArray[np.int64], NDArray[np.float64]]


class Phase(Enum):
    """Where a determination stands."""

    WAITING = "waiting"
    FILLING = "filling"
    JUDGING = "judging"
    AT_REST = "at-rest"


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """Where a determination stands, what it lacks, and the evidence."""

    phase: Phase
    lacks: tuple[Reason, ...]
    waits_for: str
    """In plain words, for the person watching."""
    drift: Drift | None = None
    long_drift: Drift | None = None
    forecast: Forecast | None = None
    temperature_drift_c_per_min: float | None = None


REASONS = {
    Missing.DRIFT: Reason.NOT_AT_REST,
    Missing.NOISE: Reason.NOISE_TOO_HIGH,
    Missing.REMAINING: Reason.STILL_RELAXING,
}
"""What each missing proof is called in the record."""
_AGAIN = {
    Reason.GAP: ", anew since the meter was silent",
    Reason.FLAGGED_READINGS: ", anew since a reading was flagged",
}


def standing(
    window: ReadingBlock,
    since: Potentials,
    criterion: Criterion,
    *,
    now_ms: int,
    began_ms: int,
    disturbed_ms: int,
    silent_ms: int,
    disturbance: Reason,
    mv_per_ph: float,
    noise: SlopeNoise | None = None,
    from_buffer: bool = False,
    flowing: bool = False,
) -> Standing:
    """Say where a determination stands at a look.

    Parameters
    ----------
    window : ReadingBlock
        Readings of the last `window_s` behind the last disturbance and inside the determination; a
        value would rest on them.
    since : tuple of arrays, shape (n,)
        Times (ms) and potentials (mV) since the last disturbance, of the last hour at most.
    criterion : Criterion
        The limits.
    now_ms, began_ms, disturbed_ms : int
        Time of the look, of the determination's beginning, and of the last disturbance, ms.
    silent_ms : int
        Since the last reading, ms.
    disturbance : Reason
        What the last disturbance was; named when the window never filled.
    mv_per_ph : float
        Size of the electrode's slope at the sample's temperature, mV.
    noise : SlopeNoise, optional
        Learnt from the cell's history.
    from_buffer : bool
        The electrode comes from a buffer: hold until its junction has provably relaxed.
    flowing : bool
        The sample is renewed all the time: a change that goes on steadily may be its own.
    """
    waited_ms, quiet_ms = now_ms - began_ms, now_ms - max(disturbed_ms, began_ms)
    silent = silent_ms > criterion.max_gap_s * 1000
    silence = f"the meter to speak, silent for {silent_ms / 1000:.0f} s" if silent else ""
    if waited_ms < criterion.min_wait_s * 1000:
        rinse = f"rinse and response, {criterion.min_wait_s - waited_ms / 1000:.0f} s to go"
        return Standing(phase=Phase.WAITING, lacks=(disturbance,), waits_for=silence or rinse)
    if silent:
        return Standing(phase=Phase.FILLING, lacks=(Reason.GAP,), waits_for=silence)
    again = _AGAIN.get(disturbance, "") if disturbed_ms > began_ms else ""
    if quiet_ms < criterion.window_s * 1000 or len(window) < criterion.min_readings:
        text = f"window {min(quiet_ms / 1000, criterion.window_s):.0f} of {criterion.window_s:.0f} s{again}"
        if quiet_ms >= criterion.window_s * 1000:
            text = (
                f"readings {len(window)} of {criterion.min_readings} in {criterion.window_s:g} s, for they "
                "come too seldom: give a criterion with a longer window_s"
            )
        return Standing(phase=Phase.FILLING, lacks=(disturbance,), waits_for=text)
    long_s = criterion.long_window_s or 0.0
    if now_ms - disturbed_ms < long_s * 1000:
        text = f"long window {(now_ms - disturbed_ms) / 1000:.0f} of {long_s:.0f} s{again}"
        return Standing(phase=Phase.FILLING, lacks=(disturbance,), waits_for=text)
    found = judge(
        *since,
        now_ms=now_ms,
        began_ms=began_ms,
        disturbed_ms=disturbed_ms,
        criterion=criterion,
        mv_per_ph=mv_per_ph,
        noise=noise,
        from_buffer=from_buffer,
        flowing=flowing,
    )
    return _with_surroundings(found, window, criterion, mv_per_ph)


def first_judged_ms(criterion: Criterion, began_ms: int, disturbed_ms: int) -> int:
    """Return before which time `standing` cannot leave waiting and filling, if nothing disturbs, ms."""
    begin_ms = max(began_ms, disturbed_ms)
    return max(
        began_ms + math.ceil(criterion.min_wait_s * 1000),
        begin_ms + math.ceil(criterion.window_s * 1000),
        disturbed_ms + math.ceil((criterion.long_window_s or 0.0) * 1000),
    )


def _with_surroundings(
    found: Judgement, window: ReadingBlock, criterion: Criterion, mv_per_ph: float
) -> Standing:
    """Hold temperature and flow against their limits as well."""
    lacks = [REASONS[missing] for missing in found.missing if missing in REASONS]
    texts = [_waiting(found, criterion, mv_per_ph)] if found.missing else []
    if Missing.WINDOW in found.missing:
        lacks.append(Reason.FLAGGED_READINGS)  # too many readings left out as spikes to fill it
    temperature_drift = _temperature_drift_c_per_min(window)
    if temperature_drift is not None and abs(temperature_drift) > criterion.max_temperature_drift_c_per_min:
        lacks.append(Reason.TEMPERATURE_MOVING)
        texts.append(
            f"temperature {abs(temperature_drift):.2f} of "
            f"{criterion.max_temperature_drift_c_per_min:.2f} °C/min"
        )
    flow_text = _flow_fault(window.flow_ml_min, criterion)
    if flow_text:
        lacks.append(Reason.FLOW_OUT_OF_BAND)
        texts.append(flow_text)
    return Standing(
        phase=Phase.JUDGING if lacks else Phase.AT_REST,
        lacks=tuple(lacks),
        waits_for="; ".join(texts) or "nothing, at rest",
        drift=found.drift,
        long_drift=found.long_drift,
        forecast=found.forecast,
        temperature_drift_c_per_min=temperature_drift,
    )


def _waiting(found: Judgement, criterion: Criterion, mv_per_ph: float) -> str:
    """Say in numbers what a judgement still lacks."""
    if Missing.REMAINING in found.missing:
        if found.forecast is None:
            return "a forecast of what is still to come"
        if found.forecast.beyond <= criterion.max_remaining_risk:
            return "the junction, fresh from a buffer, to be shown at rest"  # what `judge` holds it for
        return still_to_come(found.forecast, criterion, mv_per_ph)
    if (
        found.long_drift is not None
        and found.long_drift.bound_mv_per_min > criterion.long_max_drift_mv_per_min
    ):
        over = f" over {criterion.long_window_s:.0f} s"
        return _moving(found.long_drift, criterion.long_max_drift_mv_per_min, over)
    return _moving(found.drift, criterion.max_drift_mv_per_min)


def _moving(measured: Drift, limit_mv_per_min: float, over: str = "") -> str:
    """Say how far a drift breaks its limit, and whether the meter's steps alone do."""
    text = f"drift {measured.bound_mv_per_min:.2f} of {limit_mv_per_min:.2f} mV/min{over}"
    hides = measured.hidden_mv_per_min > limit_mv_per_min
    return f"{text}, which steps of the meter's display may hide" if hides else text


def still_to_come(ahead: Forecast, criterion: Criterion, mv_per_ph: float) -> str:
    """Say in numbers what a forecast sees, and in how many minutes the likeliest course is at rest."""
    remaining_ph = abs(ahead.remaining_mv) / mv_per_ph
    text = f"{remaining_ph:.2f} pH still to come"
    if remaining_ph < criterion.max_remaining_ph:
        risk = f"{100 * ahead.beyond:.0f} of {100 * criterion.max_remaining_risk:g} %"
        text = f"risk {risk} that more than {criterion.max_remaining_ph:g} pH is to come"
    if ahead.rest_in_s is None:
        return f"{text}, more than an hour"
    minutes = ahead.rest_in_s / 60
    return f"{text}, about {minutes:.0f} min" if minutes >= 1 else text


def look_ahead(
    since: Potentials, criterion: Criterion, *, disturbed_ms: int, mv_per_ph: float, flowing: bool = False
) -> str:
    """Return what is still to come in words, for a value whose drift already shows that it moves.

    For whoever watches; no verdict rests on it.
    """
    ahead = forecast(
        *since,
        disturbed_ms=disturbed_ms,
        window_s=criterion.window_s,
        limit_mv=criterion.max_remaining_ph * mv_per_ph,
        confidence=1.0 - criterion.max_remaining_risk,
        slow_tail_odds=criterion.slow_tail_odds,
        flowing=flowing,
    )
    return "" if ahead is None else still_to_come(ahead, criterion, mv_per_ph)


def _temperature_drift_c_per_min(window: ReadingBlock) -> float | None:
    """Return the slope of the temperature, or None when too few readings carry one."""
    known = np.isfinite(window.temperature_c)
    if int(known.sum()) < 3:
        return None
    return slope_per_min(window.ms[known], window.temperature_c[known])


def _flow_fault(flow_ml_min: Quantity, criterion: Criterion) -> str:
    """Say how the flow breaks its band, or nothing."""
    low, high, change = criterion.flow_low_ml_min, criterion.flow_high_ml_min, criterion.max_flow_change_pct
    if low is None and high is None and change is None:
        return ""
    known = flow_ml_min[np.isfinite(flow_ml_min)]
    if len(known) == 0:
        return "flow not measured"
    lowest, highest = float(known.min()), float(known.max())
    if low is not None and lowest < low:
        return f"flow {lowest:.1f} below {low:.1f} mL/min"
    if high is not None and highest > high:
        return f"flow {highest:.1f} above {high:.1f} mL/min"
    allowed = None if change is None else change / 100 * abs(float(known.sum() / len(known)))
    if allowed is not None and highest - lowest > allowed:
        return f"flow changes by {highest - lowest:.1f} of {allowed:.1f} mL/min"
    return ""
