"""The smallest carbon dioxide ingress that would have been found now."""

from typing import Final

import numpy as np

from quietcell.core.ingress.baseline import Spread
from quietcell.core.ingress.evidence import CO2_UG_PER_MOL, Paths
from quietcell.core.ingress.verdict import CO2_MARGIN, LEAST_CO2_UG_L, OPEN_RATIO

_SURE: Final = 1.65
"""Standard deviations a change is taken smaller, so that 95 % of such leaks are found."""
_RESERVE: Final = 3.0
"""Log likelihood kept in hand for what the path leaves as misfit."""
_MODEL_PH, _MODEL_LOG = 0.010, 0.008


def smallest_ug_l(way: Paths, spread: Spread, *, blind: float | None = None) -> float | None:
    """Return the least apparent rise of carbonate, µg/L as CO2, that passes every test of the detector.

    Parameters
    ----------
    way : Paths
        From the water as it is.
    spread : Spread
        Of a change without cause.
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
    x = way.amount["co2-ingress"][0]
    fall, rise = -way.ph["co2-ingress"][0], way.log_conductivity["co2-ingress"][0]
    fine = np.geomspace(x[1], x[-1], 400)
    fall, rise = np.interp(fine, x, fall), np.interp(fine, x, rise)
    seen = np.maximum(fall - _SURE * spread.ph**0.5, 0.0)
    if blind is not None:
        found = seen > blind
    else:
        clear = np.maximum(np.abs(rise) - _SURE * spread.log**0.5, 0.0)
        from_ph = 0.5 * seen**2 / (spread.ph + _MODEL_PH**2)
        from_log = 0.5 * clear**2 / (spread.log + _MODEL_LOG**2)
        apart = np.minimum(from_ph, from_log) > CO2_MARGIN + _RESERVE
        by_chance = _SURE * spread.ph**0.5 * np.gradient(fine, fall)
        found = apart & (from_ph + from_log > OPEN_RATIO + _RESERVE)
        found &= (fine - by_chance) * CO2_UG_PER_MOL > LEAST_CO2_UG_L
    if not found.any():
        return None
    return float(fine[int(np.argmax(found))]) * CO2_UG_PER_MOL
