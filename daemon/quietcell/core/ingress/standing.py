"""Whether water holds carbon dioxide from the first reading on: judged absolutely, against air."""

from typing import Final, Literal

from quietcell.core.ingress.event import IngressSettings
from quietcell.core.ingress.evidence import air_share
from quietcell.core.water.speciation import PURE_WATER, solve_ph

LEAST_PCT, SURE_PCT = 1.5, 25.0
"""Share of equilibrium with air that is told as standing, and that is called carbon dioxide at once."""
MOST_MISFIT: Final = 6.0
"""Chi square of pH and conductivity on the carbonic line."""
BIASES, BIASES_ALONE = 4.0, 6.0
"""pH must lie so many uncertainties of its bias below neutral, with conductivity and without."""
UNCERTAINTIES: Final = 4.0
"""The carbonate must be so many of its standard uncertainties."""


def held_against_air(
    ph: float, conductivity_us_cm: float | None, temperature_c: float, settings: IngressSettings
) -> Literal["co2-ingress", "cannot-tell"] | None:
    """Return what water as it is says for itself, None where that is nothing.

    Parameters
    ----------
    ph, conductivity_us_cm, temperature_c : float
        Means of some minutes; conductivity None where it is not that of this water.
    settings : IngressSettings
        For the uncertainties.
    """
    alone = conductivity_us_cm is None
    fall = (BIASES_ALONE if alone else BIASES) * settings.ph_bias_u
    # Most water is neutral, and that costs little to see.
    if not 0.0 <= temperature_c <= 100.0 or ph + fall > float(solve_ph(PURE_WATER, temperature_c)):
        return None
    share = air_share(ph, conductivity_us_cm, temperature_c, settings)
    if share is None or share.misfit > MOST_MISFIT or share.ug_l < UNCERTAINTIES * share.u_ug_l:
        return None
    most_pct = 100.0 * settings.most_co2_uatm / settings.air_co2_uatm
    if not LEAST_PCT <= share.pct <= most_pct:
        return None
    return "co2-ingress" if not alone and share.pct >= SURE_PCT else "cannot-tell"
