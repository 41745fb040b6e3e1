"""How uncertain a pH referred to 25 °C is.

What is uncertain about a pH at its own temperature is another amount at 25 °C: near neutral a small error
of the pH at 60 °C is three times as large there, because cold water holds fewer ions of its own. So the
ends of the interval are referred like the value itself.
"""

import math
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from quietcell.core.constants import REFERENCE_TEMPERATURE_C
from quietcell.core.water.reference25 import WaterModel, ph_25c

_PH: Final = (3.0, 11.0)
"""Where a pH can be referred at all."""


def ph_25c_expanded_uncertainty(
    ph: ArrayLike,
    temperature_c: ArrayLike,
    model: WaterModel | str = "carbonate",
    *,
    ph_expanded_uncertainty: ArrayLike,
    temperature_expanded_uncertainty_c: ArrayLike,
    spread: ArrayLike = 0.0,
) -> NDArray[np.float64]:
    """Return the expanded uncertainty (k = 2) of a pH referred to 25 °C.

    Parameters
    ----------
    ph, temperature_c, model
        As for `reference25.ph_25c`.
    ph_expanded_uncertainty : array_like
        U of the pH at its own temperature, k = 2.
    temperature_expanded_uncertainty_c : array_like
        U of the temperature, °C, k = 2.
    spread : array_like
        Spread over plausible models, as `reference25.ph_25c` gives it.

    Returns
    -------
    ndarray
        U, k = 2; NaN where the pH can not be referred.

    Notes
    -----
    ``U² = ΔpH² + ΔT² + (2 spread/√3)²``: the larger change of the referred value as the pH goes to either
    end of its interval, the same for the temperature, and the model within its spread to either side as a
    rectangle. What the thermometer did to the pH itself is in its U; that the two errors are one is left
    out, for they add only in acid water, where both are smallest.

    Source: GUM (JCGM 100:2008), 5.1.3 note 2 (finite changes in place of derivatives) and 4.3.7.

    Examples
    --------
    >>> warm = ph_25c_expanded_uncertainty(
    ...     6.6, 60.0, ph_expanded_uncertainty=0.1, temperature_expanded_uncertainty_c=0.2
    ... )
    >>> round(float(warm), 2)
    0.3
    """
    p, t, u, u_t = np.broadcast_arrays(
        *(
            np.asarray(each, np.float64)
            for each in (ph, temperature_c, ph_expanded_uncertainty, temperature_expanded_uncertainty_c)
        )
    )

    def referred(p_off: float, t_off: float) -> NDArray[np.float64]:
        at = np.clip(p + p_off * u, *_PH), np.clip(t + t_off * u_t, 0.0, 100.0)
        return np.asarray(ph_25c(*at, model, on_invalid="nan").value)

    value = referred(0.0, 0.0)
    own, thermometer = (
        np.maximum(np.abs(referred(*up) - value), np.abs(referred(*down) - value))
        for up, down in (((1.0, 0.0), (-1.0, 0.0)), ((0.0, 1.0), (0.0, -1.0)))
    )
    # At 25 °C itself nothing is referred, whatever the thermometer says a little off it.
    model_u = np.where(t == REFERENCE_TEMPERATURE_C, 0.0, 2.0 * np.asarray(spread) / math.sqrt(3.0))
    return np.asarray(np.sqrt(own * own + thermometer * thermometer + model_u * model_u))
