"""Carbon dioxide that has just come in: how far it has turned to ions at a given age of the sample.

Dissolved CO2 becomes carbonic acid slowly. Until it has, pH and conductivity see only the part that has
turned: the water looks exactly like settled water with less carbonate in it, its *apparent* carbonate.
"""

from typing import Final, Literal

from numpy.typing import ArrayLike

from quietcell.core.constants import LN10, ZERO_CELSIUS_K
from quietcell.core.water._elementwise import (
    Number,
    OnInvalid,
    admit,
    admit_temperature,
    by_rows,
    clip,
    crossing,
    exp,
    log,
    where,
)
from quietcell.core.water._mixture import Amounts, Medium, ions, medium, solve
from quietcell.core.water.solvent import activity_coefficient
from quietcell.core.water.speciation import MOST_MOL_KG, PURE_WATER, Composition, admit_composition
from quietcell.errors import DomainError

RateSource = Literal["soli-byrne-2002", "pinsent-1956"]
"""Whose rate constant: 0.030 or 0.026 per second at 25 °C."""

_STEPS: Final = 12
_FASTEST_PER_S: Final = 1e7
_SETTLED: Final = 18.0
"""Natural logarithm of the remaining fraction at which the approach is taken as exponential."""
_LEAST_MOVE: Final = 1e-9


def hydration_rate_per_s(
    temperature_c: ArrayLike, *, source: RateSource = "soli-byrne-2002", on_invalid: OnInvalid = "raise"
) -> Number:
    """Return the rate constant of CO2 + H2O -> HCO3- + H+.

    Parameters
    ----------
    temperature_c : array_like
        Temperature, °C, 0..100.
    source : {"soli-byrne-2002", "pinsent-1956"}
        Whose measurement.
    on_invalid : {"raise", "nan"}
        Raise for a bad temperature, or give NaN in its place.

    Returns
    -------
    float or ndarray
        First-order rate constant, 1/s. Published values at 25 °C lie between 0.026 and 0.037: take
        20 % as its standard uncertainty.

    Raises
    ------
    DomainError
        If a temperature is outside 0..100 °C or not a number, or the source is not known.

    Notes
    -----
    ``ln k = 22.66 - 7799/T`` (15..32.5 °C, 0.65 mol/kg NaCl), or ``log10 k = 329.850 - 110.541 log10 T -
    17265.4/T`` (0..38 °C); beyond that extrapolated.

    Source: A. L. Soli, R. H. Byrne, Mar. Chem. 78 (2002) 65; B. R. W. Pinsent, L. Pearson, F. J. W.
    Roughton, Trans. Faraday Soc. 52 (1956) 1512.

    Examples
    --------
    >>> round(hydration_rate_per_s(25.0), 3), round(hydration_rate_per_s(25.0, source="pinsent-1956"), 3)
    (0.03, 0.026)
    """
    _known(source)
    return by_rows(lambda t: (_rate(t, source),), admit_temperature(temperature_c, on_invalid))[0]


def apparent_carbonate(
    added_co2_mol_kg: ArrayLike,
    sample_age_s: ArrayLike,
    temperature_c: ArrayLike,
    background: Composition = PURE_WATER,
    *,
    source: RateSource = "soli-byrne-2002",
    on_invalid: OnInvalid = "raise",
) -> Number:
    """Return the total carbonate that pH and conductivity show some time after CO2 has come in.

    Parameters
    ----------
    added_co2_mol_kg : array_like
        CO2 that came in as gas at age zero, mol/kg, 0..0.1.
    sample_age_s : array_like
        Time since then, s, 0..1e6.
    temperature_c : array_like
        Temperature, °C, 0..100.
    background : Composition
        The water before, settled; its carbonate counts in the result.
    source : {"soli-byrne-2002", "pinsent-1956"}
        Whose rate constant.
    on_invalid : {"raise", "nan"}
        Raise for a value out of range, or give NaN in its row.

    Returns
    -------
    float or ndarray
        Apparent total carbonate, mol/kg: give it to `speciation.speciate` for pH and conductivity at
        that age. It runs from the background's carbonate to that plus `added_co2_mol_kg`.

    Raises
    ------
    DomainError
        If a value is out of range or not a number, shapes do not go together, or the source is not known.

    Notes
    -----
    ``d(HCO3 + CO3)/dt = (k + k_OH OH) (CO2 - CO2 at equilibrium with the ions)``, protons and ammonia
    following at once; ``log10 k_OH = 13.635 - 2895/T`` in kg/(mol s) counts above pH 8 only. Integrated in
    the logarithm of the distance of ln H from its end value, where the equation is not stiff, by twelve
    Runge-Kutta steps; good to 0.1 % of the added CO2.

    Source: Soli and Byrne (2002) or Pinsent, Pearson and Roughton (1956), the latter for k_OH.

    Examples
    --------
    20 µg/kg of CO2 in clean water, ten seconds old, look like 7:

    >>> round(44.0095e6 * apparent_carbonate(20e-6 / 44.0095, 10.0, 25.0), 1)
    7.0
    """
    _known(source)

    def kernel(added: Number, age: Number, t: Number, *amounts: Number) -> tuple[Number]:
        return (
            _apparent(
                medium(t, background.amine),
                _rate(t, source),
                _rate_hydroxide(t),
                added,
                age,
                Amounts(*amounts),
            ),
        )

    return by_rows(
        kernel,
        admit(added_co2_mol_kg, "added_co2_mol_kg", "mol/kg", 0.0, MOST_MOL_KG, on_invalid),
        admit(sample_age_s, "sample_age_s", "s", 0.0, 1e6, on_invalid),
        admit_temperature(temperature_c, on_invalid),
        *admit_composition(background, on_invalid),
    )[0]


def added_co2(
    apparent_carbonate_mol_kg: ArrayLike,
    sample_age_s: ArrayLike,
    temperature_c: ArrayLike,
    background: Composition = PURE_WATER,
    *,
    source: RateSource = "soli-byrne-2002",
    on_invalid: OnInvalid = "raise",
) -> Number:
    """Return the CO2 that must have come in for the carbonate that pH or conductivity shows.

    Parameters
    ----------
    apparent_carbonate_mol_kg : array_like
        Total carbonate as an inverse gives it from pH or conductivity, mol/kg, -0.1..0.1.
    sample_age_s : array_like
        Time since the CO2 came in, s, 0.1..1e6.
    temperature_c, background, source, on_invalid
        As for `apparent_carbonate`.

    Returns
    -------
    float or ndarray
        Added CO2, mol/kg; 0 where no more carbonate shows than the background holds.

    Raises
    ------
    DomainError
        As for `apparent_carbonate`.

    Notes
    -----
    Root of `apparent_carbonate`, which rises with the CO2 added. A scalar takes a few milliseconds.

    Source: `apparent_carbonate`.

    Examples
    --------
    >>> round(44.0095e6 * added_co2(7.0e-6 / 44.0095, 10.0, 25.0), 0)
    20.0
    """
    _known(source)

    def kernel(shown: Number, age: Number, t: Number, *amounts: Number) -> tuple[Number]:
        m, n = medium(t, background.amine), Amounts(*amounts)
        k, k_hydroxide = _rate(t, source), _rate_hydroxide(t)
        more = shown - n.carbonate
        some = where(more > 0.0, more, 1e-9)
        x_begin = log(solve(m, n)[0])  # the same for every amount tried

        def excess(x: Number) -> Number:
            return (_apparent(m, k, k_hydroxide, some * exp(x), age, n, x_begin) - n.carbonate) / some - 1.0

        zero = 0.0 * (m.kw + some + age)
        factor = exp(crossing(excess, zero - 1e-6, zero + log(MOST_MOL_KG / some)))
        return (where(more > 0.0, some * factor, 0.0 * more),)

    return by_rows(
        kernel,
        admit(apparent_carbonate_mol_kg, "apparent_carbonate_mol_kg", "mol/kg", -0.1, 0.1, on_invalid),
        admit(sample_age_s, "sample_age_s", "s", 0.1, 1e6, on_invalid),
        admit_temperature(temperature_c, on_invalid),
        *admit_composition(background, on_invalid),
    )[0]


def _known(source: str) -> None:
    if source not in ("soli-byrne-2002", "pinsent-1956"):
        raise DomainError(f"source = {source!r} is not known", hint="use soli-byrne-2002 or pinsent-1956")


def _rate(t: Number, source: RateSource) -> Number:
    t_k = t + ZERO_CELSIUS_K
    if source == "soli-byrne-2002":
        return exp(22.66 - 7799.0 / t_k)
    return exp(LN10 * (329.850 - 17265.4 / t_k) - 110.541 * log(t_k))


def _rate_hydroxide(t: Number) -> Number:
    return exp(LN10 * (13.635 - 2895.0 / (t + ZERO_CELSIUS_K)))


def _apparent(
    m: Medium,
    k: Number,
    k_hydroxide: Number,
    added: Number,
    age: Number,
    n: Amounts,
    x_begin: Number | None = None,
) -> Number:
    """Return the apparent carbonate; the kernel of `apparent_carbonate`.

    `x_begin` is ln of the H+ activity of the background, where it is known.
    """
    after = n._replace(carbonate=n.carbonate + added)
    a_end, strength = solve(m, after)
    x_end = log(a_end)
    whole = x_end - (log(solve(m, n)[0]) if x_begin is None else x_begin)
    least = where(whole > _LEAST_MOVE, whole, _LEAST_MOVE)
    bare = n._replace(carbonate=0.0)
    gamma = activity_coefficient(m.slope, strength)

    def pace(gone: Number) -> Number:
        """Return the rate at which -ln(distance) grows, 1/s."""
        distance = least * exp(-clip(gone, 0.0, _SETTLED))
        hydrogen, hydroxide, charge, slope = _carbonate_charge(m, exp(x_end - distance), gamma, bare)
        ratio = m.k2 / (hydrogen * gamma * gamma * gamma * gamma)
        share = 1.0 / (1.0 + 2.0 * ratio)
        bicarbonate = charge * share
        turned = bicarbonate * (1.0 + ratio)
        turned_slope = slope * share * (1.0 + ratio) + bicarbonate * share * ratio
        settled = hydrogen * gamma * gamma * bicarbonate / m.k1
        speed = (k + k_hydroxide * hydroxide) * (after.carbonate - turned - settled)
        return clip(speed / (turned_slope * distance), 0.0, _FASTEST_PER_S)

    step = age / _STEPS
    gone: Number = 0.0 * whole
    for _ in range(_STEPS):
        first = pace(gone)
        second = pace(gone + 0.5 * step * first)
        third = pace(gone + 0.5 * step * second)
        fourth = pace(gone + step * third)
        gone = gone + step / 6.0 * (first + 2.0 * second + 2.0 * third + fourth)
    a_shown = exp(x_end - whole * exp(-clip(gone, 0.0, 700.0)))
    return _carbonate_charge(m, a_shown, gamma, bare)[2] / ions(m, a_shown, strength, bare).mean_charge


def _carbonate_charge(
    m: Medium, a: Number, gamma: Number, bare: Amounts
) -> tuple[Number, Number, Number, Number]:
    """Return H+, OH-, the charge left for carbonate to carry, mol/kg, and its slope against ln a."""
    hydrogen, hydroxide = a / gamma, m.kw / (a * gamma)
    ammonia, amine = m.ka_ammonium * gamma, m.ka_amine * gamma
    ammonium, aminium = bare.ammonia * (a / (a + ammonia)), bare.amine * (a / (a + amine))
    charge = (hydrogen - hydroxide) + ammonium + aminium + (bare.base - bare.acid)
    slope = ammonium * (ammonia / (a + ammonia)) + aminium * (amine / (a + amine))
    return hydrogen, hydroxide, charge, slope + hydrogen + hydroxide
