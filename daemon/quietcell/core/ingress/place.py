"""Where carbon dioxide comes in, from what its size does when the flow steps."""

from collections.abc import Sequence
from typing import Final

from quietcell.core.ingress.event import Place

FLOW_STEP: Final = 0.2
"""Smallest step of ln flow that tells: minutes 12 to 9 ago against the last three;"""
STEADY_LOG_FLOW, STEADY_LOG_SIZE = 0.04, 0.06
"""within each the flow and the size must hold."""
SAMPLE_PATH_POWER: Final = -0.6
"""A constant leak goes with 1/flow, more so while hydration is unfinished;"""
UPSTREAM_POWER: Final = 0.25
"""what comes with the water stays."""
_OLD, _NEW = slice(-12, -8), slice(-3, None)


def placed_by_flow(points: Sequence[tuple[float, float]]) -> Place | None:
    """Return the place that a step of the flow shows, None where none does.

    Parameters
    ----------
    points : sequence of (ln flow, ln size)
        One a minute, oldest first.
    """
    if len(points) < 12:
        return None
    old, new = points[_OLD], points[_NEW]
    if not (_steady(old) and _steady(new)):
        return None
    flow, size = (sum(p[i] for p in new) / len(new) - sum(p[i] for p in old) / len(old) for i in (0, 1))
    if abs(flow) < FLOW_STEP:
        return None
    power = size / flow
    if power < SAMPLE_PATH_POWER:
        return "sample-path"
    return "upstream" if abs(power) < UPSTREAM_POWER else None


def _steady(part: Sequence[tuple[float, float]]) -> bool:
    flows, sizes = zip(*part, strict=True)
    return bool(max(flows) - min(flows) <= STEADY_LOG_FLOW and max(sizes) - min(sizes) <= STEADY_LOG_SIZE)
