"""One unknown solute at a known H+ activity: charge balance is linear in it, so it needs no search."""

from typing import Final, NamedTuple

from quietcell.core.water._elementwise import Number, iterate, magnitude, positive, sqrt
from quietcell.core.water._mixture import Amounts, Ions, Medium, conductivity, ions
from quietcell.core.water.speciation import Solute
from quietcell.errors import DomainError

FIELD: Final[dict[str, str]] = {
    "total_carbonate": "carbonate",
    "ammonia": "ammonia",
    "strong_acid": "acid",
    "strong_base": "base",
}
ACIDS: Final = ("total_carbonate", "strong_acid")
"""Solutes that lower pH."""

_TOLERANCE: Final = 1e-13
_MOST_PASSES: Final = 12
"""Each pass of the ionic strength gains a factor of 1/(A √I), 60 or more below I = 1e-3 mol/kg."""


class Found(NamedTuple):
    """The unknown and the water it makes."""

    amount: Number
    """Amount of the unknown, mol/kg; negative where the background alone lies beyond this pH."""
    conductivity: Number
    ions: Ions
    amounts: Amounts


def admit_unknown(unknown: str) -> None:
    """Refuse a solute that is none of those pH can tell."""
    if unknown not in FIELD:
        raise DomainError(
            f"unknown = {unknown!r} is not a solute pH can tell", hint=f"use one of {', '.join(FIELD)}"
        )


def find(m: Medium, a: Number, background: Amounts, unknown: Solute) -> Found:
    """Return the amount of `unknown` that gives the background the H+ activity a, and the water it makes."""
    return _found(m, a, background, unknown, _strength(m, a, background, unknown))


def find_dilute(m: Medium, a: Number, background: Amounts, unknown: Solute) -> Found:
    """Return what `find` does without the forces between ions: at ionic strength zero."""
    return _found(m, a, background, unknown, 0.0)


def find_amount(m: Medium, a: Number, background: Amounts, unknown: Solute) -> Number:
    """Return the amount alone that `find` finds, mol/kg."""
    without = background._replace(**{FIELD[unknown]: 0.0})
    strength = _strength(m, a, background, unknown)
    return _balance(m, a, ions(m, a, strength, without), without, unknown)


def open_charge(i: Ions, n: Amounts) -> Number:
    """Return the positive less the negative charge of ions, mol/kg."""
    charge = (i.hydrogen - i.hydroxide) + i.ammonium + i.aminium + (n.base - n.acid)
    return charge - i.bicarbonate - 2.0 * i.carbonate


def _strength(m: Medium, a: Number, background: Amounts, unknown: Solute) -> Number:
    """Return the ionic strength that goes with the amount, found by repeated passes."""
    without = background._replace(**{FIELD[unknown]: 0.0})

    def step(state: tuple[Number, ...]) -> tuple[tuple[Number, ...], Number]:
        strength = state[0]
        i = ions(m, a, strength, without)
        # With charges balanced I is the charge of one sign, plus CO3-- and the salt: take the known sign.
        minus = i.hydroxide + i.bicarbonate + 2.0 * i.carbonate + without.acid
        plus = i.hydrogen + i.ammonium + i.aminium + without.base
        if unknown == "total_carbonate":
            ratio = m.k2 / (a * (i.gamma * i.gamma * i.gamma))
            known = plus + magnitude(plus - minus) * (ratio / (1.0 + 2.0 * ratio))
        else:
            known = (plus if unknown in ACIDS else minus) + i.carbonate
        settled = known + positive(without.salt)
        return (settled,), magnitude(settled - strength) / sqrt(settled)

    start = positive(without.salt) + (m.kw / a if unknown not in ACIDS else a)
    (strength,) = iterate(step, (start,), tolerance=_TOLERANCE, most=_MOST_PASSES)
    return strength


def _found(m: Medium, a: Number, background: Amounts, unknown: Solute, strength: Number) -> Found:
    without = background._replace(**{FIELD[unknown]: 0.0})
    amount = _balance(m, a, ions(m, a, strength, without), without, unknown)
    n = without._replace(**{FIELD[unknown]: amount})
    i = ions(m, a, strength, n)
    return Found(amount, conductivity(m, i, n, strength), i, n)


def _balance(m: Medium, a: Number, i: Ions, n: Amounts, unknown: Solute) -> Number:
    """Return the amount that closes the charge balance the others leave open."""
    charge = open_charge(i, n)
    if unknown == "total_carbonate":
        return charge / i.mean_charge
    if unknown == "ammonia":
        return -charge * ((a + m.ka_ammonium * i.gamma) / a)
    return charge if unknown == "strong_acid" else -charge
