"""The standing of one determination: what its window still lacks.

Phases, in order; each tick puts a determination in the first whose condition is not yet met:

=========  =========================================================================
phase      condition to leave it
=========  =========================================================================
waiting    `min_wait_s` have passed since the determination began
filling    the readings since the last disturbance span `window_s`, are at least
           `min_readings`, and the last is not older than `max_gap_s`
judging    every limit of the criterion is met
at-rest    -
=========  =========================================================================

A gap, a flagged reading and a new segment are disturbances: the window begins behind them.
"""

from dataclasses import dataclass
from enum import Enum

import numpy as np

from quietcell.core.endpoint.criterion import Criterion
from quietcell.core.endpoint.window import Drift, drift
from quietcell.core.readings import Quantity, ReadingBlock
from quietcell.core.records import Reason


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
    temperature_drift_c_per_min: float | None = None


def standing(
    window: ReadingBlock,
    criterion: Criterion,
    *,
    waited_ms: int,
    quiet_ms: int,
    silent_ms: int,
    disturbance: Reason,
) -> Standing:
    """Say where a determination stands at a tick.

    Parameters
    ----------
    window : ReadingBlock
        Unflagged readings of the last `window_s` behind the last disturbance.
    criterion : Criterion
        The limits.
    waited_ms : int
        Since the determination began, ms.
    quiet_ms : int
        Since the last disturbance or the beginning, ms.
    silent_ms : int
        Since the last reading, ms.
    disturbance : Reason
        What the last disturbance was; named when the window never filled.
    """
    if waited_ms < criterion.min_wait_s * 1000:
        left_s = criterion.min_wait_s - waited_ms / 1000
        return Standing(
            phase=Phase.WAITING, lacks=(disturbance,), waits_for=f"rinse and response, {left_s:.0f} s to go"
        )
    if silent_ms > criterion.max_gap_s * 1000:
        return Standing(
            phase=Phase.FILLING,
            lacks=(Reason.GAP,),
            waits_for=f"the meter to speak, silent for {silent_ms / 1000:.0f} s",
        )
    if quiet_ms < criterion.window_s * 1000 or len(window) < criterion.min_readings:
        text = f"window {min(quiet_ms / 1000, criterion.window_s):.0f} of {criterion.window_s:.0f} s"
        if quiet_ms >= criterion.window_s * 1000:
            text = f"readings {len(window)} of {criterion.min_readings}"
        return Standing(phase=Phase.FILLING, lacks=(disturbance,), waits_for=text)
    return _judge(window, criterion)


def _judge(window: ReadingBlock, criterion: Criterion) -> Standing:
    """Hold a full window against the limits."""
    measured = drift(window.ms, window.mv, confidence=criterion.confidence)
    temperature_drift = _temperature_drift_c_per_min(window, criterion.confidence)
    lacks: list[Reason] = []
    texts: list[str] = []
    limit = criterion.max_drift_mv_per_min
    if measured.bound_mv_per_min > limit:
        # Noise that would fail even a level reading is named; so is a slope that noise can't explain.
        spread = measured.bound_mv_per_min - abs(measured.slope_mv_per_min)
        if spread > limit:
            lacks.append(Reason.NOISE_TOO_HIGH)
        if spread <= limit or abs(measured.slope_mv_per_min) - spread > limit:
            lacks.append(Reason.NOT_AT_REST)
        texts.append(f"drift {measured.bound_mv_per_min:.2f} of {limit:.2f} mV/min")
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
        drift=measured,
        temperature_drift_c_per_min=temperature_drift,
    )


def _temperature_drift_c_per_min(window: ReadingBlock, confidence: float) -> float | None:
    """Return the slope of the temperature, or None when too few readings carry one."""
    known = np.isfinite(window.temperature_c)
    if int(known.sum()) < 3:
        return None
    fit = drift(window.ms[known], window.temperature_c[known], confidence=confidence)
    return fit.slope_mv_per_min  # the same straight line; the unit is that of the values per minute


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
    mean = float(known.sum() / len(known))
    if change is not None and highest - lowest > change / 100 * mean:
        return f"flow changes by {100 * (highest - lowest) / mean:.0f} of {change:.0f} %"
    return ""
