"""Weak bases of purified water and of steam cycles: ammonia, and an amine the user states.

Amines are not tabulated: their constants differ between sources and none was read for this package.
`WeakBase` takes them from a reference the user trusts.
"""

from dataclasses import dataclass

from numpy.typing import ArrayLike

from quietcell.core.constants import GAS_CONSTANT_J_MOL_K, LN10, ZERO_CELSIUS_K
from quietcell.core.water._elementwise import Number, OnInvalid, admit, admit_temperature, by_rows, log

_REFERENCE_K = 298.15


def ammonium_pka(temperature_c: ArrayLike, *, on_invalid: OnInvalid = "raise") -> Number:
    """Return pKa of the ammonium ion, molal scale, zero ionic strength.

    Parameters
    ----------
    temperature_c : array_like
        Temperature, °C, 0..100 (measured 0..50, beyond that extrapolated).
    on_invalid : {"raise", "nan"}
        Raise for a bad temperature, or give NaN in its place.

    Returns
    -------
    float or ndarray
        pKa, dimensionless (Ka in mol/kg).

    Raises
    ------
    DomainError
        If a temperature is outside 0..100 °C or not a number.

    Notes
    -----
    ``pKa = 2835.76/T - 0.6322 + 0.001225 T``, T in K.

    Source: R. G. Bates, G. D. Pinching, J. Res. NBS 42 (1949) 419.

    Examples
    --------
    >>> round(ammonium_pka(25.0), 4)
    9.2442
    """
    return by_rows(lambda t: (ammonium_pka_at(t),), admit_temperature(temperature_c, on_invalid))[0]


def ammonium_pka_at(t: Number) -> Number:
    """Return pKa of the ammonium ion at t °C; the kernel of `ammonium_pka`."""
    t_k = t + ZERO_CELSIUS_K
    return 2835.76 / t_k - 0.6322 + 0.001225 * t_k


@dataclass(frozen=True, slots=True, kw_only=True)
class WeakBase:
    """A base that takes up one proton, such as an amine of a steam cycle, from the user's reference.

    Raises
    ------
    DomainError
        If a constant is outside its range or not a number.

    Notes
    -----
    ``pKa(T) = pKa(25) + [ΔH (1/T - 1/T0) - ΔCp (T0/T - 1 + ln(T/T0))] / (R ln 10)``, the van 't Hoff
    equation with a constant heat capacity; T0 = 298.15 K.

    Examples
    --------
    Ammonia by its enthalpy alone, for comparison with `ammonium_pka`:

    >>> base = WeakBase(name="example", pka_25c=9.244, enthalpy_kj_mol=52.2, cation_conductance_25c=73.5)
    >>> round(base.pka(40.0) - ammonium_pka(40.0), 2)
    -0.0
    """

    name: str
    """What the base is called in results."""
    pka_25c: float
    """pKa of the protonated base at 25 °C, zero ionic strength, 5..12."""
    enthalpy_kj_mol: float
    """Enthalpy of dissociation of the protonated base, kJ/mol, -20..100."""
    heat_capacity_j_mol_k: float = 0.0
    """Change of heat capacity on dissociation, J/(mol K), -500..500."""
    cation_conductance_25c: float
    """Limiting conductance of the protonated base at 25 °C, S cm²/mol, 20..80."""

    def __post_init__(self) -> None:
        """Refuse constants that cannot be meant."""
        admit(self.pka_25c, "pka_25c", "", 5.0, 12.0)
        admit(self.enthalpy_kj_mol, "enthalpy_kj_mol", "kJ/mol", -20.0, 100.0)
        admit(self.heat_capacity_j_mol_k, "heat_capacity_j_mol_k", "J/(mol K)", -500.0, 500.0)
        admit(self.cation_conductance_25c, "cation_conductance_25c", "S cm²/mol", 20.0, 80.0)

    def pka(self, t: Number) -> Number:
        """Return pKa at t °C."""
        t_k = t + ZERO_CELSIUS_K
        ratio = t_k / _REFERENCE_K
        heat = 1000.0 * self.enthalpy_kj_mol * (1.0 / t_k - 1.0 / _REFERENCE_K)
        capacity = self.heat_capacity_j_mol_k * (1.0 / ratio - 1.0 + log(ratio))
        return self.pka_25c + (heat - capacity) / (GAS_CONSTANT_J_MOL_K * LN10)
