"""What pH and conductivity say of total carbonate: waters before a change, paths they take, sizes.

A *background* is a composition that explains what was measured before a change. Two measured
quantities leave several: the pH may be biased, and the ions that pH leaves open may be salt or ammonium
bicarbonate. All of them are kept, each with its price. A *path* is where pH and conductivity go as
one solute is added to them.
"""

import math
from dataclasses import dataclass
from typing import Final, NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from quietcell.core.constants import CO2_MOLAR_MASS_G_MOL, LN10
from quietcell.core.ingress.event import Amount, IngressSettings
from quietcell.core.water.bases import ammonium_pka
from quietcell.core.water.carbonate import constants
from quietcell.core.water.hydration import added_co2
from quietcell.core.water.inverse_both import amount_and_salt, amount_from_both
from quietcell.core.water.inverse_ph import amount_from_ph
from quietcell.core.water.limits import allowed_ph_interval
from quietcell.core.water.speciation import PURE_WATER, Composition, speciate

Array = NDArray[np.float64]

CO2_UG_PER_MOL: Final = 1e6 * CO2_MOLAR_MASS_G_MOL
CHEMICAL: Final = ("co2-ingress", "acidic-ingress", "sodium-base", "ammonia-base", "ammonia-loss")
"""Causes that add one solute (or take ammonia away); salt needs no path: pH stays."""
_STEPS: Final = 36
_MOST_MOL_KG: Final = 0.05
"""No background holds more, so that what is added stays within what the chemistry covers."""
_BIAS: Final = (0.0, -1.0, 1.0)
"""Biases of the pH that are tried, in standard uncertainties; the first background is the nominal one."""
_NEUTRAL_PH_LEFT: Final = 0.03
"""Share of a conductivity that must be left over before it is tried as ammonium bicarbonate."""
_SALT_TO_BICARBONATE: Final = 126.4 / 118.0
"""Conductance of sodium chloride over that of ammonium bicarbonate, 25 °C (CRC Handbook)."""
YOUNGEST_S: Final = 8.0
"""Age of the youngest sample that is reckoned with where the hold-up is not known (common practice, no
source)."""
_RATE_REL_U: Final = 0.2
"""Relative standard uncertainty of the rate of hydration."""
REFERENCE_US_CM: Final = 7.5
"""µS/cm that 1 µL/h of 3 mol/L potassium chloride brings into 1 mL/min: 150 S cm²/mol times 0.05 mmol/L."""


class Backgrounds(NamedTuple):
    """Compositions that explain one pair of pH and conductivity; arrays of shape (n,), mol/kg."""

    carbonate: Array
    ammonia: Array
    salt: Array
    price: Array
    """Negative log probability, relative to the first."""


def backgrounds(
    ph: float, conductivity_us_cm: float | None, temperature_c: float, settings: IngressSettings
) -> Backgrounds:
    """Return the compositions a water may have.

    Parameters
    ----------
    ph, conductivity_us_cm, temperature_c : float
        As measured; conductivity None where it is not that of this water.
    settings : IngressSettings
        For the uncertainties.

    Notes
    -----
    The pH less its bias is first held within what the conductivity allows. Below neutral carbonate
    makes it, above ammonia; conductivity left over is neutral salt, or ammonium bicarbonate.
    """
    bias = settings.ph_bias_u * np.array(_BIAS)
    price = 0.5 * np.array(_BIAS) ** 2
    p = np.clip(ph - bias, 3.5, 10.8)
    if conductivity_us_cm is None:
        carbonate = np.clip(amount_from_ph("total_carbonate", p, temperature_c), 0.0, _MOST_MOL_KG)
        ammonia = np.clip(amount_from_ph("ammonia", p, temperature_c), 0.0, _MOST_MOL_KG)
        return Backgrounds(carbonate, ammonia, np.zeros(len(p)), price)
    kappa = float(np.clip(conductivity_us_cm, 1e-3, 900.0))
    allowed = allowed_ph_interval(kappa, temperature_c, conductivity_rel_u=settings.conductivity_rel_u)
    p = np.clip(p, allowed.low, allowed.high)
    acid, salt_acid = amount_and_salt("total_carbonate", p, kappa, temperature_c, on_invalid="nan")
    base, salt_base = amount_and_salt("ammonia", p, kappa, temperature_c, on_invalid="nan")
    sour = np.asarray(acid) > 0.0
    carbonate = np.nan_to_num(np.clip(acid, 0.0, _MOST_MOL_KG))
    ammonia = np.nan_to_num(np.clip(base, 0.0, _MOST_MOL_KG))
    salt = np.nan_to_num(np.clip(np.where(sour, salt_acid, salt_base), 0.0, _MOST_MOL_KG))
    found = Backgrounds(carbonate, ammonia, salt, price)
    per_salt = 1e-3 / 0.1264  # mol/kg per µS/cm, near enough for a threshold
    if not np.any(salt > _NEUTRAL_PH_LEFT * kappa * per_salt * 1e-3):
        return found
    a = np.exp(-LN10 * p)
    carbonic = constants(temperature_c)
    k1, k2 = 10.0**carbonic.log10_k1, 10.0**carbonic.log10_k2
    protonated = a / (a + 10.0 ** -float(ammonium_pka(temperature_c)))
    charge = (k1 / a + 2.0 * k1 * k2 / (a * a)) / (1.0 + k1 / a + k1 * k2 / (a * a))
    ions = salt * _SALT_TO_BICARBONATE
    other = Backgrounds(
        np.minimum(found.carbonate + ions / charge, _MOST_MOL_KG),
        np.minimum(found.ammonia + ions / protonated, _MOST_MOL_KG),
        0.0 * salt,
        price + 0.5,
    )
    return Backgrounds(*(np.concatenate(pair) for pair in zip(found, other, strict=True)))


@dataclass(frozen=True, slots=True, eq=False)
class Paths:
    """Where pH and ln conductivity go from each background; arrays of shape (backgrounds, steps)."""

    water: Backgrounds
    temperature_c: float
    amount: dict[str, Array]
    """Added, mol/kg."""
    ph: dict[str, Array]
    """Change of pH."""
    log_conductivity: dict[str, Array]
    """Change of ln conductivity."""


def paths(water: Backgrounds, temperature_c: float, settings: IngressSettings) -> Paths:
    """Return the paths of all chemical causes from all backgrounds at one temperature."""
    n = len(water.price)
    column = np.ones((n, 1))
    gas = speciate(
        Composition(ammonia_mol_kg=water.ammonia, neutral_salt_mol_kg=water.salt),
        temperature_c,
        co2_fugacity_uatm=settings.most_co2_uatm,
    )
    most = np.asarray(gas.co2_mol_kg + gas.bicarbonate_mol_kg + gas.carbonate_mol_kg) - water.carbonate
    most = np.clip(most, 1e-9, 0.04)[:, None]
    grid = np.concatenate(([0.0], np.geomspace(3e-5, 1.0, _STEPS - 1)))
    plain = np.concatenate(([0.0], np.geomspace(5e-10, 2e-3, _STEPS - 1)))[None, :] * column
    fall = np.minimum(grid[None, :], 0.98) * water.ammonia[:, None]
    amount = {
        "co2-ingress": grid[None, :] * most,
        "acidic-ingress": plain,
        "sodium-base": plain,
        "ammonia-base": plain,
        "ammonia-loss": fall,
    }
    zero = np.zeros((n, _STEPS))
    carbonate, ammonia = water.carbonate[:, None] + zero, water.ammonia[:, None] + zero
    made = speciate(
        Composition(
            total_carbonate_mol_kg=np.stack([carbonate + amount["co2-ingress"], *[carbonate] * 4]),
            ammonia_mol_kg=np.stack([ammonia] * 3 + [ammonia + plain, ammonia - fall]),
            strong_acid_mol_kg=np.stack([zero, plain, zero, zero, zero]),
            strong_base_mol_kg=np.stack([zero, zero, plain, zero, zero]),
            neutral_salt_mol_kg=np.stack([water.salt[:, None] + zero] * 5),
        ),
        temperature_c,
    )
    ph, log_k = np.asarray(made.ph), np.log(np.asarray(made.conductivity_us_cm))
    return Paths(
        water=water,
        temperature_c=temperature_c,
        amount=amount,
        ph={name: ph[i] - ph[i, :, :1] for i, name in enumerate(CHEMICAL)},
        log_conductivity={name: log_k[i] - log_k[i, :, :1] for i, name in enumerate(CHEMICAL)},
    )


Temperature = TypeVar("Temperature", float, Array)


@dataclass(frozen=True, slots=True)
class TemperatureCourse:
    """What temperature alone does to pH and ln conductivity of a water: two parabolas about one point."""

    centre_c: float
    ph: tuple[float, float]
    log_conductivity: tuple[float, float]
    """Linear and square coefficients."""

    def between(self, from_c: float, to_c: Temperature) -> tuple[Temperature, Temperature]:
        """Return the changes of pH and ln conductivity from one temperature to another, or to many."""
        a, b = from_c - self.centre_c, to_c - self.centre_c
        first, second = b - a, b * b - a * a
        return (
            self.ph[0] * first + self.ph[1] * second,
            self.log_conductivity[0] * first + self.log_conductivity[1] * second,
        )


def temperature_course(water: Backgrounds, temperature_c: float) -> TemperatureCourse:
    """Return the course for the nominal background; good to 5 °C on either side."""
    half = 4.0
    centre = min(max(temperature_c, half), 100.0 - half)
    made = speciate(
        Composition(
            total_carbonate_mol_kg=float(water.carbonate[0]),
            ammonia_mol_kg=float(water.ammonia[0]),
            neutral_salt_mol_kg=float(water.salt[0]),
        ),
        np.array([centre - half, centre, centre + half]),
    )
    p, k = np.asarray(made.ph).tolist(), np.log(np.asarray(made.conductivity_us_cm)).tolist()
    return TemperatureCourse(centre, *(_parabola(v, half) for v in (p, k)))


def _parabola(values: list[float], half: float) -> tuple[float, float]:
    low, mid, high = values
    return (high - low) / (2.0 * half), (high - 2.0 * mid + low) / (2.0 * half * half)


class Sizes(NamedTuple):
    """Carbonate after a rise, as CO2."""

    from_ph: Amount
    """Total carbonate."""
    from_conductivity: Amount | None
    """The same."""
    rise: Amount
    """What came in, by the more certain of the two."""
    apparent_ug_l: float
    """Best value of what of it shows, not yet allowing for hydration."""
    apparent_each_ug_l: tuple[float, ...]
    """The same by pH, and by conductivity where it is that of this water."""


def sizes(
    way: Paths,
    change: tuple[float, float | None],
    change_u: tuple[float, float],
    age_s: float | None,
    *,
    whole: bool,
    to_come: tuple[float, float] = (0.0, 0.0),
) -> Sizes:
    """Return how much carbon dioxide a change of pH and ln conductivity asks for.

    Parameters
    ----------
    way : Paths
        From the water before.
    change : tuple
        Of pH and of ln conductivity; None for the latter where it is not that of this water.
    change_u : tuple of float
        Their standard uncertainties.
    age_s : float or None
        Sample age at the sensors; None is not known: it may be as little as `YOUNGEST_S`.
    whole : bool
        Whether the gas has surely had time to turn to ions (it came in far upstream). Else part of it may
        not show yet: the value then lies midway between what shows and what must have come in for it at
        the sample point, and the uncertainty reaches as far beyond either as that is uncertain itself.
    to_come : tuple of float
        By how much more pH and ln conductivity may have changed than sensors that lag show yet. The water
        lies between the two, so the value does, too.
    """
    nominal, ahead = (
        _ends(
            way,
            (change[0] + f * to_come[0], None if change[1] is None else change[1] + f * to_come[1]),
            change_u,
        )
        for f in (0.0, 1.0)
    )
    before = way.water.carbonate.tolist()
    rises, totals = [], []
    for ends in zip(nominal, ahead, strict=True):
        age = YOUNGEST_S if age_s is None else age_s
        factor = 1.0 if whole else _hydration_factor(way, ends[0].rise[0], age)
        rises.append(_amount(ends, factor, [0.0] * len(before)))
        totals.append(_amount(ends, factor, before))
    best = min(range(len(rises)), key=lambda i: rises[i].expanded_uncertainty)
    return Sizes(
        from_ph=totals[0],
        from_conductivity=totals[1] if len(totals) > 1 else None,
        rise=rises[best],
        apparent_ug_l=nominal[best].rise[0] * CO2_UG_PER_MOL,
        apparent_each_ug_l=tuple(end.rise[0] * CO2_UG_PER_MOL for end in nominal),
    )


class _End(NamedTuple):
    """What one quantity says if the water is where it is taken to be."""

    rise: list[float]
    """By background, the nominal one first, mol/kg."""
    noise: float
    """Expanded uncertainty of the nominal one from what was read, mol/kg."""

    def unknown(self, before: list[float]) -> float:
        """Return the expanded uncertainty of the amount on top of what was there, mol/kg."""
        all_of_it = [a + b for a, b in zip(before, self.rise, strict=True)]
        return math.hypot(self.noise, 2.0 * max(abs(value - all_of_it[0]) for value in all_of_it))


def _ends(way: Paths, change: tuple[float, float | None], change_u: tuple[float, float]) -> list[_End]:
    """Return what pH says of a rise, and what conductivity does where it is known."""
    x, p = way.amount["co2-ingress"], way.ph["co2-ingress"]
    k = way.log_conductivity["co2-ingress"]
    n = len(way.water.price)

    def by_ph(dp: float) -> list[float]:
        return [float(np.interp(-dp, -p[i], x[i])) for i in range(n)]

    nominal_ph = by_ph(change[0])
    noise = 0.5 * (by_ph(change[0] - 2 * change_u[0])[0] - by_ph(change[0] + 2 * change_u[0])[0])
    found = [_End(nominal_ph, noise)]
    if change[1] is not None:

        def by_log(dk: float) -> list[float]:
            found = []
            for i in range(n):
                low = int(np.argmin(k[i]))
                if low > 0 and nominal_ph[i] < x[i][low]:
                    found.append(float(np.interp(-dk, -k[i][: low + 1], x[i][: low + 1])))
                else:
                    found.append(float(np.interp(dk, k[i][low:], x[i][low:])))
            return found

        up, down = by_log(change[1] + 2 * change_u[1])[0], by_log(change[1] - 2 * change_u[1])[0]
        found.append(_End(by_log(change[1]), 0.5 * abs(up - down)))
    return found


def _hydration_factor(way: Paths, apparent: float, age_s: float) -> float:
    """Return by how much more CO2 may have come in than shows at `age_s`, the rate being slow; 1 or more."""
    before = Composition(
        total_carbonate_mol_kg=float(way.water.carbonate[0]), ammonia_mol_kg=float(way.water.ammonia[0])
    )
    shown = float(way.water.carbonate[0]) + max(apparent, 1e-9)
    if not age_s > 0.0 or shown > _MOST_MOL_KG:
        return 1.0
    # What has turned depends on rate times age.
    slow = (1.0 - _RATE_REL_U) * min(max(age_s, 1.0), 1e5)
    came = float(added_co2(shown, slow, way.temperature_c, before, on_invalid="nan"))
    return max(1.0, came / max(apparent, 1e-9)) if math.isfinite(came) else 1.0


def _amount(ends: tuple[_End, _End], factor: float, before: list[float]) -> Amount:
    """Return an amount in µg/L with all that it may be, k = 2.

    Parameters
    ----------
    ends : tuple of _End
        What shows, and what would if nothing lagged: the truth lies between.
    factor : float
        By how much more of the rise may have come in than shows: the value lies midway, the uncertainty
        spans both ends, each of which may be the truth, with what is uncertain there.
    before : list of float
        What the amount comes on top of, by background, mol/kg.
    """
    least, most = sorted(ends, key=lambda end: end.rise[0])
    hidden = 0.5 * (factor * most.rise[0] - least.rise[0])
    unknown = 0.5 * (least.unknown(before) + factor * most.unknown(before))
    return Amount(
        value=(before[0] + least.rise[0] + hidden) * CO2_UG_PER_MOL,
        expanded_uncertainty=(hidden + unknown) * CO2_UG_PER_MOL,
    )


class AirShare(NamedTuple):
    """How a water compares with one that air has saturated."""

    pct: float
    """Total carbonate, % of equilibrium with air."""
    ug_l: float
    """The same in µg/L as CO2."""
    u_ug_l: float
    """Standard uncertainty."""
    misfit: float
    """Chi square of pH and conductivity on the carbonic line, one degree of freedom; 0 by pH alone."""


def air_share(
    ph: float, conductivity_us_cm: float | None, temperature_c: float, settings: IngressSettings
) -> AirShare | None:
    """Return total carbonate from pH and conductivity if nothing else were dissolved, against air's.

    None outside what the chemistry covers.
    """
    if not (3.0 <= ph <= 11.0 and 0.0 <= temperature_c <= 100.0):
        return None
    air = speciate(PURE_WATER, temperature_c, co2_fugacity_uatm=settings.air_co2_uatm)
    most = float(air.co2_mol_kg) + float(air.bicarbonate_mol_kg)
    if conductivity_us_cm is None:
        amount = float(amount_from_ph("total_carbonate", ph, temperature_c))
        more = float(amount_from_ph("total_carbonate", max(ph - settings.ph_bias_u, 3.0), temperature_c))
        u, misfit = more - amount, 0.0
    else:
        if not 1e-3 <= conductivity_us_cm <= 1000.0:
            return None
        fit = amount_from_both(
            "total_carbonate",
            ph,
            conductivity_us_cm,
            temperature_c,
            ph_u=settings.ph_bias_u,
            conductivity_rel_u=2.0 * settings.conductivity_rel_u,
        )
        amount, u, misfit = float(fit.amount_mol_kg), float(fit.amount_u_mol_kg), float(fit.chi_square)
    return AirShare(100.0 * amount / most, amount * CO2_UG_PER_MOL, u * CO2_UG_PER_MOL, misfit)
