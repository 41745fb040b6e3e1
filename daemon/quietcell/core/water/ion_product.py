"""Ion product of water after IAPWS."""

from typing import Final, Literal, NamedTuple

from numpy.typing import ArrayLike

from quietcell.core.constants import LN10, WATER_MOLAR_MASS_G_MOL, ZERO_CELSIUS_K
from quietcell.core.water._elementwise import Number, OnInvalid, admit, admit_temperature, by_rows, exp, log
from quietcell.core.water.solvent import density
from quietcell.errors import DomainError

Release = Literal["R11-24", "R11-07"]
"""Which IAPWS release on the ionization constant of water is meant."""


class _Coefficients(NamedTuple):
    a0: float
    a1: float
    a2: float
    b0: float
    b1: float
    b2: float


_RELEASES: Final[dict[str, _Coefficients]] = {
    "R11-24": _Coefficients(-0.702132, 8681.05, -24145.1, 0.813876, -51.4471, -0.469920),
    "R11-07": _Coefficients(-0.864671, 8659.19, -22786.2, 0.642044, -56.8534, -0.375754),
}
_COORDINATION: Final = 6.0


def pkw(temperature_c: ArrayLike, *, release: Release = "R11-24", on_invalid: OnInvalid = "raise") -> Number:
    """Return pKw = -log10 of the ion product of liquid water, molal scale, zero ionic strength.

    Parameters
    ----------
    temperature_c : array_like
        Temperature, °C, 0..100.
    release : {"R11-24", "R11-07"}
        The IAPWS release; the current one by default.
    on_invalid : {"raise", "nan"}
        Raise for a bad temperature, or give NaN in its place.

    Returns
    -------
    float or ndarray
        pKw, dimensionless (Kw in mol²/kg²).

    Raises
    ------
    DomainError
        If a temperature is outside 0..100 °C or not a number, or the release is not known.

    Notes
    -----
    Equation of `pkw_at_density` at the density of water at 0.101325 MPa. The releases differ by at most
    0.002 here; the stated uncertainty is 0.01 in this range.

    Source: IAPWS R11-24, Revised Release on the Ionization Constant of H2O (2024), and R11-07 (2007).

    Examples
    --------
    >>> round(pkw(25.0), 4)
    13.9944
    >>> round(pkw(80.0, release="R11-07"), 3)
    12.598
    """
    c = _coefficients(release)

    def kernel(t: Number) -> tuple[Number]:
        return (-log10_kw(t + ZERO_CELSIUS_K, density(t), c),)

    return by_rows(kernel, admit_temperature(temperature_c, on_invalid))[0]


def neutral_ph(temperature_c: ArrayLike, *, on_invalid: OnInvalid = "raise") -> Number:
    """Return the pH of pure water, half of pKw.

    Parameters
    ----------
    temperature_c : array_like
        Temperature, °C, 0..100.
    on_invalid : {"raise", "nan"}
        Raise for a bad temperature, or give NaN in its place.

    Returns
    -------
    float or ndarray
        pH at which water holds as much H+ as OH-; falls by 0.0166 per °C at 25 °C.

    Raises
    ------
    DomainError
        If a temperature is outside 0..100 °C or not a number.

    Notes
    -----
    Source: `pkw`, IAPWS R11-24.

    Examples
    --------
    >>> round(neutral_ph(25.0), 3), round(neutral_ph(80.0), 3)
    (6.997, 6.3)
    """
    return 0.5 * pkw(temperature_c, on_invalid=on_invalid)


def pkw_at_density(
    temperature_k: ArrayLike, density_g_cm3: ArrayLike, *, release: Release = "R11-24"
) -> Number:
    """Return pKw at any density, so that the check points of the releases can be met.

    Parameters
    ----------
    temperature_k : array_like
        Temperature, K, 273.15..1273.15.
    density_g_cm3 : array_like
        Density, g/cm³, 0..1.25.
    release : {"R11-24", "R11-07"}
        The IAPWS release.

    Returns
    -------
    float or ndarray
        pKw, dimensionless.

    Raises
    ------
    DomainError
        If an argument is outside its range or not a number, or the release is not known.

    Notes
    -----
    ``Z = d exp(a0 + a1/T + a2 d^(2/3)/T²)``;
    ``pKw = -2 n [log10(1 + Z) - Z/(1 + Z) d (b0 + b1/T + b2 d)] + pKg + 2 log10(M/1000)``, n = 6, with
    ``pKg = 0.61415 + 48251.33/T - 67707.93/T² + 10102100/T³``.

    Source: IAPWS R11-24 (2024), R11-07 (2007), equations 3 to 5.

    Examples
    --------
    >>> round(pkw_at_density(600.0, 0.7), 6)
    11.147093
    """
    c = _coefficients(release)
    temperature = admit(temperature_k, "temperature_k", "K", 273.15, 1273.15)
    dense = admit(density_g_cm3, "density_g_cm3", "g/cm³", 0.0, 1.25)

    def kernel(t_k: Number, d: Number) -> tuple[Number]:
        return (-log10_kw(t_k, d, c),)

    return by_rows(kernel, temperature, dense)[0]


def log10_kw(t_k: Number, d: Number, c: _Coefficients = _RELEASES["R11-24"]) -> Number:
    """Return log10 Kw at T kelvin and d g/cm³; the kernel of this module."""
    per_t = 1.0 / t_k
    # The least density keeps the logarithm finite; Z is then zero to every digit.
    two_thirds = exp(log(d + 1e-300) * (2.0 / 3.0))
    z = d * exp(c.a0 + c.a1 * per_t + c.a2 * two_thirds * per_t * per_t)
    bracket = log(1.0 + z) / LN10 - z / (1.0 + z) * d * (c.b0 + c.b1 * per_t + c.b2 * d)
    pkg = 0.61415 + per_t * (48251.33 + per_t * (-67707.93 + per_t * 10102100.0))
    return 2.0 * _COORDINATION * bracket - pkg - _TWO_LOG10_MOLAR_KG


_TWO_LOG10_MOLAR_KG: Final = 2.0 * float(log(WATER_MOLAR_MASS_G_MOL / 1000.0)) / LN10


def _coefficients(release: str) -> _Coefficients:
    if release not in _RELEASES:
        raise DomainError(f"release = {release!r} is not known", hint=f"use one of {', '.join(_RELEASES)}")
    return _RELEASES[release]
