"""What is in the water, from its pH, its conductivity, or both.

One solute is unknown, the rest (`background`) is known; the unknown's own field of the background is
ignored. From pH every unknown is unique. From conductivity alone it is not: conductivity has one least
value (`least_conductivity`), and each value above it belongs to two waters, one on the acid and one on
the alkaline side of it. CO2 in ammoniated water first lowers the conductivity, then raises it.
"""

from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from quietcell.core.constants import LN10
from quietcell.core.water._elementwise import (
    Number,
    OnInvalid,
    admit,
    admit_conductivity,
    admit_ph,
    admit_temperature,
    by_rows,
    clip,
    crossing,
    exp,
    iterate,
    log,
    magnitude,
    sqrt,
    where,
)
from quietcell.core.water._mixture import Amounts, Medium, medium
from quietcell.core.water._unknown import ACIDS, FIELD, Solute, find, find_amount, find_dilute
from quietcell.core.water.speciation import PURE_WATER, Composition, admit_composition
from quietcell.errors import DomainError

__all__ = [
    "Fit",
    "LeastConductivity",
    "Side",
    "Solute",
    "amount_and_salt",
    "amount_from_both",
    "amount_from_conductivity",
    "amount_from_ph",
    "co2_fugacity_uatm_from_ph",
    "least_conductivity",
    "total_carbonate_from_conductivity",
    "total_carbonate_from_ph",
]

Side = Literal["acid", "alkaline"]
"""Which of the two waters of one conductivity is meant."""

_LN_A_LOW, _LN_A_HIGH = -11.0 * LN10, -3.0 * LN10
_NAN = float("nan")
_SLOPE_STEP = 1e-3


class Fit(NamedTuple):
    """One unknown from pH and conductivity together."""

    amount_mol_kg: Number
    """Best amount of the unknown, mol/kg."""
    amount_u_mol_kg: Number
    """Its standard uncertainty, mol/kg."""
    ph: Number
    """pH of the water with that amount."""
    chi_square: Number
    """Weighted sum of squares left, one degree of freedom: above 3.84 the two do not fit (95 %)."""


class LeastConductivity(NamedTuple):
    """The water of least conductivity, as the unknown varies."""

    conductivity_us_cm: Number
    ph: Number


def amount_from_ph(
    unknown: Solute,
    ph: ArrayLike,
    temperature_c: ArrayLike,
    background: Composition = PURE_WATER,
    *,
    on_invalid: OnInvalid = "raise",
) -> Number:
    """Return how much of one solute gives a water its pH.

    Parameters
    ----------
    unknown : {"total_carbonate", "ammonia", "strong_acid", "strong_base"}
        The solute sought.
    ph : array_like
        pH at the temperature of the water, 3..11.
    temperature_c : array_like
        Temperature, °C, 0..100.
    background : Composition
        All else that is dissolved.
    on_invalid : {"raise", "nan"}
        Raise for a value out of range, or give NaN in its row.

    Returns
    -------
    float or ndarray
        Amount, mol/kg. Negative where the background alone lies beyond this pH already: kept signed, so
        that noise round zero averages to zero.

    Raises
    ------
    DomainError
        If a value is out of range or not a number, shapes do not go together, or the unknown is not
        known.

    Notes
    -----
    At a known pH the charge balance of `speciation` is linear in the unknown: no search. For total
    carbonate ``C = (H + NH4 + base - OH - acid) / n``, n the mean charge of a carbonate molecule.
    Weakly determined where the unknown hardly moves pH (carbonate below pH 4).

    Source: `speciation.speciate`.

    Examples
    --------
    >>> round(1e6 * amount_from_ph("strong_base", 8.40, 25.0), 2)
    2.55
    """
    _known(unknown)

    def kernel(p: Number, t: Number, *amounts: Number) -> tuple[Number]:
        return (find_amount(medium(t, background.amine), exp(-LN10 * p), Amounts(*amounts), unknown),)

    amounts = admit_composition(background, on_invalid)
    return by_rows(kernel, admit_ph(ph, on_invalid), admit_temperature(temperature_c, on_invalid), *amounts)[
        0
    ]


def total_carbonate_from_ph(
    ph: ArrayLike,
    temperature_c: ArrayLike,
    background: Composition = PURE_WATER,
    *,
    on_invalid: OnInvalid = "raise",
) -> Number:
    """Return the total carbonate that gives a water its pH, mol/kg.

    Parameters
    ----------
    ph, temperature_c, background, on_invalid
        As for `amount_from_ph`.

    Returns
    -------
    float or ndarray
        Total carbonate, mol/kg, signed; times 44.01e6 it is µg of CO2 per kg.

    Raises
    ------
    DomainError
        As for `amount_from_ph`.

    Notes
    -----
    Source: `amount_from_ph`; Plummer and Busenberg (1982).

    Examples
    --------
    >>> round(1e6 * total_carbonate_from_ph(6.0, 25.0), 2)
    3.22
    """
    return amount_from_ph("total_carbonate", ph, temperature_c, background, on_invalid=on_invalid)


def co2_fugacity_uatm_from_ph(
    ph: ArrayLike,
    temperature_c: ArrayLike,
    background: Composition = PURE_WATER,
    *,
    on_invalid: OnInvalid = "raise",
) -> Number:
    """Return the CO2 fugacity of the gas a water of this pH would be in equilibrium with.

    Parameters
    ----------
    ph, temperature_c, background, on_invalid
        As for `amount_from_ph`.

    Returns
    -------
    float or ndarray
        Fugacity, µatm, signed as the carbonate is; outdoor air has about 400.

    Raises
    ------
    DomainError
        As for `amount_from_ph`.

    Notes
    -----
    ``f = CO2(aq) / KH``.

    Source: Plummer and Busenberg (1982).

    Examples
    --------
    >>> round(co2_fugacity_uatm_from_ph(5.598, 25.0))
    420
    """

    def kernel(p: Number, t: Number, *amounts: Number) -> tuple[Number]:
        m = medium(t, background.amine)
        found = find(m, exp(-LN10 * p), Amounts(*amounts), "total_carbonate")
        return (1e6 * found.ions.co2 / m.kh,)

    amounts = admit_composition(background, on_invalid)
    return by_rows(kernel, admit_ph(ph, on_invalid), admit_temperature(temperature_c, on_invalid), *amounts)[
        0
    ]


def least_conductivity(
    unknown: Solute,
    temperature_c: ArrayLike,
    background: Composition = PURE_WATER,
    *,
    on_invalid: OnInvalid = "raise",
) -> LeastConductivity:
    """Return the least conductivity a background can have as one solute varies, and its pH.

    Parameters
    ----------
    unknown, temperature_c, background, on_invalid
        As for `amount_from_ph`.

    Returns
    -------
    LeastConductivity
        Conductivity, µS/cm, and pH, of the water that divides the acid from the alkaline side.

    Raises
    ------
    DomainError
        As for `amount_from_ph`.

    Notes
    -----
    In pure water the least lies a little beyond pure water itself, where the amount is negative: for
    carbonate 10 % lower in conductivity, at pH 7.2. In 1e-6 mol/kg of ammonia the first CO2 takes the
    conductivity down by a quarter.

    Source: `speciation.conductivity_us_cm`.

    Examples
    --------
    >>> least = least_conductivity("total_carbonate", 25.0, Composition(ammonia_mol_kg=1e-6))
    >>> round(least.conductivity_us_cm, 3), round(least.ph, 2)
    (0.166, 7.21)
    """
    _known(unknown)

    def kernel(t: Number, *amounts: Number) -> tuple[Number, Number]:
        m, n = medium(t, background.amine), Amounts(*amounts)
        x = _least(m, n, unknown)
        return find(m, exp(x), n, unknown).conductivity, x / -LN10

    amounts = admit_composition(background, on_invalid)
    return LeastConductivity(*by_rows(kernel, admit_temperature(temperature_c, on_invalid), *amounts))


def amount_from_conductivity(
    unknown: Solute,
    conductivity_us_cm: ArrayLike,
    temperature_c: ArrayLike,
    background: Composition = PURE_WATER,
    *,
    side: Side | None = None,
    on_invalid: OnInvalid = "raise",
) -> Number:
    """Return how much of one solute gives a water its conductivity.

    Parameters
    ----------
    unknown : {"total_carbonate", "ammonia", "strong_acid", "strong_base"}
        The solute sought.
    conductivity_us_cm : array_like
        Conductivity at the temperature of the water, µS/cm, 0..1000.
    temperature_c, background : array_like, Composition
        As for `amount_from_ph`.
    side : {"acid", "alkaline"}, optional
        Which of the two waters of this conductivity; by default the one with more of the unknown.
    on_invalid : {"raise", "nan"}
        Raise where no amount fits, or give NaN there.

    Returns
    -------
    float or ndarray
        Amount, mol/kg, signed as in `amount_from_ph`.

    Raises
    ------
    DomainError
        As for `amount_from_ph`; also where the conductivity lies below `least_conductivity` or above
        what pH 3..11 can bring.

    Notes
    -----
    Root of ``κ(pH) = κ`` on one side of the least conductivity, the amount being explicit at each pH.
    Not identifiable: which side is right; near the least value the amount is uncertain by the square
    root of the conductivity's error; acid and carbonate can not be told apart.

    Source: `speciation.conductivity_us_cm`.

    Examples
    --------
    >>> round(1e6 * amount_from_conductivity("total_carbonate", 0.9913, 25.0), 1)
    16.7
    """
    _known(unknown)
    acid_side = (unknown in ACIDS) if side is None else side == "acid"
    far = _LN_A_HIGH if acid_side else _LN_A_LOW

    def kernel(wanted: Number, t: Number, *amounts: Number) -> tuple[Number]:
        m, n = medium(t, background.amine), Amounts(*amounts)
        least = _least(m, n, unknown)
        bottom = find(m, exp(least), n, unknown).conductivity
        end = far + 0.0 * least
        top = find(m, exp(end), n, unknown).conductivity
        possible = (wanted >= bottom) & (wanted <= top)
        target = where(possible, wanted, bottom)

        def excess(x: Number) -> Number:
            return log(find(m, exp(x), n, unknown).conductivity / target)

        x = crossing(excess, least, end)
        return (where(possible, find(m, exp(x), n, unknown).amount, _NAN),)

    wanted = admit_conductivity(conductivity_us_cm, on_invalid)
    amounts = admit_composition(background, on_invalid)
    amount = by_rows(kernel, wanted, admit_temperature(temperature_c, on_invalid), *amounts)[0]
    if on_invalid == "raise":
        _refuse_impossible(amount, wanted, unknown)
    return amount


def total_carbonate_from_conductivity(
    conductivity_us_cm: ArrayLike,
    temperature_c: ArrayLike,
    background: Composition = PURE_WATER,
    *,
    side: Side | None = None,
    on_invalid: OnInvalid = "raise",
) -> Number:
    """Return the total carbonate that gives a water its conductivity, mol/kg.

    Parameters
    ----------
    conductivity_us_cm, temperature_c, background, side, on_invalid
        As for `amount_from_conductivity`.

    Returns
    -------
    float or ndarray
        Total carbonate, mol/kg, signed.

    Raises
    ------
    DomainError
        As for `amount_from_conductivity`.

    Notes
    -----
    Source: `amount_from_conductivity`.

    Examples
    --------
    >>> round(1e6 * total_carbonate_from_conductivity(0.06, 25.0), 3)
    0.044
    """
    return amount_from_conductivity(
        "total_carbonate", conductivity_us_cm, temperature_c, background, side=side, on_invalid=on_invalid
    )


def amount_and_salt(
    unknown: Solute,
    ph: ArrayLike,
    conductivity_us_cm: ArrayLike,
    temperature_c: ArrayLike,
    background: Composition = PURE_WATER,
    *,
    on_invalid: OnInvalid = "raise",
) -> tuple[Number, Number]:
    """Return one solute from pH and the neutral salt that explains the conductivity left over.

    Parameters
    ----------
    unknown, ph, temperature_c, background, on_invalid
        As for `amount_from_ph`; the background's salt is ignored.
    conductivity_us_cm : array_like
        Conductivity at the temperature of the water, µS/cm, 0..1000.

    Returns
    -------
    amount, salt : float or ndarray
        Both mol/kg and signed. A negative salt says that the pH asks for more conductivity than there is.

    Raises
    ------
    DomainError
        As for `amount_from_ph`.

    Notes
    -----
    ``salt = (κ - κ(pH, amount)) / (1000 d (λ_Na + λ_Cl))``, repeated as the ionic strength follows.

    Source: `speciation.conductivity_us_cm`.

    Examples
    --------
    >>> amount, salt = amount_and_salt("total_carbonate", 6.0, 1.0, 25.0)
    >>> round(1e6 * amount, 2), round(1e6 * salt, 2)
    (3.22, 4.81)
    """
    _known(unknown)

    def kernel(p: Number, wanted: Number, t: Number, *amounts: Number) -> tuple[Number, Number]:
        m, n = medium(t, background.amine), Amounts(*amounts)
        a = exp(-LN10 * p)
        per_salt = 1000.0 * m.density_kg_l * (m.sodium + m.chloride)
        salt: Number = 0.0
        for _ in range(_SALT_PASSES):
            found = find(m, a, n._replace(salt=salt), unknown)
            salt = salt + (wanted - found.conductivity) / per_salt
        return find(m, a, n._replace(salt=salt), unknown).amount, salt

    p, wanted = admit_ph(ph, on_invalid), admit_conductivity(conductivity_us_cm, on_invalid)
    amounts = admit_composition(background, on_invalid)
    amount, salt = by_rows(kernel, p, wanted, admit_temperature(temperature_c, on_invalid), *amounts)
    return amount, salt


_SALT_PASSES = 8


def amount_from_both(
    unknown: Solute,
    ph: ArrayLike,
    conductivity_us_cm: ArrayLike,
    temperature_c: ArrayLike,
    background: Composition = PURE_WATER,
    *,
    ph_u: ArrayLike,
    conductivity_rel_u: ArrayLike,
    on_invalid: OnInvalid = "raise",
) -> Fit:
    """Return one solute from pH and conductivity together, by weighted least squares.

    Parameters
    ----------
    unknown, ph, temperature_c, background, on_invalid
        As for `amount_from_ph`.
    conductivity_us_cm : array_like
        Conductivity at the temperature of the water, µS/cm, 0..1000.
    ph_u : array_like
        Standard uncertainty of the pH, 1e-4..3.
    conductivity_rel_u : array_like
        Relative standard uncertainty of the conductivity, 1e-4..1.

    Returns
    -------
    Fit
        Amount with its standard uncertainty, the pH that goes with it, and chi square.

    Raises
    ------
    DomainError
        As for `amount_from_ph`, also for an uncertainty out of range.

    Notes
    -----
    Least ``[(pH - p)/u]² + [ln(κ/κ(p))/u_r]²`` over p by Gauss-Newton steps of at most 0.3, from the
    measured pH; ``u(amount) = |dC/dp| [1/u² + (d ln κ/dp)²/u_r²]^-0.5``. The start decides the side where
    conductivity alone leaves two.

    Source: speciation as in `speciation.speciate`; GUM (JCGM 100), section 5, for the uncertainty.

    Examples
    --------
    >>> fit = amount_from_both("total_carbonate", 6.02, 0.395, 25.0, ph_u=0.03, conductivity_rel_u=0.02)
    >>> round(1e6 * fit.amount_mol_kg, 2), round(1e6 * fit.amount_u_mol_kg, 2), round(fit.chi_square, 1)
    (3.2, 0.11, 0.4)
    """
    _known(unknown)

    def kernel(
        p_seen: Number, seen: Number, t: Number, u: Number, u_rel: Number, *amounts: Number
    ) -> tuple[Number, ...]:
        m, n = medium(t, background.amine), Amounts(*amounts)
        log_seen = log(seen)

        def at(p: Number) -> tuple[Number, Number]:
            found = find(m, exp(-LN10 * p), n, unknown)
            return log(found.conductivity), found.amount

        def step(state: tuple[Number, ...]) -> tuple[tuple[Number, ...], Number]:
            p = state[0]
            here, amount = at(p)
            (up, more), (down, less) = at(p + _SLOPE_STEP), at(p - _SLOPE_STEP)
            slope = (up - down) / (2.0 * _SLOPE_STEP)
            weight = 1.0 / (u * u) + slope * slope / (u_rel * u_rel)
            pull = (p_seen - p) / (u * u) + slope * (log_seen - here) / (u_rel * u_rel)
            move = clip(pull / weight, -0.3, 0.3)
            chi = ((p_seen - p) / u) * ((p_seen - p) / u) + ((log_seen - here) / u_rel) * (
                (log_seen - here) / u_rel
            )
            spread = magnitude(more - less) / (2.0 * _SLOPE_STEP) / sqrt(weight)
            return (p + move, amount, spread, chi), move

        start = (p_seen, 0.0 * p_seen, 0.0 * p_seen, 0.0 * p_seen)
        p, _, spread, chi = iterate(step, start, tolerance=1e-10, most=60)
        return at(p)[1], spread, p, chi

    p = admit_ph(ph, on_invalid)
    seen = admit(conductivity_us_cm, "conductivity_us_cm", "µS/cm", 1e-3, 1000.0, on_invalid)
    u = admit(ph_u, "ph_u", "", 1e-4, 3.0, on_invalid)
    u_rel = admit(conductivity_rel_u, "conductivity_rel_u", "", 1e-4, 1.0, on_invalid)
    amounts = admit_composition(background, on_invalid)
    return Fit(*by_rows(kernel, p, seen, admit_temperature(temperature_c, on_invalid), u, u_rel, *amounts))


def _known(unknown: str) -> None:
    if unknown not in FIELD:
        raise DomainError(
            f"unknown = {unknown!r} is not a solute pH can tell", hint=f"use one of {', '.join(FIELD)}"
        )


def _least(m: Medium, n: Amounts, unknown: Solute) -> Number:
    """Return ln a of the least conductivity: where its slope, at the dilute limit, changes sign."""

    def slope(x: Number) -> Number:
        up = find_dilute(m, exp(x + _SLOPE_STEP), n, unknown).conductivity
        return up - find_dilute(m, exp(x - _SLOPE_STEP), n, unknown).conductivity

    # Zeros of the rows' own shape: a search starts with one number per row.
    zero = 0.0 * (m.kw + n.carbonate + n.ammonia + n.acid + n.base + n.salt + n.amine)
    return crossing(slope, _LN_A_LOW + zero, _LN_A_HIGH + zero)


def _refuse_impossible(amount: Number, wanted: Number, unknown: str) -> None:
    bad = np.isnan(amount)
    if np.any(bad):
        shown = np.broadcast_to(wanted, np.shape(bad))[bad].ravel()[0]
        raise DomainError(
            f"conductivity_us_cm = {shown:g} µS/cm is what no amount of {unknown} can bring at pH 3..11",
            hint='check the background and temperature, see least_conductivity, or use on_invalid="nan"',
        )
