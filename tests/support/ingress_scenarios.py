"""Seeded scenarios: leaks and their lookalikes, as `ingress_simulation` lets a meter tell them."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.random import Generator

from quietcell.core.settings import Position
from quietcell.core.water.speciation import Composition, speciate
from tests.support.ingress_simulation import (
    UG_PER_MOL,
    Scenario,
    Water,
    clean_water,
    log_uniform,
    ramp,
    shape,
    simulate,
)

# --- leaks -------------------------------------------------------------------------------------

SIZES = {"2-5": (2.0, 5.0), "5-20": (5.0, 20.0), "20-100": (20.0, 100.0), "100+": (100.0, 400.0)}
_TIMES = {"2-5": (0.3, 15.0), "5-20": (0.3, 10.0), "20-100": (0.2, 4.0), "100+": (0.2, 3.0)}


def leak(seed: int, size: str, **more: object) -> Scenario:
    """Return carbon dioxide coming into clean water."""
    rng = np.random.default_rng([seed, 1])
    water = clean_water(rng, **more)
    low, high = SIZES[size]
    final = log_uniform(rng, low, high)
    water.added_ug_l = final * shape(rng, water, *_TIMES[size])
    return simulate(f"leak {size}", seed, water)


def young_leak(seed: int) -> Scenario:
    """Return a leak in the sample path, its gas not yet turned to ions."""
    rng = np.random.default_rng([seed, 2])
    water = clean_water(rng, hold_up_ml=rng.uniform(10.0, 60.0))
    final = log_uniform(rng, 10.0, 200.0)
    water.added_ug_l = final * shape(rng, water, 0.2, 4.0)
    assert water.hold_up_ml is not None
    water.age_s = 60.0 * water.hold_up_ml / water.flow_usual
    return simulate("young leak", seed, water)


def hidden_leak(seed: int) -> Scenario:
    """Return a leak between an upstream conductivity cell and the electrode."""
    rng = np.random.default_rng([seed, 3])
    water = clean_water(rng, position="upstream", added_at_ph_only=True)
    water.added_ug_l = log_uniform(rng, 4.0, 100.0) * shape(rng, water, 0.3, 8.0)
    return simulate("hidden leak", seed, water)


def upstream_leak(seed: int) -> Scenario:
    """Return a leak before both an upstream conductivity cell and the electrode, fall above 0.05."""
    rng = np.random.default_rng([seed, 4])
    water = clean_water(rng, position=str(rng.choice(["upstream", "separate-portion"])))
    water.delay_s = -rng.uniform(0.0, 40.0)
    water.added_ug_l = log_uniform(rng, 2.0, 100.0) * shape(rng, water, 0.3, 8.0)
    return simulate("leak before both", seed, water)


def ammoniated_leak(seed: int) -> Scenario:
    """Return carbon dioxide in ammoniated water, 1e-6..1e-5 mol/kg, that moves pH by 0.05..1."""
    rng = np.random.default_rng([seed, 5])
    ammonia = log_uniform(rng, 1e-6, 1e-5)
    water = clean_water(rng, ammonia=ammonia, salt=rng.uniform(0.0, 1e-7))
    before = float(speciate(Composition(ammonia_mol_kg=ammonia), 25.0).ph)
    wanted = before - log_uniform(rng, 0.05, 1.0)
    grid = np.geomspace(1e-8, 1e-4, 400)
    falls = np.asarray(speciate(Composition(total_carbonate_mol_kg=grid, ammonia_mol_kg=ammonia), 25.0).ph)
    size = float(np.interp(-wanted, -falls, grid)) * UG_PER_MOL
    water.added_ug_l = size * shape(rng, water, 0.3, 8.0)
    return simulate("ammoniated leak", seed, water)


def hot_leak(seed: int) -> Scenario:
    """Return carbon dioxide in hot water, 40..85 °C."""
    rng = np.random.default_rng([seed, 6])
    water = clean_water(rng, temperature_c=rng.uniform(40.0, 85.0))
    water.added_ug_l = log_uniform(rng, 10.0, 300.0) * shape(rng, water, 0.3, 8.0)
    return simulate("hot leak", seed, water)


def leak_by_ph_alone(seed: int, size: str) -> Scenario:
    """Return a leak where no conductivity is measured."""
    rng = np.random.default_rng([seed, 7])
    water = clean_water(rng, position=None)
    low, high = SIZES[size]
    water.added_ug_l = log_uniform(rng, low, high) * shape(rng, water, *_TIMES[size])
    return simulate(f"leak {size}, no conductivity", seed, water)


def standing_leak(seed: int) -> Scenario:
    """Return carbon dioxide there from the first second."""
    rng = np.random.default_rng([seed, 8])
    water = clean_water(rng)
    water.added_ug_l = log_uniform(rng, 20.0, 300.0)
    return replace(simulate("standing leak", seed, water), onset_ms=0)


# --- lookalikes --------------------------------------------------------------------------------


def _sign(rng: Generator) -> float:
    return float(rng.choice([-1.0, 1.0]))


def _acid(rng: Generator, water: Water) -> None:
    water.acid = log_uniform(rng, 1e-7, 2e-5) * shape(rng, water, 0.3, 8.0)


def _base(rng: Generator, water: Water) -> None:
    amount = log_uniform(rng, 1e-7, 1e-5) * shape(rng, water, 0.3, 8.0)
    if rng.uniform() < 0.5:
        water.base = amount
    else:
        water.more_ammonia = amount


def _salt(rng: Generator, water: Water) -> None:
    water.more_salt = log_uniform(rng, 5e-8, 1e-5) * shape(rng, water, 0.3, 20.0)


def _junction_drift(rng: Generator, water: Water) -> None:
    time = rng.uniform(10.0, 100.0)
    water.ph_shift = _sign(rng) * rng.uniform(0.1, 0.4) * ramp(water, time)


def _junction_relaxation(rng: Generator, water: Water) -> None:
    water.ph_shift = _sign(rng) * rng.uniform(0.1, 0.3) * shape(rng, water, 5.0, 40.0)


def _electrical_step(rng: Generator, water: Water) -> None:
    water.ph_step = _sign(rng) * rng.uniform(0.06, 0.5)


def _streaming(rng: Generator, water: Water) -> None:
    change = rng.uniform(0.2, 0.6) * _sign(rng)
    water.flow_share = np.where(water.since() > 0, 1.0 + change, 1.0)
    water.ph_shift = _sign(rng) * rng.uniform(0.06, 0.3) * shape(rng, water, 0.1, 0.5)


def _temperature(rng: Generator, water: Water) -> None:
    water.warmer = _sign(rng) * rng.uniform(4.0, 12.0) * ramp(water, rng.uniform(5.0, 40.0))


def _flow_stopped(rng: Generator, water: Water) -> None:
    stopped = water.since() > 0
    water.flow_share = np.where(stopped, 0.0, 1.0)
    water.added_ug_l = rng.uniform(0.05, 0.5) * water.since()
    water.more_salt = rng.uniform(0.0, 1e-8) * water.since()


def _conductivity_fault(rng: Generator, water: Water) -> None:
    how = rng.integers(3)
    if how == 0:
        water.log_step = _sign(rng) * rng.uniform(0.06, 1.0)
    elif how == 1:
        water.log_shift = -rng.uniform(0.08, 0.5) * ramp(water, rng.uniform(5.0, 60.0))
    else:
        water.log_shift = -rng.uniform(0.1, 2.0) * shape(rng, water, 0.2, 5.0)


def _ph_fault(rng: Generator, water: Water) -> None:
    if rng.uniform() < 0.5:
        water.ph_noise_factor = np.where(water.since() > 0, rng.uniform(20.0, 60.0), 1.0)
    else:
        water.ph_shift = -rng.uniform(4.0, 6.0) * shape(rng, water, 0.05, 2.0)


def _reference_outflow(rng: Generator, water: Water) -> None:
    water.outflow_ul_h = rng.uniform(2.0, 10.0)
    water.outflow_declared = bool(rng.uniform() < 0.5)
    water.flow_share = np.where(water.since() > 0, 1.0 - rng.uniform(0.3, 0.7), 1.0)


LOOKALIKES: dict[str, tuple[Callable[[Generator, Water], None], tuple[str, ...]]] = {
    "strong acid": (_acid, ("acidic-ingress",)),
    "base": (_base, ("base-ingress",)),
    "salt": (_salt, ("salt-ingress",)),
    "junction drift": (_junction_drift, ("junction-drift",)),
    "junction relaxation": (_junction_relaxation, ("junction-drift",)),
    "electrical step": (_electrical_step, ("electrical-step",)),
    "streaming": (_streaming, ("streaming",)),
    "temperature": (_temperature, ("temperature",)),
    "flow stopped": (_flow_stopped, ("flow-stopped",)),
    "conductivity fault": (_conductivity_fault, ("sensor-fault",)),
    "ph fault": (_ph_fault, ("sensor-fault",)),
    "reference outflow": (_reference_outflow, ("none", "cannot-tell", "flow-stopped")),
}
"""Kinds of lookalike, how they are made, and the diagnoses that are right."""


def lookalike(seed: int, kind: str, **more: object) -> Scenario:
    """Return something that is no carbon dioxide."""
    rng = np.random.default_rng([seed, 9, list(LOOKALIKES).index(kind)])
    water = clean_water(rng, **more)
    LOOKALIKES[kind][0](rng, water)
    return simulate(kind, seed, water)


def quiet(
    seed: int, days: float, *, position: Position | None = "downstream", every_s: float = 10.0
) -> Scenario:
    """Return water to which nothing happens, with daily temperature, for some days."""
    rng = np.random.default_rng([seed, 10])
    water = clean_water(rng, position=position, every_s=every_s)
    water.minutes, water.onset_min = days * 1440.0, 0.0
    water.background_ug_l = rng.choice([0.0, 2.0, 5.0, 20.0])
    day = 2 * np.pi * water.t_min / 1440.0
    water.warmer = rng.uniform(0.0, 1.5) * np.sin(day + rng.uniform(0, 6))
    return simulate("quiet", seed, water)


def stagnant(seed: int) -> Scenario:
    """Return a stopped flow with the reference's electrolyte gathering in a cell of 100 mL.

    0.075 µS/cm per minute and µL/h, divided between 1 and 10 µL/h.
    """
    rng = np.random.default_rng([seed, 11])
    water = clean_water(rng)
    water.flow_share = np.where(water.since() > 0, 0.0, 1.0)
    water.more_salt = rng.uniform(1.0, 10.0) * 0.075 / 126.4e3 * water.since()
    return simulate("stagnant", seed, water)
