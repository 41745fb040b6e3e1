"""Whether a sample takes up carbon dioxide while its pH settles, as conductivity and pH tell together.

Dissolving carbon dioxide adds hydrogen and bicarbonate ions, so a fall of pH has its own rise of
conductivity. A rise without that fall is salt (a reference leaking into a beaker), a fall without the
rise is the electrode; only both together are uptake. Meant for the last look before a value is
accepted; the ingress detector names the cause.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from quietcell.core.endpoint.window import drift, t_quantile

SPAN_S = 300.0
CONFIDENCE = 0.998
"""Two-sided; one side of it is a false alarm."""
AGREEING_SHARE = 0.25  # hydration, electrode lag and bases let pH trail the conductivity by this much
WITHIN_MIN = 30.0  # uptake that moves pH by less than half the limit in this time has come to its end
# Molar conductivities at 25 °C, S cm²/mol: CRC Handbook of Chemistry and Physics, ionic conductivity at
# infinite dilution. The ion product is that of water at 25 °C. Both move a few per cent a degree,
# which the factor of four of AGREEING_SHARE covers.
LAMBDA_H, LAMBDA_OH, LAMBDA_HCO3 = 349.65, 198.0, 44.5
ION_PRODUCT = 1.01e-14


@dataclass(frozen=True, slots=True, kw_only=True)
class Uptake:
    """What conductivity says about carbon dioxide at one look."""

    rise_us_cm_per_min: float
    """Slope of the conductivity."""
    equivalent_ph_per_min: float
    """Fall of pH, pH/min, that carbon dioxide alone would show with that rise; positive for a fall."""
    suspected: bool
    """The rise is beyond noise and large enough to matter, and pH does not contradict it."""


def co2_uptake(
    ms: NDArray[np.int64],
    mv: NDArray[np.float64],
    conductivity_us_cm: NDArray[np.float64],
    *,
    ph: float,
    mv_per_ph: float,
    max_remaining_ph: float,
) -> Uptake | None:
    """Judge the last minutes of a settling sample.

    Parameters
    ----------
    ms, mv, conductivity_us_cm : arrays, shape (n,)
        Readings since the disturbance that count; the last `SPAN_S` are used.
    ph : float
        Of the judged window.
    mv_per_ph : float
        Change of `mv` per pH, mV, signed: negative for a glass electrode.
    max_remaining_ph : float
        Of the criterion.

    Returns
    -------
    Uptake or None
        None when conductivity was not measured often enough to tell.
    """
    begin = int(np.searchsorted(ms, ms[-1] - round(SPAN_S * 1000.0), side="left")) if len(ms) else 0
    conductivity = drift(ms[begin:], conductivity_us_cm[begin:], confidence=CONFIDENCE)
    potential = drift(ms[begin:], mv[begin:], confidence=CONFIDENCE)
    if not (math.isfinite(conductivity.bound_mv_per_min) and math.isfinite(potential.bound_mv_per_min)):
        return None
    rise = conductivity.slope_mv_per_min  # the same straight line; the unit is that of the values a minute
    surely = rise - t_quantile(0.5 + 0.5 * CONFIDENCE, conductivity.dof) * conductivity.se_mv_per_min
    h = 10.0**-ph
    per_h = LAMBDA_H - LAMBDA_OH * ION_PRODUCT / h**2 + LAMBDA_HCO3 * (1.0 + ION_PRODUCT / h**2)
    if per_h <= 0.0:
        # In base the first carbon dioxide lowers the conductivity: a rise says nothing about it.
        return Uptake(rise_us_cm_per_min=rise, equivalent_ph_per_min=0.0, suspected=False)
    equivalent = rise / (1000.0 * per_h * h * math.log(10.0))
    fall = -potential.slope_mv_per_min / mv_per_ph
    slack = t_quantile(0.5 + 0.5 * CONFIDENCE, potential.dof) * potential.se_mv_per_min / abs(mv_per_ph)
    return Uptake(
        rise_us_cm_per_min=rise,
        equivalent_ph_per_min=equivalent,
        suspected=surely > 0.0
        and equivalent * WITHIN_MIN > 0.5 * max_remaining_ph
        and fall + slack > AGREEING_SHARE * equivalent,
    )
