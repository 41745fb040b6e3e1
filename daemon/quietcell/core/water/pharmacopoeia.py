"""Conductivity rules of the pharmacopoeias for purified water, as data with the way to read them.

An aid for judging a reading at the bench. It is no test after any pharmacopoeia and claims no
compliance: the binding text, its instruments and its procedure are the user's to follow.
"""

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from quietcell.core.water._elementwise import Number, OnInvalid, admit, admit_temperature, by_rows

STAGE_1_LIMITS_US_CM: Final = {
    0.0: 0.6, 5.0: 0.8, 10.0: 0.9, 15.0: 1.0, 20.0: 1.1, 25.0: 1.3, 30.0: 1.4, 35.0: 1.5, 40.0: 1.7,
    45.0: 1.8, 50.0: 1.9, 55.0: 2.1, 60.0: 2.2, 65.0: 2.4, 70.0: 2.5, 75.0: 2.7, 80.0: 2.7, 85.0: 2.7,
    90.0: 2.7, 95.0: 2.9, 100.0: 3.1,
}  # fmt: skip
"""USP <645> stage 1: temperature, °C, to the highest conductivity that passes, µS/cm, uncompensated."""

STAGE_2_LIMIT_US_CM: Final = 2.1
"""USP <645> stage 2: highest conductivity that passes at 25 ± 1 °C, stirred and settled with air, µS/cm."""
STAGE_2_TEMPERATURE_C: Final = (24.0, 26.0)
"""USP <645> stage 2: range of the sample temperature, °C."""
STAGE_2_SETTLED_US_CM: Final = 0.1
"""USP <645> stage 2: settled once conductivity changes by less than this in five minutes, µS/cm."""

STAGE_3_LIMITS_US_CM: Final = {
    5.0: 4.7, 5.1: 4.1, 5.2: 3.6, 5.3: 3.3, 5.4: 3.0, 5.5: 2.8, 5.6: 2.6, 5.7: 2.5, 5.8: 2.4, 5.9: 2.4,
    6.0: 2.4, 6.1: 2.4, 6.2: 2.5, 6.3: 2.4, 6.4: 2.3, 6.5: 2.2, 6.6: 2.1, 6.7: 2.6, 6.8: 3.1, 6.9: 3.8,
    7.0: 4.6,
}  # fmt: skip
"""USP <645> stage 3: pH, read to the nearest 0.1 after KCl is added, to the highest stage 2 conductivity
that passes, µS/cm. Not monotonic: 2.5 at 6.2 lies between 2.4 and 2.4."""

_TEMPERATURES_C: Final = np.array(list(STAGE_1_LIMITS_US_CM))
_STAGE_1: Final = np.array(list(STAGE_1_LIMITS_US_CM.values()))
_STAGE_3: Final = np.array(list(STAGE_3_LIMITS_US_CM.values()))
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


def stage_3_limit_us_cm(ph: ArrayLike, *, on_invalid: OnInvalid = "raise") -> Number:
    """Return the stage 3 limit at a pH measured with KCl added.

    Parameters
    ----------
    ph : array_like
        pH of the sample with 0.3 mL of saturated KCl per 100 mL at 25 ± 1 °C, 0..14.
    on_invalid : {"raise", "nan"}
        Raise for a bad pH, or give NaN in its place.

    Returns
    -------
    float or ndarray
        Limit of the stage 2 conductivity, µS/cm; NaN where the rounded pH is outside 5.0..7.0, which fails
        whatever the conductivity.

    Raises
    ------
    DomainError
        If a pH is outside 0..14 or not a number.

    Notes
    -----
    pH is rounded to the nearest 0.1, halves up, before the table is read.

    Source: USP <645> Water Conductivity, stage 3 (table from memory, in part seen in print).

    Examples
    --------
    >>> stage_3_limit_us_cm(6.24), stage_3_limit_us_cm(6.25), stage_3_limit_us_cm(7.1)
    (2.5, 2.4, nan)
    """

    def kernel(p: Number) -> tuple[Number]:
        # A pH of 6.25 arrives as 6.25 or a hair below it: one part in 1e9 keeps halves up.
        tenths = np.floor(10.0 * np.where(np.isnan(p), 0.0, p) + 0.5 + 1e-9).astype(np.int64)
        inside = (tenths >= 50) & (tenths <= 70)
        return (_same_kind(np.where(inside, _STAGE_3[np.where(inside, tenths - 50, 0)], _NAN)),)

    return by_rows(kernel, admit(ph, "ph", "", 0.0, 14.0, on_invalid))[0]


def _same_kind(values: np.ndarray) -> Number:
    return float(values) if values.ndim == 0 else values
