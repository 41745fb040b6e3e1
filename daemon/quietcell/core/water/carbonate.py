"""Equilibria of carbon dioxide in water: solubility and the two steps of dissociation.

CO2(aq) here stands for dissolved CO2 and true H2CO3 together, as the composite constant K1 has it.
"""

from typing import Final, NamedTuple

from numpy.typing import ArrayLike

from quietcell.core.constants import LN10, ZERO_CELSIUS_K
from quietcell.core.water._elementwise import Number, OnInvalid, admit_temperature, by_rows, log

_Row = tuple[float, float, float, float, float]

_HENRY: Final[_Row] = (108.3865, 0.01985076, -6919.53, -40.45154, 669365.0)
_FIRST: Final[_Row] = (-356.3094, -0.06091964, 21834.37, 126.8339, -1684915.0)
_SECOND: Final[_Row] = (-107.8871, -0.03252849, 5151.79, 38.92561, -563713.9)


class CarbonateConstants(NamedTuple):
    """Decadic logarithms of the constants, molal scale, zero ionic strength."""

    log10_kh: Number
    """Henry constant CO2(aq)/fugacity, mol/(kg atm)."""
    log10_k1: Number
    """First dissociation, H+ · HCO3- / CO2(aq), mol/kg."""
    log10_k2: Number
    """Second dissociation, H+ · CO3-- / HCO3-, mol/kg."""


def constants(temperature_c: ArrayLike, *, on_invalid: OnInvalid = "raise") -> CarbonateConstants:
    """Return log10 of KH, K1 and K2.

    Parameters
    ----------
    temperature_c : array_like
        Temperature, °C, 0..100 (measured 0..90, beyond that extrapolated).
    on_invalid : {"raise", "nan"}
        Raise for a bad temperature, or give NaN in its place.

    Returns
    -------
    CarbonateConstants
        log10 KH in mol/(kg atm), log10 K1 and log10 K2 in mol/kg.

    Raises
    ------
    DomainError
        If a temperature is outside 0..100 °C or not a number.

    Notes
    -----
    ``log10 K = A + B T + C/T + D log10 T + E/T²``, T in K.

    Source: L. N. Plummer, E. Busenberg, Geochim. Cosmochim. Acta 46 (1982) 1011, table 4.

    Examples
    --------
    >>> kh, k1, k2 = constants(25.0)
    >>> round(kh, 4), round(k1, 4), round(k2, 4)
    (-1.4679, -6.3519, -10.3289)
    """
    return CarbonateConstants(*by_rows(log10_constants, admit_temperature(temperature_c, on_invalid)))


def log10_constants(t: Number) -> tuple[Number, Number, Number]:
    """Return log10 of KH, K1, K2 at t °C; the kernel of `constants`."""
    t_k = t + ZERO_CELSIUS_K
    per_t = 1.0 / t_k
    log10_t = log(t_k) / LN10

    def value(row: _Row) -> Number:
        a, b, c, d, e = row
        return a + b * t_k + d * log10_t + per_t * (c + e * per_t)

    return value(_HENRY), value(_FIRST), value(_SECOND)
