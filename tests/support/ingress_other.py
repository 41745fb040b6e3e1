"""A second generator with other physics, to show what the first one was tuned to.

Noise is autoregressive and telegraphic instead of smooth; the conductivity cell drifts; onsets are ramps,
pulses and square roots of time (diffusion) instead of exponentials; temperature cycles with valves
opening; the flow steps for no reason, and a leak in the sample path grows as it falls; electrode and line
have two lags; readings are rounded as a display rounds them, and come unevenly.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.random import Generator

from quietcell.core.ingress.event import IngressSettings
from quietcell.core.readings import ReadingBlock
from quietcell.core.settings import Position
from quietcell.core.water.speciation import Composition, speciate
from tests.support.ingress_simulation import GRID_S, UG_PER_MOL, Array, Scenario, lagged, log_uniform

MINUTES_BEHIND = 150.0


@dataclass(kw_only=True)
class Plant:
    """A cell with everything that disturbs it while nothing happens."""

    rng: Generator
    minutes: float
    onset_min: float
    position: Position | None = "downstream"
    temperature_c: float = 25.0
    ammonia: float = 0.0

    def __post_init__(self) -> None:
        """Draw what lasts."""
        rng = self.rng
        self.t = np.arange(0.0, self.minutes * 60.0, GRID_S) / 60.0
        self.n = len(self.t)
        self.usual_flow = float(rng.uniform(60.0, 200.0))
        self.flow = self.usual_flow * np.ones(self.n)
        if rng.uniform() < 0.3:
            at = rng.uniform(0.0, self.minutes)
            self.flow[self.t > at] *= rng.uniform(0.75, 1.3)
        self.warm = self.temperature_c + rng.uniform(0.0, 1.0) * np.sign(
            np.sin(2 * np.pi * (self.t / rng.uniform(20.0, 90.0) + rng.uniform()))
        ) * rng.uniform(0.0, 0.5)
        self.warm = lagged(self.warm, rng.uniform(60.0, 600.0))
        self.salt = rng.uniform(0.0, 8e-8)
        self.background = rng.uniform(0.0, 4.0) / UG_PER_MOL
        self.gas = np.zeros(self.n)
        """CO2 added, mol/kg."""
        self.acid = np.zeros(self.n)
        self.base = np.zeros(self.n)
        self.more_salt = np.zeros(self.n)
        self.ph_error = np.zeros(self.n)
        self.log_error = np.zeros(self.n)
        self.hidden = False

    def since(self) -> Array:
        """Minutes since the onset."""
        return np.maximum(self.t - self.onset_min, 0.0)

    def onset(self, fast: float, slow: float) -> Array:
        """Return a rise to 1: a ramp, a square root of time, or a pulse that ends."""
        rng = self.rng
        tau = log_uniform(rng, fast, slow)
        x = self.since() / (2.0 * tau)
        how = rng.integers(3)
        if how == 0:
            return np.asarray(np.minimum(x, 1.0))
        if how == 1:
            return np.asarray(np.minimum(np.sqrt(x), 1.0))
        ends = self.since() > max(30.0, 8.0 * tau)
        return np.where(ends, 0.0, np.minimum(2.0 * x, 1.0))

    def scenario(self, kind: str, seed: int) -> Scenario:
        """Return what the meter tells."""
        rng, n = self.rng, self.n
        ph, kappa = self._water(self.gas)
        before = int(np.searchsorted(self.t, self.onset_min)) - 1
        fall = float(ph[before] - ph[before + 1 :].min()) if before + 1 < n else 0.0
        if self.hidden:
            _, kappa = self._water(np.zeros(n))
        lag_s = rng.uniform(4.0, 40.0)
        ph = lagged(lagged(ph, lag_s), rng.uniform(2.0, 15.0)) + self.ph_error + rng.normal(0.0, 0.05)
        log = lagged(np.log(kappa), rng.uniform(2.0, 12.0)) + self.log_error
        ph = ph + _telegraph(rng, n, 0.004 * rng.uniform(), 40.0) + _autoregressive(rng, n, 0.004)
        log = log + _telegraph(rng, n, 0.003 * rng.uniform(), 60.0) + _autoregressive(rng, n, 0.002)
        log = log + rng.normal(0.0, 0.01) * self.t / 1440.0 + rng.normal(0.0, 0.01)
        ph = ph + rng.normal(0.0, 0.02) * self.t / 1440.0
        every_s = float(rng.choice([1.0, 1.0, 2.0, 5.0]))
        at_s = np.cumsum(rng.uniform(0.7, 1.3, int(self.minutes * 60.0 / every_s) - 20) * every_s)
        at_s = at_s[at_s < self.minutes * 60.0 - GRID_S]
        m = len(at_s)

        def read(values: Array) -> Array:
            return np.asarray(np.interp(at_s, self.t * 60.0, values))

        ph_read = read(ph) + rng.laplace(0.0, 0.003, m)
        log_read = read(log) + rng.laplace(0.0, 0.003, m)
        return Scenario(
            kind=kind,
            seed=seed,
            block=ReadingBlock.from_columns(
                ms=np.round(at_s * 1000.0).astype(np.int64),
                mv=np.zeros(m),
                temperature_c=np.round(read(lagged(self.warm, 20.0)) + rng.normal(0.0, 0.02, m), 2),
                conductivity_us_cm=None
                if self.position is None
                else np.asarray(np.round(np.exp(log_read), 4)),
                flow_ml_min=np.round(read(self.flow) * (1.0 + rng.normal(0.0, 0.01, m)), 1),
            ),
            ph=np.round(ph_read, 3),
            settings=IngressSettings(conductivity_position=self.position),
            onset_ms=round(self.onset_min * 60_000),
            size_ug_l=float(self.gas.max() * UG_PER_MOL),
            background_ug_l=self.background * UG_PER_MOL,
            fall_ph=fall,
            size_at=(self.t * 60_000.0, self.gas * UG_PER_MOL),
        )

    def _water(self, gas: Array) -> tuple[Array, Array]:
        made = speciate(
            Composition(
                total_carbonate_mol_kg=self.background + gas,
                ammonia_mol_kg=self.ammonia,
                strong_acid_mol_kg=self.acid,
                strong_base_mol_kg=self.base,
                neutral_salt_mol_kg=self.salt + self.more_salt,
            ),
            self.warm,
        )
        return np.asarray(made.ph), np.asarray(made.conductivity_us_cm)


def _telegraph(rng: Generator, n: int, size: float, minutes: float) -> Array:
    """Return a random telegraph signal."""
    flips = rng.uniform(size=n) < GRID_S / 60.0 / minutes
    return size * np.where(np.cumsum(flips) % 2 == 0, -0.5, 0.5)


def _autoregressive(rng: Generator, n: int, most: float) -> Array:
    """Return AR(1) noise of a drawn size and memory of 1..20 min."""
    return lagged(rng.normal(0.0, 1.0, n), tau := rng.uniform(60.0, 1200.0)) * (
        rng.uniform(0.2, 1.0) * most * math.sqrt(2.0 * tau / GRID_S)
    )


def plant(seed: int, family: int, **more: object) -> Plant:
    """Return a plant with drawn disturbances and an onset after 25..80 minutes."""
    rng = np.random.default_rng([seed, 77, family])
    onset = rng.uniform(25.0, 80.0)
    return Plant(rng=rng, minutes=onset + MINUTES_BEHIND, onset_min=onset, **more)  # type: ignore[arg-type]  # names are checked at run time


SIZES = {"2-5": (2.0, 5.0), "5-20": (5.0, 20.0), "20-100": (20.0, 100.0), "100+": (100.0, 400.0)}
_TIMES = {"2-5": (1.0, 15.0), "5-20": (0.5, 8.0), "20-100": (0.3, 4.0), "100+": (0.1, 2.0)}


def leak(seed: int, size: str, **more: object) -> Scenario:
    """Return carbon dioxide coming in; half of the leaks lie in the sample path and go with 1/flow."""
    one = plant(seed, 1, **more)
    low, high = SIZES[size]
    final = log_uniform(one.rng, low, high) / UG_PER_MOL
    one.gas = final * one.onset(*_TIMES[size])
    if one.rng.uniform() < 0.5:
        one.gas = one.gas * one.usual_flow / one.flow
    return one.scenario(f"leak {size}", seed)


def ammoniated_leak(seed: int) -> Scenario:
    """Return carbon dioxide in water with 1e-6..1e-5 mol/kg of ammonia."""
    ammonia = float(np.exp(np.random.default_rng([seed, 78]).uniform(np.log(1e-6), np.log(1e-5))))
    one = plant(seed, 2, ammonia=ammonia)
    one.gas = ammonia * one.rng.uniform(0.15, 1.2) * one.onset(0.3, 6.0)
    return one.scenario("ammoniated leak", seed)


def hidden_leak(seed: int) -> Scenario:
    """Return a leak behind an upstream conductivity cell."""
    one = plant(seed, 3, position="upstream")
    one.hidden = True
    one.gas = log_uniform(one.rng, 4.0, 100.0) / UG_PER_MOL * one.onset(0.3, 8.0)
    return one.scenario("hidden leak", seed)


def _acid(one: Plant) -> None:
    one.acid = log_uniform(one.rng, 1e-7, 1e-5) * one.onset(0.2, 6.0)


def _base(one: Plant) -> None:
    one.base = log_uniform(one.rng, 1e-7, 1e-5) * one.onset(0.2, 6.0)


def _salt(one: Plant) -> None:
    one.more_salt = log_uniform(one.rng, 8e-8, 1e-5) * one.onset(0.2, 15.0)


def _junction(one: Plant) -> None:
    one.ph_error = float(one.rng.choice([-1.0, 1.0])) * one.rng.uniform(0.08, 0.35) * one.onset(5.0, 40.0)


def _step(one: Plant) -> None:
    sign = float(one.rng.choice([-1.0, 1.0]))
    one.ph_error = np.where(one.since() > 0, sign * one.rng.uniform(0.06, 0.4), 0.0)


def _streaming(one: Plant) -> None:
    share = one.rng.uniform(0.4, 0.8) if one.rng.uniform() < 0.5 else one.rng.uniform(1.25, 1.8)
    one.flow = np.where(one.since() > 0, one.usual_flow * share, one.usual_flow)
    one.ph_error = (
        float(one.rng.choice([-1.0, 1.0]))
        * one.rng.uniform(0.06, 0.25)
        * (one.flow / one.usual_flow - 1.0)
        / abs(share - 1.0)
    )


def _temperature(one: Plant) -> None:
    change = float(one.rng.choice([-1.0, 1.0])) * one.rng.uniform(4.0, 15.0)
    one.warm = one.warm + lagged(np.where(one.since() > 0, change, 0.0), one.rng.uniform(60.0, 900.0))


def _low_cell(one: Plant) -> None:
    one.log_error = -one.rng.uniform(0.1, 0.6) * one.onset(0.1, 20.0)


OTHER_LOOKALIKES = {
    "strong acid": (_acid, ("acidic-ingress",)),
    "base": (_base, ("base-ingress",)),
    "salt": (_salt, ("salt-ingress",)),
    "junction": (_junction, ("junction-drift",)),
    "electrical step": (_step, ("electrical-step",)),
    "streaming": (_streaming, ("streaming",)),
    "temperature": (_temperature, ("temperature",)),
    "conductivity cell low": (_low_cell, ("sensor-fault",)),
}


def lookalike(seed: int, kind: str, **more: object) -> Scenario:
    """Return something that is no carbon dioxide."""
    one = plant(seed, 10 + list(OTHER_LOOKALIKES).index(kind), **more)
    OTHER_LOOKALIKES[kind][0](one)
    return one.scenario(kind, seed)


def quiet(seed: int, days: float, *, position: Position | None = "downstream") -> Scenario:
    """Return a plant to which nothing happens."""
    rng = np.random.default_rng([seed, 79])
    one = Plant(rng=rng, minutes=days * 1440.0, onset_min=0.0, position=position)
    return one.scenario("quiet", seed)
