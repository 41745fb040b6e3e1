"""The smallest carbon dioxide ingress that would have been found now."""

import math
from functools import lru_cache
from typing import Final

import numpy as np

from quietcell.core.ingress.baseline import Level, Spread
from quietcell.core.ingress.blocks import Array
from quietcell.core.ingress.comparison import Comparison
from quietcell.core.ingress.event import IngressSettings
from quietcell.core.ingress.evidence import CO2_UG_PER_MOL, Paths, sizes
from quietcell.core.ingress.verdict import CO2_MARGIN, LEAST_CO2_UG_L, OPEN_RATIO

_SURE: Final = 1.65
"""Standard deviations a change is taken smaller, so that 95 % of such leaks are found."""
_RESERVE: Final = 3.0
"""Log likelihood kept in hand for what the path leaves as misfit."""
_MODEL_PH, _MODEL_LOG = 0.010, 0.008


Rounded = tuple[float | None, ...]
"""A level or a spread to two figures, None where not measured."""


def coarse(values: Level | Spread) -> Rounded:
    """Return a level or a spread as coarsely as the answer needs: to 2 %, levels to 0.02 pH and 0.2 °C."""
    if isinstance(values, Spread):
        return tuple(_two_figures(value) for value in values)
    ph, log, temperature_c, flow = (None if math.isnan(value) else value for value in values)
    return (
        _to(ph, 0.02),
        _to(log, 0.02),
        _to(temperature_c, 0.2),
        None if flow is None else _two_figures(flow),
    )


def _to(value: float | None, step: float) -> float | None:
    return None if value is None else round(value / step) * step


def _two_figures(value: float) -> float:
    return float(f"{value:.1e}")


@lru_cache(maxsize=64)
def smallest_at(
    level: Rounded, spread: Rounded, settings: IngressSettings, blind: float | None
) -> float | None:
    """Return `smallest_ug_l` for the water at a level; the same water asks again and again."""
    known = _level(level)
    way = _way_from(level, settings)
    covariance = Spread(*(math.nan if value is None else value for value in spread))
    return smallest_ug_l(way, covariance, known, settings, blind=blind)


def _level(values: Rounded) -> Level:
    return Level(*(math.nan if value is None else value for value in values))


@lru_cache(maxsize=64)
def _way_from(level: Rounded, settings: IngressSettings) -> Paths:
    """Return the paths from a level: the spread is learnt on while the water stays the same."""
    return Comparison(settings).way(_level(level))


@lru_cache(maxsize=64)
def _course(way: Paths) -> tuple[Array, Array, Array, Array]:
    """Return rises of carbonate, the fall of pH and rise of ln conductivity there, and rise per fall."""
    x = way.amount["co2-ingress"][0]
    fine = np.geomspace(x[1], x[-1], 400)
    fall = np.interp(fine, x, -way.ph["co2-ingress"][0])
    rise = np.interp(fine, x, way.log_conductivity["co2-ingress"][0])
    return fine, fall, rise, np.gradient(fine, fall)


@lru_cache(maxsize=64)
def _came_in_for(way: Paths, least_ug_l: float, age_s: float) -> float:
    """Return what must have come in for that much to show at an age, µg/L."""
    x = way.amount["co2-ingress"][0] * CO2_UG_PER_MOL
    shown = float(np.interp(least_ug_l, x, way.ph["co2-ingress"][0]))
    # `sizes` gives the middle between what shows and what must have come in for it.
    middle = sizes(way, (shown, None), (1e-3, 1e-3), age_s, whole=False).rise.value
    return 2.0 * middle - least_ug_l


def smallest_ug_l(
    way: Paths, spread: Spread, level: Level, settings: IngressSettings, *, blind: float | None = None
) -> float | None:
    """Return the least rise of carbonate, µg/L as CO2, that passes every test of the detector.

    For gas that comes in at the sample point, where the sample age is known.

    Parameters
    ----------
    way : Paths
        From the water as it is.
    spread : Spread
        Of a change without cause.
    level : Level
        The water.
    settings : IngressSettings
        What is known of the cell.
    blind : float, optional
        By pH alone: fall of pH that carbon dioxide needs.

    Returns
    -------
    float or None
        None if no amount would be found.

    Notes
    -----
    Carbon dioxide must lead over no change, over a fault of the pH (which leaves conductivity alone),
    over salt (which leaves pH alone), with both changes less by 1.65 standard deviations.
    """
    fine, fall, rise, per_fall = _course(way)
    seen = np.maximum(fall - _SURE * spread.ph**0.5, 0.0)
    if blind is not None:
        found = seen > blind
    else:
        clear = np.maximum(np.abs(rise) - _SURE * spread.log**0.5, 0.0)
        from_ph = 0.5 * seen**2 / (spread.ph + _MODEL_PH**2)
        from_log = 0.5 * clear**2 / (spread.log + _MODEL_LOG**2)
        apart = np.minimum(from_ph, from_log) > CO2_MARGIN + _RESERVE
        by_chance = _SURE * spread.ph**0.5 * per_fall
        found = apart & (from_ph + from_log > OPEN_RATIO + _RESERVE)
        found &= (fine - by_chance) * CO2_UG_PER_MOL > LEAST_CO2_UG_L
    if not found.any():
        return None
    least = float(fine[int(np.argmax(found))]) * CO2_UG_PER_MOL
    age_s = settings.sample_age_s(level.flow_ml_min)
    if age_s is None or settings.conductivity_position == "upstream":
        return least
    return max(least, _came_in_for(way, least, age_s))
