"""Limiting conductances of the ions of purified water, and their change with temperature."""

from typing import Final, NamedTuple

from numpy.typing import ArrayLike

from quietcell.core.constants import REFERENCE_TEMPERATURE_C
from quietcell.core.water._elementwise import Number, OnInvalid, admit_temperature, by_rows
from quietcell.errors import DomainError


class _Ion(NamedTuple):
    at_25c: float
    a2: float
    a1: float
    a0: float


# Per mole of charge: value at 25 °C, then the polynomial in t whose shape carries it to other temperatures.
_IONS: Final[dict[str, _Ion]] = {
    "H+": _Ion(349.65, -0.01414, 5.355, 224.2),
    "OH-": _Ion(198.0, 0.003396, 2.925, 121.3),
    "Na+": _Ion(50.08, 0.003763, 0.877, 26.23),
    "Cl-": _Ion(76.31, 0.003817, 1.337, 40.99),
    "NH4+": _Ion(73.5, 0.003341, 1.285, 39.04),
    "HCO3-": _Ion(44.5, 0.000614, 0.9048, 21.14),
    "CO3--": _Ion(69.3, -0.000163, 1.499, 32.015),
}
IONS: Final = tuple(_IONS)
"""Names that `limiting_conductance` knows."""


def limiting_conductance(ion: str, temperature_c: ArrayLike, *, on_invalid: OnInvalid = "raise") -> Number:
    """Return the conductance of an ion at infinite dilution, per mole of charge.

    Parameters
    ----------
    ion : str
        One of `IONS`, such as ``"H+"`` or ``"HCO3-"``.
    temperature_c : array_like
        Temperature, °C, 0..100 (measured 5..90, beyond that extrapolated).
    on_invalid : {"raise", "nan"}
        Raise for a bad temperature, or give NaN in its place.

    Returns
    -------
    float or ndarray
        Limiting equivalent conductance, S cm²/mol.

    Raises
    ------
    DomainError
        If the ion is not known, or a temperature is outside 0..100 °C or not a number.

    Notes
    -----
    ``λ(t) = λ(25) · p(t)/p(25)`` with ``p = a2 t² + a1 t + a0``: the handbook value at 25 °C, carried to
    other temperatures by the measured polynomial. So pure water follows the measurements of Light et
    al. (2005) more closely than with either source alone.

    Source: CRC Handbook of Chemistry and Physics, ionic conductivity and diffusion at infinite
    dilution (25 °C); R. B. McCleskey, D. K. Nordstrom, J. N. Ryan, Limnol. Oceanogr. Methods 10 (2012)
    671 (polynomials).

    Examples
    --------
    >>> round(limiting_conductance("H+", 25.0), 2), round(limiting_conductance("H+", 80.0), 1)
    (349.65, 562.8)
    """
    if ion not in _IONS:
        raise DomainError(f"ion = {ion!r} is not known", hint=f"use one of {', '.join(IONS)}")
    return by_rows(lambda t: (conductance(ion, t),), admit_temperature(temperature_c, on_invalid))[0]


def _shape(ion: _Ion, t: Number) -> Number:
    return ion.a0 + t * (ion.a1 + t * ion.a2)


_SCALE: Final = {
    name: ion.at_25c / float(_shape(ion, REFERENCE_TEMPERATURE_C)) for name, ion in _IONS.items()
}


def conductance(ion: str, t: Number) -> Number:
    """Return the limiting equivalent conductance at t °C, S cm²/mol; the kernel of this module."""
    return _SCALE[ion] * _shape(_IONS[ion], t)
