"""What is in the water, from its conductivity.

One solute is unknown, the rest (`background`) is known; the unknown's own field of the background is
ignored. From conductivity alone the unknown is not unique: conductivity has one least value
(`least_conductivity`), and each value above it belongs to two waters, one on the acid and one on the
alkaline side of it. CO2 in ammoniated water first lowers the conductivity, then raises it.
"""

from typing import Any, Literal, NamedTuple, get_args

import numpy as np
from numpy.typing import ArrayLike

from quietcell.core.constants import LN10
from quietcell.core.water._elementwise import (
    Number,
    OnInvalid,
    admit_conductivity,
    admit_temperature,
    by_rows,
    crossing,
    exp,
    log,
    where,
)
from quietcell.core.water._mixture import Amounts, Medium, medium
from quietcell.core.water._unknown import ACIDS, admit_unknown, find, find_dilute
from quietcell.core.water.speciation import PURE_WATER, Composition, Solute, admit_composition
from quietcell.core.water.speciation import conductivity_us_cm as conductivity_of
from quietcell.errors import DomainError

Side = Literal["acid", "alkaline"]
"""Which of the two waters of one conductivity is meant."""

_LN_A_LOW, _LN_A_HIGH = -11.0 * LN10, -3.0 * LN10
_NAN = float("nan")
_SLOPE_STEP = 1e-3
"""Of ln a."""


class LeastConductivity(NamedTuple):
    """The water of least conductivity, as the unknown varies."""

    conductivity_us_cm: Number
    ph: Number


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
        As for `inverse_ph.amount_from_ph`.

    Returns
    -------
    LeastConductivity
        Conductivity, µS/cm, and pH, of the water that divides the acid from the alkaline side.

    Raises
    ------
    DomainError
        As for `inverse_ph.amount_from_ph`.

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
    admit_unknown(unknown)

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
        As for `inverse_ph.amount_from_ph`.
    side : {"acid", "alkaline"}, optional
        Which of the two waters of this conductivity; by default the one with more of the unknown.
    on_invalid : {"raise", "nan"}
        Raise where no amount fits, or give NaN there.

    Returns
    -------
    float or ndarray
        Amount, mol/kg, signed as in `inverse_ph.amount_from_ph`.

    Raises
    ------
    DomainError
        As for `inverse_ph.amount_from_ph`; also where the conductivity lies below `least_conductivity` or
        above what pH 3..11 can bring.

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
    admit_unknown(unknown)
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


def most_conductivity_at(conductivity_us_cm: float, measured_at_c: float, temperature_c: float) -> float:
    """Return the most a water may conduct at another temperature, whatever acid or alkali it holds.

    Parameters
    ----------
    conductivity_us_cm : float
        As measured, µS/cm, 0..1000.
    measured_at_c, temperature_c : float
        Temperature then, and the one asked for, °C, 0..100.

    Returns
    -------
    float
        µS/cm; NaN where no acid or alkali gives what was measured, or a value is out of range.

    Notes
    -----
    Hot water that is cooled keeps the more of its conductivity the more of it H+ and OH- carry: twice what a
    salt (`reference25.conductivity_at`) keeps from 80 to 25 °C. A mixture lies between.

    Source: `amount_from_conductivity`, `speciation.conductivity_us_cm`.

    Examples
    --------
    >>> round(most_conductivity_at(1.0, 80.0, 25.0), 2)
    0.54
    """
    found = [_NAN]
    for unknown in get_args(Solute):
        amount = amount_from_conductivity(unknown, conductivity_us_cm, measured_at_c, on_invalid="nan")
        solute: dict[str, Any] = {f"{unknown}_mol_kg": max(float(amount), 0.0)}
        found.append(float(conductivity_of(Composition(**solute), temperature_c, on_invalid="nan")))
    return float(np.nanmax(found)) if np.isfinite(found).any() else _NAN


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
