"""pH and conductivity referred to 25 °C for a stated model of what is dissolved.

There is no temperature coefficient that serves all water: pure water changes by -0.017 pH per °C,
ammoniated water by -0.033, water in equilibrium with air by +0.003. So the amount dissolved is found at
the temperature of the sample and the same amount is computed at 25 °C; water's own ions go out and come
back by themselves. What other plausible compositions would have given is the spread.
"""

from dataclasses import dataclass
from typing import Final, Literal, NamedTuple

from numpy.typing import ArrayLike

from quietcell.core.constants import LN10, REFERENCE_TEMPERATURE_C
from quietcell.core.water._elementwise import (
    Number,
    OnInvalid,
    admit_conductivity,
    admit_ph,
    admit_temperature,
    by_rows,
    exp,
    log,
    positive,
    some,
    sqrt,
    where,
)
from quietcell.core.water._mixture import Amounts, Medium, conductivity, ions, medium, root, solve
from quietcell.core.water._unknown import FIELD, find_amount, find_dilute, open_charge
from quietcell.core.water.speciation import PURE_WATER, Composition, Solute, admit_composition
from quietcell.errors import DomainError

_AT_25C: Final = medium(REFERENCE_TEMPERATURE_C)
_NAN: Final = float("nan")
_INFINITE: Final = float("inf")
_PURE: Final = Amounts(0.0, 0.0, 0.0, 0.0, 0.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WaterModel:
    """What makes a water acid or alkaline, beside a known background."""

    name: str
    """How results name the model."""
    acid_side: Solute
    """What is dissolved where pH lies below that of the background."""
    alkaline_side: Solute
    """What is dissolved where pH lies above that of the background."""
    background: Composition = PURE_WATER
    """What is known to be dissolved."""


PH_MODELS: Final = {
    model.name: model
    for model in (
        WaterModel(name="carbonate", acid_side="total_carbonate", alkaline_side="strong_base"),
        WaterModel(name="strong", acid_side="strong_acid", alkaline_side="strong_base"),
        WaterModel(name="ammonia", acid_side="total_carbonate", alkaline_side="ammonia"),
    )
}
"""Models by name: CO2 or NaOH (purified water), HCl or NaOH, CO2 or NH3 (steam cycle)."""

_PLAUSIBLE_ACIDS: Final[tuple[Solute, ...]] = ("total_carbonate", "strong_acid")
_PLAUSIBLE_BASES: Final[tuple[Solute, ...]] = ("strong_base", "ammonia")

ConductivityModel = Literal["salt", "total_carbonate", "strong_acid", "strong_base", "ammonia"]
"""What is taken to carry the conductivity beyond pure water's own."""
CONDUCTIVITY_MODELS: Final[tuple[ConductivityModel, ...]] = (
    "salt",
    "total_carbonate",
    "strong_acid",
    "strong_base",
    "ammonia",
)


class Ph25(NamedTuple):
    """pH referred to 25 °C."""

    value: Number
    model: str
    """Name of the model the value rests on."""
    spread: Number
    """Difference between the largest and the smallest value that plausible models give, this one among
    them."""


class Conductivity25(NamedTuple):
    """Conductivity referred to 25 °C, µS/cm."""

    value: Number
    model: str
    """Name of the model the value rests on."""
    spread: Number
    """Difference between the largest and the smallest value of all models, µS/cm."""


def ph_25c(
    ph: ArrayLike,
    temperature_c: ArrayLike,
    model: WaterModel | str = "carbonate",
    *,
    conductivity_us_cm: ArrayLike | None = None,
    on_invalid: OnInvalid = "raise",
) -> Ph25:
    """Return the pH a water would have at 25 °C.

    Parameters
    ----------
    ph : array_like
        pH at the temperature of the water, 3..11.
    temperature_c : array_like
        Temperature, °C, 0..100.
    model : WaterModel or str
        What is dissolved; a name of `PH_MODELS`, or a model of your own.
    conductivity_us_cm : array_like, optional
        Conductivity at the temperature of the water, µS/cm. Given, one more model counts in the spread:
        the conductivity that the rest leaves over may be sodium bicarbonate, which buffers.
    on_invalid : {"raise", "nan"}
        Raise for a value out of range, or give NaN in its row.

    Returns
    -------
    Ph25
        Value, name of the model, spread over plausible models. At 25 °C exactly the pH itself, spread 0.

    Raises
    ------
    DomainError
        If a value is out of range or not a number, shapes do not go together, or the model is not known.

    Notes
    -----
    The amount of the model's solute follows from pH (`inverse_ph.amount_from_ph`), the pH at 25 °C from the
    amount (`speciation.solve_ph`). Plausible are CO2 and strong acid on the acid side, strong base and
    ammonia on the alkaline side. The water is taken as closed: no gas is lost or gained on the way.

    Source: `speciation.speciate`; approach as in ASTM D5128, solution temperature compensation.

    Examples
    --------
    >>> reference = ph_25c(6.3, 80.0)  # pure water
    >>> round(reference.value, 2), reference.model
    (7.0, 'carbonate')
    >>> reference = ph_25c(5.60, 40.0)
    >>> round(reference.value, 3), round(reference.spread, 3)
    (5.625, 0.024)
    """
    chosen = _model(model)
    background = chosen.background
    amine = background.amine
    at_25c = medium(REFERENCE_TEMPERATURE_C, amine) if amine else _AT_25C

    def kernel(p: Number, t: Number, *rest: Number) -> tuple[Number, Number]:
        m = medium(t, amine)
        a = exp(-LN10 * p)
        n = Amounts(*rest[:6])
        exact = t == REFERENCE_TEMPERATURE_C
        charge = open_charge(ions(m, a, 0.0, n), n)
        sides = (
            (charge >= 0.0, chosen.acid_side, _PLAUSIBLE_ACIDS),
            (charge < 0.0, chosen.alkaline_side, _PLAUSIBLE_BASES),
        )
        value: Number = _NAN
        lowest: Number = _INFINITE
        highest: Number = -_INFINITE
        for here, stated, plausible in sides:
            if not some(here):
                continue
            for solute in plausible if stated in plausible else (stated, *plausible):
                amount = positive(find_amount(m, a, n, solute))
                other = where(exact, p, _ph_with(at_25c, n, solute, amount))
                if solute == stated:
                    value = where(here, other, value)
                lowest = where(here & (other < lowest), other, lowest)
                highest = where(here & (other > highest), other, highest)
        if len(rest) > 6:
            bicarbonate, total = _with_bicarbonate(m, a, n, rest[6])
            here = (bicarbonate > 0.0) & (total >= 0.0)
            if some(here):
                salted = n._replace(base=n.base + where(here, bicarbonate, 0.0))
                other = where(exact, p, _ph_with(at_25c, salted, "total_carbonate", where(here, total, 0.0)))
                lowest = where(here & (other < lowest), other, lowest)
                highest = where(here & (other > highest), other, highest)
        return value, where(highest >= lowest, highest - lowest, _NAN)

    columns = admit_composition(background, on_invalid)
    if conductivity_us_cm is not None:
        columns = (*columns, admit_conductivity(conductivity_us_cm, on_invalid))
    value, spread = by_rows(
        kernel, admit_ph(ph, on_invalid), admit_temperature(temperature_c, on_invalid), *columns
    )
    return Ph25(value, chosen.name, spread)


def conductivity_25c(
    conductivity_us_cm: ArrayLike,
    temperature_c: ArrayLike,
    model: ConductivityModel = "salt",
    *,
    on_invalid: OnInvalid = "raise",
) -> Conductivity25:
    """Return the conductivity a water would have at 25 °C.

    Parameters
    ----------
    conductivity_us_cm : array_like
        Conductivity at the temperature of the water, µS/cm, 0..1000.
    temperature_c : array_like
        Temperature, °C, 0..100.
    model : {"salt", "total_carbonate", "strong_acid", "strong_base", "ammonia"}
        What carries the conductivity beyond pure water's own.
    on_invalid : {"raise", "nan"}
        Raise for a value out of range, or give NaN in its row.

    Returns
    -------
    Conductivity25
        Value and spread, µS/cm, and the name of the model. At 25 °C exactly the conductivity itself.

    Raises
    ------
    DomainError
        If a value is out of range or not a number, shapes do not go together, or the model is not known.

    Notes
    -----
    Salt: ``κ25 = (κ - κw(t)) Λ25 d25/(Λ d) + κw(25)``. The others: the amount that gives κ, from the
    quadratic of its ions and water's own, then the conductivity of that amount at 25 °C, scaled to the
    reading: ``κ25 = κ · κ_model(25)/κ_model(t)``. The forces between ions cancel in that ratio. A reading
    below pure water's is referred as pure water.

    Source: `speciation.conductivity_us_cm`; principle as in ASTM D1125 and D5391.

    Examples
    --------
    >>> round(conductivity_25c(0.169, 50.0).value, 3)  # pure water
    0.055
    >>> reference = conductivity_25c(1.0, 50.0)
    >>> round(reference.value, 3), round(reference.spread, 2)
    (0.597, 0.14)
    """
    if model not in CONDUCTIVITY_MODELS:
        raise DomainError(
            f"model = {model!r} is not known", hint=f"use one of {', '.join(CONDUCTIVITY_MODELS)}"
        )

    def kernel(seen: Number, t: Number) -> tuple[Number, Number]:
        m = medium(t)
        own = _own(m)
        values = {name: _referred(m, own, seen, name) for name in CONDUCTIVITY_MODELS}
        lowest = highest = values[model]
        for other in values.values():
            lowest = where(other < lowest, other, lowest)
            highest = where(other > highest, other, highest)
        exact = t == REFERENCE_TEMPERATURE_C
        return where(exact, seen, values[model]), where(exact, 0.0 * seen, highest - lowest)

    seen = admit_conductivity(conductivity_us_cm, on_invalid)
    value, spread = by_rows(kernel, seen, admit_temperature(temperature_c, on_invalid))
    return Conductivity25(value, model, spread)


def salt_conductivity_25c(
    conductivity_us_cm: ArrayLike, temperature_c: ArrayLike, *, on_invalid: OnInvalid = "raise"
) -> Number:
    """Return the value of `conductivity_25c` for a salt, without the other models: a third of the work.

    Examples
    --------
    >>> round(salt_conductivity_25c(1.0, 50.0), 3)
    0.597
    """

    def kernel(seen: Number, t: Number) -> tuple[Number]:
        m = medium(t)
        return (where(t == REFERENCE_TEMPERATURE_C, seen, _referred(m, _own(m), seen, "salt")),)

    seen = admit_conductivity(conductivity_us_cm, on_invalid)
    return by_rows(kernel, seen, admit_temperature(temperature_c, on_invalid))[0]


def conductivity_at(
    conductivity_us_cm: float, measured_at_c: float, temperature_c: float, *, on_invalid: OnInvalid = "raise"
) -> float:
    """Return the conductivity of a water at another temperature than that it was measured at.

    Parameters
    ----------
    conductivity_us_cm : float
        As measured, µS/cm, 0..1000.
    measured_at_c, temperature_c : float
        Temperature then, and the one asked for, °C, 0..100.
    on_invalid : {"raise", "nan"}
        Raise for a value out of range, or give NaN.

    Returns
    -------
    float
        µS/cm.

    Raises
    ------
    DomainError
        If a value is out of range or not a number.

    Notes
    -----
    A neutral salt in pure water, as in `conductivity_25c` and from its source.

    Examples
    --------
    >>> round(conductivity_at(0.055, 25.0, 50.0), 4)  # pure water
    0.1695
    """
    if measured_at_c == temperature_c:
        return conductivity_us_cm
    at_25c = float(salt_conductivity_25c(conductivity_us_cm, measured_at_c, on_invalid=on_invalid))
    pure = float(_own(medium(admit_temperature(temperature_c, on_invalid))))
    one_more = float(salt_conductivity_25c(pure + 1.0, temperature_c, on_invalid=on_invalid))
    return pure + max(at_25c - float(_OWN_25C), 0.0) / (one_more - float(_OWN_25C))


def _model(model: WaterModel | str) -> WaterModel:
    if isinstance(model, WaterModel):
        return model
    if model not in PH_MODELS:
        raise DomainError(f"model = {model!r} is not known", hint=f"use one of {', '.join(PH_MODELS)}")
    return PH_MODELS[model]


def _ph_with(m: Medium, n: Amounts, solute: Solute, amount: Number) -> Number:
    """Return the pH of a background with an amount of one solute in place of its own."""
    return log(solve(m, n._replace(**{FIELD[solute]: amount}))[0]) / -LN10


def _with_bicarbonate(m: Medium, a: Number, n: Amounts, seen: Number) -> tuple[Number, Number]:
    """Return the sodium bicarbonate that explains a conductivity at a pH, and the total carbonate then."""
    per_base = 1000.0 * m.density_kg_l * (m.sodium + m.bicarbonate)
    extra: Number = 0.0
    found = find_dilute(m, a, n, "total_carbonate")
    for _ in range(2):
        extra = extra + (seen - found.conductivity) / per_base
        found = find_dilute(m, a, n._replace(base=n.base + extra), "total_carbonate")
    return extra, found.amount


def _own(m: Medium) -> Number:
    """Return the conductivity of pure water, µS/cm."""
    a = sqrt(m.kw)
    return conductivity(m, ions(m, a, a, _PURE), _PURE, a)


def _own_dilute(m: Medium) -> Number:
    """Return what `_own` does without the forces between ions, µS/cm."""
    return 1000.0 * m.density_kg_l * sqrt(m.kw) * (m.hydrogen + m.hydroxide)


_OWN_25C: Final = _own(_AT_25C)
_OWN_DILUTE_25C: Final = _own_dilute(_AT_25C)


def _referred(m: Medium, own: Number, seen: Number, model: ConductivityModel) -> Number:
    """Return the conductivity at 25 °C after one model; `own` is pure water's."""
    if model == "salt":
        per_salt = m.density_kg_l * (m.sodium + m.chloride)
        at_25c = _AT_25C.density_kg_l * (_AT_25C.sodium + _AT_25C.chloride)
        return (seen - own) * (at_25c / per_salt) + _OWN_25C
    # The quadratics know no forces between ions: they get the reading as it would be without those of water.
    dilute = _own_dilute(m)
    free = seen * (dilute / own)
    least = where(free > dilute, free, dilute)
    amount = _amount(m, least, model)
    if model == "strong_acid":
        a = root(1.0, -amount, _AT_25C.kw)
    elif model == "strong_base":
        a = root(1.0, amount, _AT_25C.kw)
    else:
        a = solve(_AT_25C, _PURE._replace(**{FIELD[model]: amount}))[0]
    n = _PURE._replace(**{FIELD[model]: amount})
    at_25c = conductivity(_AT_25C, ions(_AT_25C, a, 0.0, n), n, 0.0)
    return free * (at_25c / least) * (_OWN_25C / _OWN_DILUTE_25C)


def _amount(m: Medium, seen: Number, model: Solute) -> Number:
    """Return the amount of one solute in pure water from a conductivity of at least pure water's."""
    per_kg = seen / (1000.0 * m.density_kg_l)
    if model == "total_carbonate":
        hydrogen, hydroxide = _pair(m, per_kg, m.hydrogen, m.hydroxide, m.bicarbonate)
        return positive(hydrogen - hydroxide) * (1.0 + hydrogen / m.k1)
    if model == "strong_acid":
        hydrogen, hydroxide = _pair(m, per_kg, m.hydrogen, m.hydroxide, m.chloride)
        return positive(hydrogen - hydroxide)
    counter = m.sodium if model == "strong_base" else m.ammonium
    hydroxide, hydrogen = _pair(m, per_kg, m.hydroxide, m.hydrogen, counter)
    excess = positive(hydroxide - hydrogen)
    return excess if model == "strong_base" else excess * (1.0 + m.ka_ammonium / hydrogen)


def _pair(m: Medium, per_kg: Number, own: Number, other: Number, counter: Number) -> tuple[Number, Number]:
    """Return the ion in excess and its opposite that give a conductivity, the excess held by `counter`."""
    square, constant = own + counter, (other - counter) * m.kw
    ion = 0.5 * (per_kg + sqrt(positive(per_kg * per_kg - 4.0 * square * constant))) / square
    return ion, m.kw / ion
