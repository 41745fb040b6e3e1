"""The criterion: the explicit numbers a reading must meet before it is accepted."""

import hashlib
import math
from dataclasses import dataclass, fields
from functools import lru_cache

_LEAST_MV_PER_PH = 54.0
"""Slope of an electrode at 0 °C, so that a step in mV is at most so much in pH."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Criterion:
    """When a reading counts as having come to rest; every limit is a number, none is graded.

    The defaults are those of the shipped criterion ``loop-water``.
    """

    window_s: float = 60.0
    """Span over which the drift is judged, s; where noise hides it, up to four times as much."""
    max_drift_mv_per_min: float = 0.3
    """Largest drift, mV/min, that the two-sided bound may reach."""
    confidence: float = 0.95
    """Confidence of the two-sided bound of the drift, 0.5 to below 1."""
    max_remaining_ph: float = 0.02
    """Largest change still to come before the reading rests, pH."""
    max_remaining_risk: float = 0.01
    """Largest probability, by the forecast, that more than that is still to come."""
    slow_tail_odds: float = 3.0
    """How much likelier than others a relaxation of 8 to 40 min is taken to be beforehand."""
    long_window_s: float | None = 300.0
    """Second, longer span judged beside the first, s; None leaves it out."""
    long_max_drift_mv_per_min: float = 0.1
    """Largest drift over the longer span, mV/min."""
    min_wait_s: float = 60.0
    """Shortest time from the beginning of a determination to its verdict, s (rinse and response)."""
    max_wait_s: float = 3600.0
    """A determination that has not come to rest by then is refused, s."""
    max_temperature_drift_c_per_min: float = 0.2
    """Largest drift of the sample temperature over the window, °C/min."""
    flow_low_ml_min: float | None = None
    """Lowest flow at which a value may be accepted, mL/min; None leaves it out."""
    flow_high_ml_min: float | None = None
    """Highest flow at which a value may be accepted, mL/min; None leaves it out."""
    max_flow_change_pct: float | None = None
    """Largest change of the flow within the window, % of its mean; None leaves it out."""
    min_readings: int = 15
    """Fewest readings a window may rest on."""
    agreeing_portions: int = 1
    """Number of successive portions that must agree; 1 asks for none beside the first."""
    agreeing_within_ph: float = 0.05
    """Largest spread of agreeing portions, pH."""
    max_gap_s: float = 5.0
    """A longer silence of the meter restarts the window and is recorded as a gap, s."""
    resolution_mv: float = 0.1
    """Smallest step of the meter's mV display, mV."""

    @property
    def longest_interval_s(self) -> float:
        """Longest time from each reading to the next at which a window can still fill, s."""
        return min(self.max_gap_s, self.window_s / self.min_readings)

    def digest(self) -> str:
        """Return the SHA-256 of all numbers, so that equal criteria are known as equal.

        Returns
        -------
        str
            64 hexadecimal digits over one line ``name=value`` a field, in order of name, numbers in
            their shortest round-trip form as floats, nothing where a limit is left out.
        """
        return _digest(self)


@lru_cache(maxsize=16)
def _digest(criterion: Criterion) -> str:
    values = ((name, getattr(criterion, name)) for name in sorted(f.name for f in fields(criterion)))
    lines = (f"{name}={'' if value is None else float(value)}\n" for name, value in values)
    return hashlib.sha256("".join(lines).encode()).hexdigest()


SHIPPED: dict[str, Criterion] = {
    "loop-water": Criterion(),
    "grab-water": Criterion(max_remaining_risk=0.03, long_window_s=None),
    "buffer": Criterion(
        window_s=30.0,
        max_drift_mv_per_min=0.3,
        max_remaining_ph=0.005,
        max_remaining_risk=0.02,
        long_window_s=None,
        min_wait_s=30.0,
        max_wait_s=600.0,
        min_readings=10,
    ),
}
"""Criteria known by name without configuration."""


def slower(criterion: Criterion, every_s: float) -> dict[str, float]:
    """Return the numbers to raise where a meter reads too seldom for a criterion.

    Parameters
    ----------
    criterion : Criterion
        What is to be met.
    every_s : float
        Time from one reading to the next, s.

    Returns
    -------
    dict of str to float
        By name of the field.
    """
    window_s = math.ceil(criterion.min_readings * every_s * 4 / 3)
    return _raised(criterion, window_s=window_s, max_gap_s=math.ceil(3 * every_s))


def coarser(criterion: Criterion, step_mv: float) -> dict[str, float]:
    """Return the numbers to raise where readings come in coarser steps than a criterion states.

    Parameters
    ----------
    criterion : Criterion
        What is to be met.
    step_mv : float
        Smallest step of the readings, mV.

    Returns
    -------
    dict of str to float
        By name of the field: the step, and spans and a limit that readings of such steps can meet.
    """
    resolution_mv = math.ceil(10.0 * step_mv) / 10.0
    window_s, long_window_s = (
        10 * math.ceil(6.0 * resolution_mv / limit)
        for limit in (criterion.max_drift_mv_per_min, criterion.long_max_drift_mv_per_min)
    )
    return _raised(
        criterion,
        window_s=window_s,
        long_window_s=long_window_s,
        resolution_mv=resolution_mv,
        max_remaining_ph=math.ceil(100.0 * resolution_mv / _LEAST_MV_PER_PH) / 100.0,
    )


def _raised(
    criterion: Criterion, *, window_s: int, long_window_s: int = 0, **others: float
) -> dict[str, float]:
    """Return what is larger than in a criterion, the spans in proportion and with time to fill them."""
    spans = {"window_s": window_s}
    if criterion.long_window_s is not None:
        spans["long_window_s"] = max(long_window_s, 2 * window_s)
    longest_s = max(criterion.window_s, criterion.long_window_s or 0.0, *spans.values())
    spans["max_wait_s"] = 3 * math.ceil(criterion.min_wait_s + longest_s)
    return {name: value for name, value in (spans | others).items() if value > getattr(criterion, name)}
