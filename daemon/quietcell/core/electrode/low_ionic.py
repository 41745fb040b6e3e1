"""Dilute solutions of independently known pH, and the bias of a cell they show together.

A dilute strong acid has the pH of its concentration. Sodium hydroxide or ammonia dosed into the flowing
water has the pH that belongs to its measured conductivity. Either way carbon dioxide that was not
asked for shifts the pH; its bounds are part of the uncertainty.

The bias of the solutions is averaged with weights; where they differ by more than their uncertainties
explain, the difference is taken as real and widens the result (R. DerSimonian, N. Laird, Control.
Clin. Trials 7 (1986) 177), because the next water is one more such solution. What the solutions are
known by, a conductivity meter or a stock they were diluted from, is mostly common to them; so its part
does not become smaller in the mean (GUM F.1.2.3).
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from quietcell.core.electrode.domain import number
from quietcell.core.electrode.influences import LowIonicCheck
from quietcell.core.water.inverse_conductivity import amount_from_conductivity
from quietcell.core.water.speciation import Composition, Solute, speciate
from quietcell.errors import DomainError

FEWEST_SOLUTIONS = 3
EXTENDS_DOWN = 10.0
"""The check speaks for water of a conductivity so many times lower; common practice, no source."""
ADVENTITIOUS_CO2_MOL_KG = 1.0e-6
"""Carbon dioxide that may be in a dilute acid made up in air, on top of none (44 µg/L)."""
DOSED_CO2_MOL_KG = 1.0e-7
"""The same in loop water that is dosed while it flows (4 µg/L)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownPh:
    """A pH known without the electrode.

    Parameters
    ----------
    ph : float
        At the temperature of the solution.
    standard_uncertainty_ph : float
        Of that value.
    known_from : str
        In words.
    """

    ph: float
    standard_uncertainty_ph: float
    known_from: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """What the cell showed in one solution."""

    known: KnownPh
    ph: float
    """By the calibration in force, without any low-ionic correction."""
    repeatability_ph: float
    """Standard uncertainty of the reading as it repeats."""
    conductivity_us_cm: float


def strong_acid(
    mol_l: float, temperature_c: float, *, relative_standard_uncertainty: float = 0.01
) -> KnownPh:
    """Return the pH of a dilute strong acid made up by weight or volume.

    Parameters
    ----------
    mol_l : float
        Concentration, mol/L, 1e-6 to 1e-3.
    temperature_c : float
        °C.
    relative_standard_uncertainty : float
        Of the concentration.

    Examples
    --------
    >>> round(strong_acid(5e-5, 25.0).ph, 3)
    4.305
    """
    amount = number("mol_l", mol_l, "mol/L", (1e-6, 1e-3))
    u = number("relative_standard_uncertainty", relative_standard_uncertainty, "", (1e-6, 0.2))

    def at(acid: float, carbonate: float) -> float:
        water = Composition(strong_acid_mol_kg=acid, total_carbonate_mol_kg=carbonate)
        return float(speciate(water, temperature_c).ph)

    ph = at(amount, 0.0)
    return KnownPh(
        ph=ph,
        standard_uncertainty_ph=math.hypot(
            at(amount * (1.0 - u), 0.0) - ph, (at(amount, ADVENTITIOUS_CO2_MOL_KG) - ph) / math.sqrt(3.0)
        ),
        known_from=f"strong acid, {mol_l:g} mol/L",
    )


def dosed_base(
    unknown: Solute,
    conductivity_us_cm: float,
    temperature_c: float,
    *,
    relative_standard_uncertainty: float = 0.01,
    temperature_standard_uncertainty_c: float = 0.1,
) -> KnownPh:
    """Return the pH of loop water dosed with a base, from its conductivity.

    Parameters
    ----------
    unknown : {"strong_base", "ammonia"}
        What was dosed.
    conductivity_us_cm : float
        Raw, at the temperature of the water, µS/cm.
    temperature_c : float
        °C.
    relative_standard_uncertainty, temperature_standard_uncertainty_c : float
        Of the conductivity and of the temperature, °C.

    Raises
    ------
    DomainError
        If the water conducts no better than water without the base.

    Examples
    --------
    >>> round(dosed_base("strong_base", 1.0, 25.0).ph, 2)
    8.6
    """
    if unknown not in ("strong_base", "ammonia"):
        raise DomainError(f"{unknown!r} is not a base", subject="unknown", hint="strong_base or ammonia")
    u = number("relative_standard_uncertainty", relative_standard_uncertainty, "", (1e-6, 0.5))
    u_c = number("temperature_standard_uncertainty_c", temperature_standard_uncertainty_c, "°C", (0.0, 10.0))

    def at(conductivity: float, carbonate: float, at_c: float = temperature_c) -> float:
        background = Composition(total_carbonate_mol_kg=carbonate)
        amount = amount_from_conductivity(unknown, conductivity, at_c, background, side="alkaline")
        if unknown == "ammonia":
            water = replace(background, ammonia_mol_kg=amount)
        else:
            water = replace(background, strong_base_mol_kg=amount)
        return float(speciate(water, at_c).ph)

    ph = at(conductivity_us_cm, 0.0)
    return KnownPh(
        ph=ph,
        standard_uncertainty_ph=math.hypot(
            at(conductivity_us_cm * (1.0 + u), 0.0) - ph,
            at(conductivity_us_cm, 0.0, max(temperature_c - u_c, 0.0)) - ph,
            (at(conductivity_us_cm, DOSED_CO2_MOL_KG) - ph) / math.sqrt(3.0),
        ),
        known_from=f"{unknown.replace('_', ' ')} by its conductivity, {conductivity_us_cm:g} µS/cm",
    )


def known_solution(
    described: str, *, conductivity_rel_u: float = 0.01, temperature_u_c: float = 0.1
) -> Callable[[float | None, float], KnownPh]:
    """Read how a solution is known; returns a function of conductivity (µS/cm) and temperature (°C).

    Parameters
    ----------
    described : str
        ``acid:5e-5``, ``base``, ``ammonia`` or ``stated:5.30:0.02``.
    conductivity_rel_u, temperature_u_c : float
        Standard uncertainties of a conductivity (relative) and of a temperature (°C) it is known by.

    Raises
    ------
    DomainError
        If it is none of these.

    Examples
    --------
    >>> round(known_solution("acid:5e-5")(None, 25.0).ph, 2)
    4.3
    """
    word, *rest = described.split(":")
    try:
        figures = [float(text) for text in rest]
    except ValueError:
        figures = [math.nan]
    if word == "acid" and len(figures) == 1:
        return lambda _conductivity, temperature_c: strong_acid(figures[0], temperature_c)
    if word in ("base", "ammonia") and not figures:
        unknown: Solute = "strong_base" if word == "base" else "ammonia"

        def dosed(conductivity_us_cm: float | None, temperature_c: float) -> KnownPh:
            if conductivity_us_cm is None:
                raise DomainError(
                    "its pH follows from the conductivity, which was not measured",
                    subject=described,
                    hint="Give the conductivity, or use a solution whose pH is known otherwise",
                )
            return dosed_base(
                unknown,
                conductivity_us_cm,
                temperature_c,
                relative_standard_uncertainty=conductivity_rel_u,
                temperature_standard_uncertainty_c=temperature_u_c,
            )

        return dosed
    if word == "stated" and len(figures) == 2:
        stated = KnownPh(
            ph=number("stated pH", figures[0], "", (0.0, 14.0)),
            standard_uncertainty_ph=number("stated uncertainty", figures[1], "pH", (1e-4, 1.0)),
            known_from="stated",
        )
        return lambda _conductivity, _temperature_c: stated
    raise DomainError(
        f"{described!r} does not say how a solution is known",
        subject="solution",
        hint="Write acid:5e-5 (mol/L), base, ammonia, or stated:5.30:0.02 (pH and its standard uncertainty)",
    )


def low_ionic_check(found: Sequence[Found]) -> LowIonicCheck:
    """Return the bias of a cell in water of low ionic strength.

    Parameters
    ----------
    found : sequence of Found
        Three solutions or more.

    Raises
    ------
    DomainError
        If there are fewer.

    Examples
    --------
    >>> solutions = [
    ...     Found(
    ...         known=KnownPh(ph=ph, standard_uncertainty_ph=0.01, known_from=""),
    ...         ph=ph + 0.05,
    ...         repeatability_ph=0.0,
    ...         conductivity_us_cm=conductivity,
    ...     )
    ...     for ph, conductivity in ((4.3, 21.0), (5.3, 2.1), (8.6, 1.0))
    ... ]
    >>> check = low_ionic_check(solutions)
    >>> round(check.bias_ph, 3), round(check.standard_uncertainty_ph, 4), check.lowest_conductivity_us_cm
    (0.05, 0.01, 0.1)
    """
    if len(found) < FEWEST_SOLUTIONS:
        raise DomainError(
            f"{len(found)} of at least {FEWEST_SOLUTIONS} solutions",
            subject="solutions",
            hint="Measure more solutions of known pH",
        )
    biases = [one.ph - one.known.ph for one in found]
    variances = [max(1e-8, one.known.standard_uncertainty_ph**2 + one.repeatability_ph**2) for one in found]
    weights = [1.0 / variance for variance in variances]
    total = math.fsum(weights)
    mean = math.fsum(w * b for w, b in zip(weights, biases, strict=True)) / total
    spread = math.fsum(w * (b - mean) ** 2 for w, b in zip(weights, biases, strict=True))
    free = len(found) - 1
    between = max(0.0, (spread - free) / (total - math.fsum(w * w for w in weights) / total))
    widened = [1.0 / (variance + between) for variance in variances]
    total = math.fsum(widened)
    bias = math.fsum(w * b for w, b in zip(widened, biases, strict=True)) / total
    parts = list(zip(widened, found, strict=True))
    common = math.fsum(w * one.known.standard_uncertainty_ph for w, one in parts) / total
    own = math.sqrt(math.fsum(w * w * (one.repeatability_ph**2 + between) for w, one in parts)) / total
    conductivities = [one.conductivity_us_cm for one in found]
    return LowIonicCheck(
        bias_ph=bias,
        standard_uncertainty_ph=math.hypot(common, own, math.sqrt(between)),
        lowest_conductivity_us_cm=min(conductivities) / EXTENDS_DOWN,
        highest_conductivity_us_cm=max(conductivities),
    )
