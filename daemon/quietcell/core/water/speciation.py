"""Composition to pH and conductivity: charge balance of purified water.

Any mix of total carbonate, ammonia or an amine, strong acid (as HCl), strong base (as NaOH) and neutral
salt (as NaCl); closed, or open to a gas that holds the dissolved CO2. Molal scale throughout.
"""

from dataclasses import dataclass
from typing import Final, Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from quietcell.core.constants import LN10
from quietcell.core.water._elementwise import Number, OnInvalid, admit, admit_temperature, by_rows, log
from quietcell.core.water._mixture import Amounts, conductivity, ionic_strength, ions, medium, solve
from quietcell.core.water.bases import WeakBase
from quietcell.errors import DomainError

MOST_MOL_KG: Final = 0.1
"""Largest amount of one solute; the activity equation reaches no further."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Composition:
    """What is dissolved in the water, mol/kg; each a scalar or an array, 0..0.1, absent by default."""

    total_carbonate_mol_kg: ArrayLike = 0.0
    """CO2(aq) + HCO3- + CO3--."""
    ammonia_mol_kg: ArrayLike = 0.0
    """NH3 + NH4+."""
    strong_acid_mol_kg: ArrayLike = 0.0
    """Strong acid, with the conductance of HCl."""
    strong_base_mol_kg: ArrayLike = 0.0
    """Strong base, with the conductance of NaOH."""
    neutral_salt_mol_kg: ArrayLike = 0.0
    """Salt of strong acid and base, with the conductance of NaCl."""
    amine_mol_kg: ArrayLike = 0.0
    """The base `amine`, free and protonated."""
    amine: WeakBase | None = None
    """Which amine; needed when there is any."""


PURE_WATER: Final = Composition()
"""Water with nothing in it."""

Solute = Literal["total_carbonate", "ammonia", "strong_acid", "strong_base"]
"""A solute that pH can tell: the unknown of an inverse."""


class Speciation(NamedTuple):
    """The ions of a water, mol/kg, and what can be measured of it; each a float or an array."""

    ph: Number
    """-log10 of the H+ activity."""
    conductivity_us_cm: Number
    """Conductivity at the temperature of the water, µS/cm."""
    ionic_strength_mol_kg: Number
    """Half the sum of molality times squared charge."""
    hydrogen_mol_kg: Number
    hydroxide_mol_kg: Number
    co2_mol_kg: Number
    """CO2(aq) with true H2CO3."""
    bicarbonate_mol_kg: Number
    carbonate_mol_kg: Number
    ammonium_mol_kg: Number
    aminium_mol_kg: Number
    activity_coefficient: Number
    """Of a univalent ion; its fourth power for CO3--."""


def speciate(
    composition: Composition,
    temperature_c: ArrayLike,
    *,
    co2_fugacity_uatm: ArrayLike | None = None,
    on_invalid: OnInvalid = "raise",
) -> Speciation:
    """Return all ions, pH and conductivity of a water.

    Parameters
    ----------
    composition : Composition
        What is dissolved, mol/kg.
    temperature_c : array_like
        Temperature, °C, 0..100.
    co2_fugacity_uatm : array_like, optional
        Fugacity of CO2 in a gas the water is in equilibrium with, µatm, 0..1e6. Given, it takes the
        place of total carbonate (open); absent, the water is closed.
    on_invalid : {"raise", "nan"}
        Raise for a value out of range, or give NaN in its row.

    Returns
    -------
    Speciation
        Floats if every argument is a scalar, else arrays of the broadcast shape.

    Raises
    ------
    DomainError
        If a value is out of range or not a number, shapes do not go together, an amine is not named, or
        both total carbonate and a gas are given.

    Notes
    -----
    Charge balance ``H + NH4 + base = OH + HCO3 + 2 CO3 + acid`` with Kw (IAPWS R11-24), K1, K2, KH (Plummer
    and Busenberg 1982), Ka (Bates and Pinching 1949) and Davies activity coefficients, closed to 1e-12
    of the charge. Conductivity sums limiting conductances (CRC, McCleskey) reduced after Onsager. Solvent
    properties at atmospheric pressure. At infinite time: for CO2 that has just come in see `hydration`.

    Examples
    --------
    >>> water = speciate(Composition(total_carbonate_mol_kg=10e-6), 25.0)
    >>> round(water.ph, 3), round(water.conductivity_us_cm, 3), round(1e6 * water.bicarbonate_mol_kg, 3)
    (5.721, 0.749, 1.899)
    """
    amine = composition.amine

    def kernel(t: Number, *amounts: Number) -> tuple[Number, ...]:
        m = medium(t, amine)
        n = Amounts(*amounts)
        held = co2_fugacity_uatm is not None
        if held:
            n = n._replace(carbonate=m.kh * 1e-6 * n.carbonate)
        a, strength = solve(m, n, co2_held=held)
        i = ions(m, a, strength, n, co2_held=held)
        strength = ionic_strength(i, n)
        return (
            log(a) / -LN10,
            conductivity(m, i, n, strength),
            strength,
            i.hydrogen,
            i.hydroxide,
            i.co2,
            i.bicarbonate,
            i.carbonate,
            i.ammonium,
            i.aminium,
            i.gamma,
        )

    amounts = admit_composition(composition, on_invalid)
    if co2_fugacity_uatm is not None:
        if np.any(np.asarray(composition.total_carbonate_mol_kg) != 0.0):
            raise DomainError(
                "total_carbonate_mol_kg and co2_fugacity_uatm are both given",
                hint="leave total carbonate out: the gas decides it",
            )
        gas = admit(co2_fugacity_uatm, "co2_fugacity_uatm", "µatm", 0.0, 1e6, on_invalid)
        amounts = (gas, *amounts[1:])
    return Speciation(*by_rows(kernel, admit_temperature(temperature_c, on_invalid), *amounts))


def solve_ph(
    composition: Composition,
    temperature_c: ArrayLike,
    *,
    co2_fugacity_uatm: ArrayLike | None = None,
    on_invalid: OnInvalid = "raise",
) -> Number:
    """Return the pH of a water of stated composition.

    Parameters
    ----------
    composition, temperature_c, co2_fugacity_uatm, on_invalid
        As for `speciate`.

    Returns
    -------
    float or ndarray
        pH = -log10 of the H+ activity, molal scale.

    Raises
    ------
    DomainError
        As for `speciate`.

    Notes
    -----
    Source: `speciate`.

    Examples
    --------
    Pure water at 25 °C, and the same open to air with 420 µatm of CO2:

    >>> round(solve_ph(PURE_WATER, 25.0), 3)
    6.997
    >>> round(solve_ph(PURE_WATER, 25.0, co2_fugacity_uatm=420.0), 2)
    5.6
    """
    return speciate(composition, temperature_c, co2_fugacity_uatm=co2_fugacity_uatm, on_invalid=on_invalid).ph


def conductivity_us_cm(
    composition: Composition,
    temperature_c: ArrayLike,
    *,
    co2_fugacity_uatm: ArrayLike | None = None,
    on_invalid: OnInvalid = "raise",
) -> Number:
    """Return the conductivity of a water of stated composition, at its own temperature.

    Parameters
    ----------
    composition, temperature_c, co2_fugacity_uatm, on_invalid
        As for `speciate`.

    Returns
    -------
    float or ndarray
        Conductivity, µS/cm.

    Raises
    ------
    DomainError
        As for `speciate`.

    Notes
    -----
    ``κ = 1000 d Σ λ_i z_i m_i``, λ per mole of charge, d in kg/L, each λ reduced after Onsager:
    ``λ (1 - B z s) - E z s`` with ``s = √I / (1 + 1.3 √I)``. The reduction is 0.1 % at 1 µS/cm and 1 % at
    100 µS/cm. Pure water follows Light et al. (2005) within 1.5 % from 0 to 100 °C.

    Source: `conductance.limiting_conductance`; Robinson and Stokes, Electrolyte Solutions, chapter 7.

    Examples
    --------
    >>> round(conductivity_us_cm(PURE_WATER, 25.0), 4)
    0.055
    """
    return speciate(
        composition, temperature_c, co2_fugacity_uatm=co2_fugacity_uatm, on_invalid=on_invalid
    ).conductivity_us_cm


def admit_composition(composition: Composition, on_invalid: OnInvalid) -> tuple[Number, ...]:
    """Return the amounts of a composition, checked, in the order of `Amounts`."""
    amounts = tuple(
        admit(getattr(composition, name), name, "mol/kg", 0.0, MOST_MOL_KG, on_invalid) for name in _SOLUTES
    )
    if composition.amine is None and np.any(np.asarray(amounts[-1]) > 0.0):
        raise DomainError(
            "amine_mol_kg is given without an amine", hint="state the amine as a WeakBase, or leave both out"
        )
    return amounts


_SOLUTES: Final = (
    "total_carbonate_mol_kg",
    "ammonia_mol_kg",
    "strong_acid_mol_kg",
    "strong_base_mol_kg",
    "neutral_salt_mol_kg",
    "amine_mol_kg",
)
