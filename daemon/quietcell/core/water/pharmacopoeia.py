"""A conductivity rule of the pharmacopoeias for purified water, as data with the way to read it.

An aid for judging a reading at the bench. It is no test after any pharmacopoeia and claims no
compliance: the binding text, its instruments and its procedure are the user's to follow.
"""

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from quietcell.core.water._elementwise import Number, OnInvalid, admit_temperature, by_rows

STAGE_1_LIMITS_US_CM: Final = {
    0.0: 0.6, 5.0: 0.8, 10.0: 0.9, 15.0: 1.0, 20.0: 1.1, 25.0: 1.3, 30.0: 1.4, 35.0: 1.5, 40.0: 1.7,
    45.0: 1.8, 50.0: 1.9, 55.0: 2.1, 60.0: 2.2, 65.0: 2.4, 70.0: 2.5, 75.0: 2.7, 80.0: 2.7, 85.0: 2.7,
    90.0: 2.7, 95.0: 2.9, 100.0: 3.1,
}  # fmt: skip
"""USP <645> stage 1: temperature, °C, to the highest conductivity that passes, µS/cm, uncompensated."""

_TEMPERATURES_C: Final = np.array(list(STAGE_1_LIMITS_US_CM))
_STAGE_1: Final = np.array(list(STAGE_1_LIMITS_US_CM.values()))
_NAN: Final = float("nan")


def stage_1_limit_us_cm(temperature_c: ArrayLike, *, on_invalid: OnInvalid = "raise") -> Number:
    """Return the stage 1 limit at a sample temperature.

    Parameters
    ----------
    temperature_c : array_like
        Temperature of the sample, °C, 0..100.
    on_invalid : {"raise", "nan"}
        Raise for a bad temperature, or give NaN in its place.

    Returns
    -------
    float or ndarray
        Limit, µS/cm; a sample passes stage 1 if its uncompensated conductivity is not greater.

    Raises
    ------
    DomainError
        If a temperature is outside 0..100 °C or not a number.

    Notes
    -----
    The table is read at its temperature not above the measured one; there is no interpolation.

    Source: USP <645> Water Conductivity, stage 1 (table from memory, in part seen in print).

    Examples
    --------
    >>> stage_1_limit_us_cm(24.9), stage_1_limit_us_cm(25.0)
    (1.1, 1.3)
    """

    def kernel(t: Number) -> tuple[Number]:
        row = np.searchsorted(_TEMPERATURES_C, np.where(np.isnan(t), 0.0, t), side="right") - 1
        return (_same_kind(np.where(np.isnan(t), _NAN, _STAGE_1[row])),)

    return by_rows(kernel, admit_temperature(temperature_c, on_invalid))[0]


def _same_kind(values: np.ndarray) -> Number:
    return float(values) if values.ndim == 0 else values
