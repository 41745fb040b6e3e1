"""The one set of formulas that speciation, inverse, limits and references share.

`Medium` holds what temperature fixes; `Amounts` what is dissolved; `ions` what is there at a given
activity of H+ and ionic strength. Activity of H+ is written ``a``: pH = -log10 a.
"""

from typing import Final, NamedTuple

from quietcell.core.constants import LN10, REFERENCE_TEMPERATURE_C, ZERO_CELSIUS_K
from quietcell.core.water._elementwise import (
    Number,
    clip,
    exp,
    iterate,
    log,
    magnitude,
    positive,
    sqrt,
    where,
)
from quietcell.core.water.bases import WeakBase, ammonium_pka_at
from quietcell.core.water.carbonate import log10_constants
from quietcell.core.water.conductance import conductance
from quietcell.core.water.ion_product import log10_kw
from quietcell.core.water.solvent import activity_coefficient, density, ion_interaction

ION_SIZE: Final = 1.3
"""Ion size term of the Onsager equation, (L/mol)^0.5: 4 Å (Robinson and Stokes, chapter 7)."""
_STEP_TOLERANCE: Final = 1e-13
"""Square of the last relative move of the H+ activity (the next would be of that size), plus the last
change of ionic strength as it acts on activity coefficients."""
_MOST_STEPS: Final = 60


class Medium(NamedTuple):
    """What temperature alone fixes: constants on the molal scale, conductances in S cm²/mol of charge."""

    density_kg_l: Number
    kw: Number
    kh: Number
    k1: Number
    k2: Number
    ka_ammonium: Number
    ka_amine: Number
    slope: Number
    relaxation: Number
    electrophoresis: Number
    hydrogen: Number
    hydroxide: Number
    sodium: Number
    chloride: Number
    ammonium: Number
    bicarbonate: Number
    carbonate: Number
    aminium: Number


class Amounts(NamedTuple):
    """What is dissolved, mol/kg."""

    carbonate: Number
    ammonia: Number
    acid: Number
    base: Number
    salt: Number
    amine: Number = 0.0


class Ions(NamedTuple):
    """Molalities, mol/kg, at one activity of H+ and one ionic strength."""

    hydrogen: Number
    hydroxide: Number
    co2: Number
    bicarbonate: Number
    carbonate: Number
    ammonium: Number
    aminium: Number
    gamma: Number
    """Activity coefficient of a univalent ion."""
    mean_charge: Number
    """Mean negative charge of a carbonate molecule, 0..2."""


def medium(t: Number, amine: WeakBase | None = None) -> Medium:
    """Return what temperature t °C fixes."""
    d = density(t)
    slope, relaxation, electrophoresis = ion_interaction(t, d)
    kh, k1, k2 = log10_constants(t)
    ammonium = conductance("NH4+", t)
    return Medium(
        density_kg_l=d,
        kw=exp(LN10 * log10_kw(t + ZERO_CELSIUS_K, d)),
        kh=exp(LN10 * kh),
        k1=exp(LN10 * k1),
        k2=exp(LN10 * k2),
        ka_ammonium=exp(-LN10 * ammonium_pka_at(t)),
        ka_amine=exp(-LN10 * amine.pka(t)) if amine else 1.0,
        slope=slope,
        relaxation=relaxation,
        electrophoresis=electrophoresis,
        hydrogen=conductance("H+", t),
        hydroxide=conductance("OH-", t),
        sodium=conductance("Na+", t),
        chloride=conductance("Cl-", t),
        ammonium=ammonium,
        bicarbonate=conductance("HCO3-", t),
        carbonate=conductance("CO3--", t),
        aminium=ammonium * (amine.cation_conductance_25c / _AMMONIUM_25C) if amine else 0.0,
    )


_AMMONIUM_25C: Final = float(conductance("NH4+", REFERENCE_TEMPERATURE_C))


def ions(m: Medium, a: Number, strength: Number, n: Amounts, *, co2_held: bool = False) -> Ions:
    """Return the ions at H+ activity a and ionic strength `strength`.

    With `co2_held` a gas holds the dissolved CO2, and `n.carbonate` is that CO2 instead of the total.
    """
    gamma = activity_coefficient(m.slope, strength)
    square = gamma * gamma
    ratio_1 = m.k1 / (a * gamma)
    ratio_2 = ratio_1 * (m.k2 / (a * (square * gamma)))
    total = 1.0 + ratio_1 + ratio_2
    co2 = n.carbonate if co2_held else n.carbonate / total
    return Ions(
        hydrogen=a / gamma,
        hydroxide=m.kw / (a * gamma),
        co2=co2,
        bicarbonate=co2 * ratio_1,
        carbonate=co2 * ratio_2,
        ammonium=n.ammonia * (a / (a + m.ka_ammonium * gamma)),
        aminium=n.amine * (a / (a + m.ka_amine * gamma)),
        gamma=gamma,
        mean_charge=(ratio_1 + 2.0 * ratio_2) / total,
    )


def ionic_strength(i: Ions, n: Amounts) -> Number:
    """Return half the sum of molality times squared charge, mol/kg."""
    univalent = i.hydrogen + i.hydroxide + i.bicarbonate + i.ammonium + i.aminium + n.acid + n.base
    return 0.5 * univalent + 2.0 * i.carbonate + n.salt


def conductivity(m: Medium, i: Ions, n: Amounts, strength: Number) -> Number:
    """Return the conductivity in µS/cm: limiting law of Onsager, ion by ion, with a finite ion size."""
    root = sqrt(strength * m.density_kg_l)
    root = root / (1.0 + ION_SIZE * root)
    kept = 1.0 - m.relaxation * root
    lost = m.electrophoresis * root
    univalent = (
        m.hydrogen * i.hydrogen
        + m.hydroxide * i.hydroxide
        + m.bicarbonate * i.bicarbonate
        + m.ammonium * i.ammonium
        + m.aminium * i.aminium
        + m.sodium * (n.base + n.salt)
        + m.chloride * (n.acid + n.salt)
    )
    number = 2.0 * (strength - 2.0 * i.carbonate)
    # Both effects grow with the charge of the ion; two charges per carbonate ion.
    divalent = 2.0 * i.carbonate * (m.carbonate * (2.0 * kept - 1.0) - 2.0 * lost)
    return 1000.0 * m.density_kg_l * (univalent * kept - number * lost + divalent)


def solve(m: Medium, n: Amounts, *, co2_held: bool = False) -> tuple[Number, Number]:
    """Return the H+ activity at which positive and negative charges balance, and the ionic strength.

    Newton's method on the logarithm of the ratio of positive to negative charge against log a, where
    its slope lies between 0 and 3 and never changes sign. Strong acid and base are set off against
    each other first, so that no large equal terms hide the balance.
    """
    acid, base = positive(n.acid - n.base), positive(n.base - n.acid)

    def step(state: tuple[Number, ...]) -> tuple[tuple[Number, ...], Number]:
        a, strength = state
        i = ions(m, a, strength, n, co2_held=co2_held)
        plus = i.hydrogen + i.ammonium + i.aminium + base
        minus = i.hydroxide + i.bicarbonate + 2.0 * i.carbonate + acid
        ammonia, amine = m.ka_ammonium * i.gamma, m.ka_amine * i.gamma
        plus_slope = i.hydrogen + i.ammonium * (ammonia / (a + ammonia)) + i.aminium * (amine / (a + amine))
        held = 0.0 if co2_held else i.mean_charge
        univalent_slope = i.hydroxide + i.bicarbonate * (1.0 - held)
        divalent_slope = 2.0 * i.carbonate * (2.0 - held)
        slope = plus_slope / plus + (univalent_slope + divalent_slope) / minus
        move = clip(log(minus / plus) / slope, -2.0, 2.0)
        # The ionic strength goes along with the move, else the loop would wait for it to follow.
        settled = ionic_strength(i, n)
        change = (0.5 * (plus_slope - univalent_slope) - divalent_slope) * move / settled
        settled = settled * (1.0 + clip(change, -0.5, 1.0))
        return (a * exp(move), settled), move * move + magnitude(settled - strength) / sqrt(settled)

    a, strength = iterate(
        step,
        (_first_guess(m, n, base - acid, co2_held=co2_held), positive(n.salt) + n.acid + n.base),
        tolerance=_STEP_TOLERANCE,
        most=_MOST_STEPS,
    )
    return a, strength


def _first_guess(m: Medium, n: Amounts, net_base: Number, *, co2_held: bool) -> Number:
    """Return a near H+ activity: a quadratic with the weak acid and base at the net strength's own pH."""
    a = root(1.0, net_base, m.kw)
    for _ in range(2):
        ratio = m.k1 / a
        weak = ratio * (1.0 + 2.0 * m.k2 / a)
        charge = n.carbonate * weak if co2_held else n.carbonate * weak / (1.0 + weak)
        bound = n.ammonia / (a + m.ka_ammonium) + n.amine / (a + m.ka_amine)
        a = root(1.0 + bound, net_base, m.kw + charge * a)
    return a


def root(square: Number, linear: Number, constant: Number) -> Number:
    """Return the positive root of square x² + linear x - constant, without cancellation."""
    size = magnitude(linear) + sqrt(linear * linear + 4.0 * square * constant)
    return where(linear > 0.0, 2.0 * constant / size, size / (2.0 * square))
