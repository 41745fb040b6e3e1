"""The pH that conductivity and temperature allow.

Every H+ or OH- beyond pure water's own carries current, and so does the ion of opposite charge it
needs. A conductivity therefore leaves pH an interval, whatever is dissolved; a pH outside it
contradicts the conductivity.
"""

from typing import Final, Literal, NamedTuple

from numpy.typing import ArrayLike

from quietcell.core.constants import LN10
from quietcell.core.water._elementwise import (
    Mask,
    Number,
    OnInvalid,
    admit,
    admit_conductivity,
    admit_temperature,
    by_rows,
    clip,
    log,
    positive,
    sqrt,
    where,
)
from quietcell.core.water._mixture import ION_SIZE, Medium, medium
from quietcell.core.water.solvent import activity_coefficient
from quietcell.errors import DomainError

Alkali = Literal["sodium", "amine"]
"""The slowest cation that may stand against OH-: sodium, or the cation of an amine."""

_SLOWEST_ANION_25C: Final = 40.9
"""Acetate, the slowest anion likely in purified water (bicarbonate: 44.5), S cm²/mol. CRC Handbook; value
from memory."""
_SLOWEST_AMINE_25C: Final = 34.3
"""Triethylammonium, a slow protonated amine, S cm²/mol. CRC Handbook; value from memory."""
_BICARBONATE_25C: Final = 44.5
_SODIUM_25C: Final = 50.08
_PASSES: Final = 5
_COVERAGE_FACTOR: Final = 2.0
_LEAST_US_CM: Final = 1e-9
"""Less is the same water, and 0 could not be divided by."""


class AllowedPh(NamedTuple):
    """Interval of pH; floats, or arrays of one shape."""

    low: Number
    high: Number
    below_pure_water: Mask
    """The conductivity is less than pure water has, beyond the uncertainties: its reading cannot be right.
    The interval is then the neutral pH alone."""


def allowed_ph_interval(
    conductivity_us_cm: ArrayLike,
    temperature_c: ArrayLike,
    *,
    conductivity_rel_u: ArrayLike = 0.0,
    temperature_u_c: ArrayLike = 0.0,
    alkali: Alkali = "sodium",
    on_invalid: OnInvalid = "raise",
) -> AllowedPh:
    """Return the lowest and highest pH that a conductivity and temperature allow.

    Parameters
    ----------
    conductivity_us_cm : array_like
        Conductivity at the temperature of the water, µS/cm, 0..1000.
    temperature_c : array_like
        Temperature, °C, 0..100.
    conductivity_rel_u : array_like
        Relative standard uncertainty of the conductivity, 0..0.5.
    temperature_u_c : array_like
        Standard uncertainty of the temperature, °C, 0..10.
    alkali : {"sodium", "amine"}
        Slowest cation that may be there; amines widen the alkaline side by 0.03.
    on_invalid : {"raise", "nan"}
        Raise for a value out of range, or give NaN in its row.

    Returns
    -------
    AllowedPh
        Lowest and highest pH, widened by twice each uncertainty, and whether even pure water would
        conduct more.

    Raises
    ------
    DomainError
        If a value is out of range or not a number, or shapes do not go together.

    Notes
    -----
    At a given pH the least conductivity has only one ion against the excess H+ or OH-, and a slow one:
    ``κ/(1000 d) = (λ_H + λ_A) h + (λ_OH - λ_A) Kw/h`` on the acid side (A acetate), and
    ``κ/(1000 d) = (λ_OH + λ_C) o + (λ_H - λ_C) Kw/o`` on the alkaline side (C sodium), o = OH-. Both are
    quadratics; water's own ions are in them. Activity and Onsager corrections follow the ionic strength.
    The ends are taken over κ (1 + 2 u) at the temperature and at both ends of its uncertainty.

    Source: conductances as `conductance.limiting_conductance`; principle as in ASTM D5128, section on
    the relation of pH and conductivity.

    Examples
    --------
    >>> allowed = allowed_ph_interval(0.060, 25.0)
    >>> round(allowed.low, 2), round(allowed.high, 2)
    (6.92, 7.23)
    >>> allowed = allowed_ph_interval(1.0, 25.0, conductivity_rel_u=0.01, temperature_u_c=0.1)
    >>> round(allowed.low, 2), round(allowed.high, 2)
    (5.58, 8.62)
    """
    if alkali not in ("sodium", "amine"):
        raise DomainError(f"alkali = {alkali!r} is not known", hint="use sodium or amine")

    def kernel(seen: Number, t: Number, u: Number, u_t: Number) -> tuple[Number, ...]:
        most = clip(seen, _LEAST_US_CM, 1000.0) * (1.0 + _COVERAGE_FACTOR * u)
        low, high, possible = _interval(most, t, alkali)
        for side in (-_COVERAGE_FACTOR, _COVERAGE_FACTOR):
            other_low, other_high, other_possible = _interval(most, clip(t + side * u_t, 0.0, 100.0), alkali)
            low, high = _lesser(low, other_low), -_lesser(-high, -other_high)
            possible = possible | other_possible
        return low, high, where(possible, 0.0, 1.0)

    low, high, below = by_rows(
        kernel,
        admit_conductivity(conductivity_us_cm, on_invalid),
        admit_temperature(temperature_c, on_invalid),
        admit(conductivity_rel_u, "conductivity_rel_u", "", 0.0, 0.5, on_invalid),
        admit(temperature_u_c, "temperature_u_c", "°C", 0.0, 10.0, on_invalid),
    )
    return AllowedPh(low, high, below > 0.5)


def _interval(most: Number, t: Number, alkali: Alkali) -> tuple[Number, Number, Mask]:
    """Return lowest and highest pH at one conductivity and temperature, and whether water can have it."""
    m = medium(t)
    anion = m.bicarbonate * (_SLOWEST_ANION_25C / _BICARBONATE_25C)
    cation = m.sodium if alkali == "sodium" else m.sodium * (_SLOWEST_AMINE_25C / _SODIUM_25C)
    per_kg = most / (1000.0 * m.density_kg_l)
    acid = _excess(m, per_kg, m.hydrogen, m.hydroxide, anion)
    alkaline = _excess(m, per_kg, m.hydroxide, m.hydrogen, cation)
    neutral = log(m.kw) / (-2.0 * LN10) + 0.0 * per_kg  # NaN stays NaN
    high = log(m.kw / (alkaline.most * alkaline.gamma)) / -LN10
    # A slow cation in place of a little H+ conducts less than pure water: down to that, pH lies
    # between the two roots of the alkaline side.
    barely = log(m.kw / (alkaline.least * alkaline.gamma)) / -LN10
    enough = per_kg >= sqrt(m.kw) * (m.hydrogen + m.hydroxide)
    low = where(enough, log(acid.most * acid.gamma) / -LN10, barely)
    return where(alkaline.possible, low, neutral), where(alkaline.possible, high, neutral), alkaline.possible


class _Excess(NamedTuple):
    """Molality of the ion in excess between two bounds, and its activity coefficient."""

    least: Number
    most: Number
    gamma: Number
    possible: Mask


def _excess(m: Medium, per_kg: Number, own: Number, other: Number, counter: Number) -> _Excess:
    """Return how much of the ion in excess (conductance `own`) the conductivity allows."""
    square, constant = own + counter, (other - counter) * m.kw
    gamma: Number = 1.0
    most = per_kg / square
    inside = per_kg * per_kg - 4.0 * square * constant
    for _ in range(_PASSES):
        gamma = activity_coefficient(m.slope, most)
        size = sqrt(most * m.density_kg_l)
        size = size / (1.0 + ION_SIZE * size)
        kept, lost = 1.0 - m.relaxation * size, m.electrophoresis * size
        product = m.kw / (gamma * gamma)
        square = (own + counter) * kept - 2.0 * lost
        constant = (other - counter) * kept * product
        inside = per_kg * per_kg - 4.0 * square * constant
        most = 0.5 * (per_kg + sqrt(positive(inside))) / square
    return _Excess(constant / (square * most), most, gamma, inside >= 0.0)


def _lesser(a: Number, b: Number) -> Number:
    """Return the smaller of two."""
    return where(b < a, b, a)
