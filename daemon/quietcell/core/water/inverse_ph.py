"""What is in the water, from its pH.

One solute is unknown, the rest (`background`) is known; the unknown's own field of the background is
ignored. From pH every unknown is unique.
"""

from numpy.typing import ArrayLike

from quietcell.core.constants import LN10
from quietcell.core.water._elementwise import (
    Number,
    OnInvalid,
    admit_ph,
    admit_temperature,
    by_rows,
    exp,
)
from quietcell.core.water._mixture import Amounts, medium
from quietcell.core.water._unknown import admit_unknown, find, find_amount
from quietcell.core.water.speciation import PURE_WATER, Composition, Solute, admit_composition


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
    admit_unknown(unknown)

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
