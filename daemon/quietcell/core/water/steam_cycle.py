"""pH of ammoniated water from its conductivity, for comparison with the electrode.

In the water of a steam cycle one alkali carries nearly all the conductivity, and conductivity is the
better measured of the two: 1 % in conductivity is 0.005 in pH. Where the conductivity after a cation
exchanger is known too, the anions it shows are taken off.
"""

from dataclasses import replace
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike

from quietcell.core.water._elementwise import Number, OnInvalid
from quietcell.core.water.inverse_conductivity import amount_from_conductivity
from quietcell.core.water.speciation import (
    PURE_WATER,
    Composition,
    solve_ph,
)
from quietcell.core.water.speciation import (
    conductivity_us_cm as conductivity_of,
)
from quietcell.errors import DomainError

Alkali = Literal["ammonia", "strong_base"]
"""The alkali dosed: ammonia, or sodium hydroxide."""
Anion = Literal["strong_acid", "total_carbonate"]
"""What the exchanged water is taken to hold: chloride and the like, or carbonic acid."""


def ph_from_conductivity(
    conductivity_us_cm: ArrayLike,
    temperature_c: ArrayLike,
    *,
    exchanged_us_cm: ArrayLike | None = None,
    alkali: Alkali = "ammonia",
    anion: Anion = "strong_acid",
    on_invalid: OnInvalid = "raise",
) -> Number:
    """Return the pH of alkaline water from its conductivity, at its own temperature.

    Parameters
    ----------
    conductivity_us_cm : array_like
        Conductivity of the sample at its temperature, µS/cm, 0..1000.
    temperature_c : array_like
        Temperature of both conductivities, °C, 0..100.
    exchanged_us_cm : array_like, optional
        Conductivity after the cation exchanger, µS/cm; at most pure water's: no anions.
    alkali : {"ammonia", "strong_base"}
        What is dosed.
    anion : {"strong_acid", "total_carbonate"}
        What the exchanged water holds.
    on_invalid : {"raise", "nan"}
        Raise for a value out of range, or give NaN in its row.

    Returns
    -------
    float or ndarray
        pH at `temperature_c`.

    Raises
    ------
    DomainError
        If a value is out of range or not a number, shapes do not go together, a name is not known, or no
        amount of alkali gives the conductivity (the sample is not alkaline).

    Notes
    -----
    Two inverses: anions from the exchanged water, where they stand as acid; alkali from the sample with
    those anions as background. Good from pH 8 to 10.5, where the exchanged water shows less than a
    third of the conductivity. Where carbon dioxide is the anion, choose it: taken for chloride it reads
    some hundredths high. Not for water with much salt.

    Source: `inverse_conductivity.amount_from_conductivity`; the method is that of ASTM D5128's conductivity
    check and of the IAPWS technical guidance TGD6-13 on alkalised cycles.

    Examples
    --------
    >>> round(ph_from_conductivity(4.23, 25.0), 2)
    9.19
    >>> round(ph_from_conductivity(4.23, 25.0, exchanged_us_cm=0.3), 2)
    9.18
    """
    if alkali not in get_args(Alkali):
        raise DomainError(
            f"alkali = {alkali!r} is not known", hint=f"use one of {', '.join(get_args(Alkali))}"
        )
    if anion not in get_args(Anion):
        raise DomainError(f"anion = {anion!r} is not known", hint=f"use one of {', '.join(get_args(Anion))}")
    background = PURE_WATER
    if exchanged_us_cm is not None:
        background = _background(exchanged_us_cm, temperature_c, anion, on_invalid)
    amount = amount_from_conductivity(
        alkali, conductivity_us_cm, temperature_c, background, side="alkaline", on_invalid=on_invalid
    )
    if alkali == "ammonia":
        water = replace(background, ammonia_mol_kg=amount)
    else:
        water = replace(background, strong_base_mol_kg=amount)
    return solve_ph(water, temperature_c, on_invalid=on_invalid)


def _background(
    exchanged_us_cm: ArrayLike, temperature_c: ArrayLike, anion: Anion, on_invalid: OnInvalid
) -> Composition:
    """Return the anions of the sample, from the water behind the exchanger."""
    pure = conductivity_of(PURE_WATER, temperature_c, on_invalid=on_invalid)
    seen = np.maximum(np.asarray(exchanged_us_cm, np.float64), pure)
    amount = np.maximum(amount_from_conductivity(anion, seen, temperature_c, on_invalid=on_invalid), 0.0)
    if anion == "strong_acid":
        return Composition(strong_acid_mol_kg=amount)
    return Composition(total_carbonate_mol_kg=amount)
