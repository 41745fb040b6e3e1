"""What a meter tells of water whose truth is known.

Physics of its own choosing on top of the chemistry core: electrode lag, transport, hydration, junction and
cell noise, temperature, flow. All numbers are invented within what the trade reports; the ranges
stand beside the draws.
"""

import math
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from quietcell.core.ingress.event import IngressSettings
from quietcell.core.readings import ReadingBlock
from quietcell.core.settings import Position
from quietcell.core.water.hydration import apparent_carbonate
from quietcell.core.water.speciation import Composition, speciate

Array = NDArray[np.float64]
UG_PER_MOL = 44.0095e6
GRID_S = 5.0
"""Chemistry is solved so often and interpolated."""


@dataclass(kw_only=True)
class Water:
    """What is in the water over time, and what disturbs its sensors; arrays on the grid."""

    rng: Generator
    minutes: float
    onset_min: float
    every_s: float = 1.0
    temperature_c: float = 25.0
    background_ug_l: float = 0.0
    ammonia: float = 0.0
    salt: float = 0.0
    position: Position | None = "downstream"
    hold_up_ml: float | None = None
    flow_usual: float = 100.0
    outflow_ul_h: float = 0.0
    outflow_declared: bool = True
    added_ug_l: Array | float = 0.0
    """CO2 that came in, as the sensors' water holds it in all."""
    added_at_ph_only: bool = False
    """The leak lies between an upstream conductivity cell and the electrode."""
    age_s: Array | float | None = None
    """Age of the added gas at the sensors; None is settled."""
    acid: Array | float = 0.0
    base: Array | float = 0.0
    more_ammonia: Array | float = 0.0
    more_salt: Array | float = 0.0
    ph_shift: Array | float = 0.0
    """At the electrode, after its lag."""
    log_shift: Array | float = 0.0
    warmer: Array | float = 0.0
    flow_share: Array | float = 1.0
    ph_step: float = 0.0
    """At the electrode, within one reading at the onset."""
    log_step: float = 0.0
    ph_noise_factor: Array | float = 1.0
    lag_s: float = 20.0
    delay_s: float = 5.0
    noise: dict[str, float] = field(default_factory=dict)

    @property
    def t_min(self) -> Array:
        """Minutes of the grid."""
        return np.arange(0.0, self.minutes * 60.0, GRID_S) / 60.0

    def since(self) -> Array:
        """Minutes since the onset, 0 before."""
        return np.maximum(self.t_min - self.onset_min, 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """What a meter would tell, and the truth behind it."""

    kind: str
    seed: int
    block: ReadingBlock
    ph: Array
    settings: IngressSettings
    onset_ms: int
    size_ug_l: float = 0.0
    """Final size of a leak."""
    background_ug_l: float = 0.0
    """Total carbonate before it, as CO2."""
    fall_ph: float = 0.0
    """Final fall of pH, without noise."""
    size_at: tuple[Array, Array] | None = None
    """ms and µg/L of the leak over time."""


def default_noise(rng: Generator, ph: float = 1.0, log: float = 1.0) -> dict[str, float]:
    """Draw noise: white per reading, slow with a time constant, and a wandering background."""
    return {
        "ph_white": ph * rng.uniform(0.001, 0.005),
        "ph_slow": ph * rng.uniform(0.002, 0.008),
        "ph_slow_min": rng.uniform(15.0, 90.0),
        "ph_walk": ph * rng.uniform(0.001, 0.006),
        "log_white": log * rng.uniform(0.001, 0.005),
        "log_slow": log * rng.uniform(0.0005, 0.003),
        "log_slow_min": rng.uniform(15.0, 120.0),
        "c_slow": rng.uniform(0.0, 0.15),
        "t_white": rng.uniform(0.005, 0.02),
        "t_cycle": rng.uniform(0.0, 0.6),
        "t_cycle_min": rng.uniform(30.0, 240.0),
        "bias": rng.normal(0.0, 0.04),
    }


def log_uniform(rng: Generator, low: float, high: float) -> float:
    """Draw a number whose logarithm is as likely anywhere between two."""
    return math.exp(rng.uniform(math.log(low), math.log(high)))


def ou(rng: Generator, n: int, dt_min: float, sd: float, tau_min: float) -> Array:
    """Return an Ornstein-Uhlenbeck series."""
    a = math.exp(-dt_min / tau_min)
    steps = rng.normal(0.0, sd * math.sqrt(1.0 - a * a), n)
    steps[0] = rng.normal(0.0, sd)
    return recursive(steps, a)


def recursive(steps: Array, a: float) -> Array:
    """Return y with y[i] = a y[i-1] + steps[i]."""
    out = np.empty_like(steps)
    y = 0.0
    for i, step in enumerate(steps.tolist()):
        y = a * y + step
        out[i] = y
    return out


def lagged(values: Array, tau_s: float) -> Array:
    """Return a first-order lag of a series on the grid."""
    if tau_s <= 0.0:
        return values
    a = math.exp(-GRID_S / tau_s)
    behind: Array = recursive((1.0 - a) * (values - values[0]), a) + values[0]
    return behind


def simulate(kind: str, seed: int, water: Water) -> Scenario:
    """Return what the meter tells of a water."""
    rng, noise = water.rng, water.noise or default_noise(water.rng)
    t = water.t_min
    n = len(t)
    ones = np.ones(n)
    dt = GRID_S / 60.0
    warm = water.temperature_c + water.warmer * ones
    warm = warm + noise["t_cycle"] * np.sin(2 * np.pi * (t / noise["t_cycle_min"] + rng.uniform()))
    flow = water.flow_usual * water.flow_share * ones
    wander = ou(rng, n, dt, noise["c_slow"], 60.0)
    carbonate = np.maximum(water.background_ug_l + wander, 0.0) / UG_PER_MOL
    added = np.maximum(water.added_ug_l * ones, 0.0) / UG_PER_MOL
    ammonia = water.ammonia + water.more_ammonia * ones
    shown = carbonate + added
    if water.age_s is not None and added.max() > 0.0:
        back = Composition(
            total_carbonate_mol_kg=carbonate, ammonia_mol_kg=ammonia, neutral_salt_mol_kg=water.salt
        )
        shown = np.maximum(apparent_carbonate(added, water.age_s * ones, warm, back), 0.0)

    def made(c: Array, salt: Array) -> tuple[Array, Array]:
        one = speciate(
            Composition(
                total_carbonate_mol_kg=c,
                ammonia_mol_kg=ammonia,
                strong_acid_mol_kg=water.acid * ones,
                strong_base_mol_kg=water.base * ones,
                neutral_salt_mol_kg=salt,
            ),
            warm,
        )
        return np.asarray(one.ph), np.asarray(one.conductivity_us_cm)

    salt = water.salt + water.more_salt * ones
    ph, kappa = made(shown, salt)
    if water.position in ("downstream", "same"):
        kappa = kappa + 7.5 * water.outflow_ul_h / np.maximum(flow, 0.5) * (1 + 0.02 * (warm - 25.0))
    if water.added_at_ph_only:
        _, kappa = made(carbonate, salt)
    clean_ph = ph
    ph = lagged(ph, water.lag_s) + water.ph_shift * ones + noise["bias"]
    ph = ph + ou(rng, n, dt, noise["ph_slow"], noise["ph_slow_min"])
    ph = ph + np.cumsum(rng.normal(0.0, noise["ph_walk"] * math.sqrt(dt / 60.0), n))
    log = lagged(np.log(kappa), 3.0) + water.log_shift * ones
    log = log + ou(rng, n, dt, noise["log_slow"], noise["log_slow_min"])
    at_s = np.arange(rng.uniform(0.05, 0.95) * water.every_s, water.minutes * 60.0 - GRID_S, water.every_s)
    m = len(at_s)

    def read(values: Array, delay_s: float = 0.0) -> Array:
        return np.asarray(np.interp(at_s - delay_s, t * 60.0, values))

    shake = read(water.ph_noise_factor * ones)
    ph_read = read(ph) + rng.normal(0.0, noise["ph_white"], m) * shake
    log_read = read(log, water.delay_s) + rng.normal(0.0, noise["log_white"], m)
    ph_read = ph_read + water.ph_step * (at_s > water.onset_min * 60.0)
    log_read = log_read + water.log_step * (at_s > water.onset_min * 60.0)
    t_read = read(lagged(warm, 10.0)) + rng.normal(0.0, noise["t_white"], m)
    flow_read = read(flow) * (1.0 + rng.normal(0.0, 0.005, m))
    settings = IngressSettings(
        conductivity_position=water.position,
        hold_up_ml=water.hold_up_ml,
        reference_outflow_ul_h=water.outflow_ul_h if water.outflow_declared and water.outflow_ul_h else None,
    )
    onset = int(np.searchsorted(t, water.onset_min))
    return Scenario(
        kind=kind,
        seed=seed,
        block=ReadingBlock.from_columns(
            ms=np.round(at_s * 1000.0).astype(np.int64),
            mv=np.zeros(m),
            temperature_c=t_read,
            conductivity_us_cm=None if water.position is None else np.exp(log_read),
            flow_ml_min=flow_read,
        ),
        ph=ph_read,
        settings=settings,
        onset_ms=round(water.onset_min * 60_000),
        size_ug_l=float(added.max() * UG_PER_MOL),
        background_ug_l=water.background_ug_l,
        fall_ph=float(clean_ph[max(onset - 1, 0)] - clean_ph[-1]),
        size_at=(t * 60_000.0, added * UG_PER_MOL),
    )


def clean_water(rng: Generator, **more: object) -> Water:
    """Return clean water at 25 °C with drawn noise; 30..90 min before an onset, two hours behind it."""
    onset = rng.uniform(30.0, 90.0)
    base = Water(
        rng=rng,
        minutes=onset + 120.0,
        onset_min=onset,
        background_ug_l=rng.uniform(0.0, 3.0),
        salt=rng.uniform(0.0, 4e-8),
        position=rng.choice(["downstream", "same"]),
        lag_s=rng.uniform(5.0, 45.0),
        delay_s=rng.uniform(0.0, 15.0),
        noise=default_noise(rng),
    )
    return replace(base, **more)  # type: ignore[arg-type]  # field names are checked at run time


def shape(rng: Generator, water: Water, fast: float, slow: float) -> Array:
    """Return an onset from 0 to 1: an exponential approach with a time constant between two, minutes."""
    tau = log_uniform(rng, fast, slow)
    grown: Array = 1.0 - np.exp(-water.since() / tau)
    return grown


def ramp(water: Water, minutes: float) -> Array:
    """Return a straight rise from 0 to 1 that takes so many minutes."""
    grown: Array = np.minimum(water.since() / minutes, 1.0)
    return grown
