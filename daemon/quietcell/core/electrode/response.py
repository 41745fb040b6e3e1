"""Response time of an electrode: how long it takes to show 95 % of a change of solution."""

import numpy as np
from numpy.typing import NDArray

SMALLEST_STEP_MV = 20.0
"""A smaller change says nothing about the electrode; common practice, no source."""
SETTLED_SHARE = 0.05
"""What may be left of the change: 95 % response."""


def response_time_s(
    ms: NDArray[np.int64],
    mv: NDArray[np.float64],
    *,
    began_ms: int,
    before_mv: float,
    after_mv: float,
) -> float | None:
    """Return the time from the change of solution to staying within 5 % of the change from its end.

    Parameters
    ----------
    ms : int64 array, shape (n,)
        Times of the readings since the change, ms, not decreasing.
    mv : float array, shape (n,)
        Potentials, mV; NaN = not measured.
    began_ms : int
        When the electrode was put into the new solution, ms.
    before_mv, after_mv : float
        Levels at rest before and after the change, mV.

    Returns
    -------
    float or None
        Seconds; None when the change is below 20 mV, or the readings show no arrival.

    Examples
    --------
    >>> ms = np.arange(0, 60_000, 1000)
    >>> response_time_s(ms, 100.0 * -np.expm1(-ms / 5000), began_ms=0, before_mv=0.0, after_mv=100.0)
    15.0
    """
    step = abs(after_mv - before_mv)
    known = np.isfinite(mv)
    times, levels = ms[known], mv[known]
    if step < SMALLEST_STEP_MV or not len(times):
        return None
    away = np.flatnonzero(np.abs(levels - after_mv) > SETTLED_SHARE * step)
    if not len(away):
        return max(0.0, float(times[0] - began_ms) / 1000.0)
    if away[-1] == len(times) - 1:
        return None
    return float(times[away[-1] + 1] - began_ms) / 1000.0
