"""A third generator, written unseen, with a chemistry of its own.

It is held out no longer for four numbers, chosen with some of its seeds in view: what a size spans (leaks
soon after the start, seeds 0 to 31, and of other sizes, 0 to 14), the start weight of the learnt spread
(junction drifts, 0 to 29), the odds a flow test asks for (flow tests, 40 to 79), and what the reference
explains as the flow wavers (KCl in slow flow, 0 to 89). Other seeds and kinds nobody has chosen by.

Its chemistry is `plain_water`'s. Noise is a sum of relaxations over four decades of time (about 1/f), with
single spikes, a display's steps and lost readings; gas enters by mass flow (constant, diffusing, drawn in by
the flow, breathing on and off), travels as plug and stirred cell, and hydrates on its way; the electrode's
slope, zero and junction, and the thermometer's own lag, are off as they are in a plant. The temperature
goes with the day and with the valve of a heat exchanger, the flow with demand.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.random import Generator

from quietcell.core.ingress.event import IngressSettings
from quietcell.core.readings import ReadingBlock
from quietcell.core.settings import Position
from tests.support.ingress_simulation import UG_PER_MOL, Array, Scenario
from tests.support.plain_water import Ions, reads

SIZES = {"2-5": (2.0, 5.0), "5-20": (5.0, 20.0), "20-100": (20.0, 100.0), "100+": (100.0, 500.0)}
AT_ELECTRODE = ("downstream", "same")


def pink(rng: Generator, n: int, every_s: float, sd: float) -> Array:
    """Return noise of about 1/f: relaxations of 20 s to 2 days, each of an equal share."""
    out = np.zeros(n)
    taus = np.geomspace(20.0, 172_800.0, 6)
    for tau in taus:
        a = math.exp(-every_s / tau)
        out += _followed(rng.normal(0.0, math.sqrt(1.0 - a * a), n), a, rng.normal())
    return np.asarray(out * sd / math.sqrt(len(taus)))


def _followed(values: Array, a: float, start: float) -> Array:
    out = np.empty_like(values)
    y = start
    for i, value in enumerate(values.tolist()):
        y = a * y + value
        out[i] = y
    return out


def stirred(values: Array, tau_s: float, every_s: float) -> Array:
    """Return what leaves a stirred volume of a residence time."""
    a = math.exp(-every_s / max(tau_s, 1e-6))
    behind: Array = _followed((1.0 - a) * (values - values[0]), a, 0.0) + values[0]
    return behind


@dataclass(kw_only=True)
class Site:
    """One cell on its sample line, in the state it has before anything happens."""

    rng: Generator
    minutes: float
    onset_min: float
    position: Position | None = "downstream"
    temperature_c: float = 25.0
    ammonia: float = 0.0
    acid: float = 0.0
    every_s: float = 1.0
    grid_s: float = 5.0
    noise: float = 1.0
    """Share of the usual noise of pH."""
    background_ug_l: float | None = None
    outflow_ul_h: float = 0.0
    more: dict[str, Array] = field(default_factory=dict)
    """What is added over time: gas_ug_l, upstream_ug_l, acid, base, salt, ammonia, ph, log, warmer; of
    ph_jump and log_jump the last counts, from the onset on."""
    lost: tuple[float, float] | None = None
    """Minutes without readings."""
    last: Callable[[Array, Array, Array], tuple[Array, Array]] | None = None
    """What a broken sensor makes of time (min), pH and log conductivity."""

    def __post_init__(self) -> None:
        """Draw what lasts."""
        rng = self.rng
        self.t = np.arange(0.0, self.minutes * 60.0, self.grid_s) / 60.0
        self.n = len(self.t)
        self.flow_usual = rng.uniform(50.0, 250.0)
        self.hold_up_ml = rng.uniform(10.0, 80.0)
        self.flow = self.flow_usual * np.exp(pink(rng, self.n, self.grid_s, rng.uniform(0.0, 0.03)))
        if self.background_ug_l is None:
            self.background_ug_l = float(rng.choice([0.3, 1.0, 2.0, 4.0]))
        self.salt = float(rng.uniform(0.0, 6e-8))
        day = 2 * np.pi * (self.t / 1440.0 + rng.uniform())
        self.warm = self.temperature_c + rng.uniform(0.0, 1.5) * np.sin(day)
        self.warm = self.warm + pink(rng, self.n, self.grid_s, rng.uniform(0.02, 0.2))

    def since(self) -> Array:
        """Minutes since the onset."""
        return np.maximum(self.t - self.onset_min, 0.0)

    def put(self, what: str, values: Array) -> None:
        """Add something over time."""
        self.more[what] = self.more.get(what, np.zeros(self.n)) + values

    def got(self, what: str) -> Array:
        """Return what was added of something."""
        return self.more.get(what, np.zeros(self.n))

    def onset(self, slowest_min: float, *, steady: bool = False) -> Array:
        """Return how something comes in: at once, as a ramp, by diffusion, or on and off."""
        rng, x = self.rng, self.since()
        lasts = math.exp(rng.uniform(math.log(0.1), math.log(slowest_min)))
        how = rng.choice(["step", "ramp", "diffusion", "breathing"], p=[0.4, 0.3, 0.15, 0.15])
        how = "step" if steady and how == "breathing" else how
        if how == "step":
            return np.asarray((x > 0).astype(np.float64))
        if how == "ramp":
            return np.asarray(np.minimum(x / lasts, 1.0))
        if how == "diffusion":
            return np.asarray(np.where(x > 0, np.sqrt(x / (x + lasts)), 0.0))
        on, off = rng.uniform(8.0, 30.0), rng.uniform(1.0, 8.0)
        return np.asarray(((x > 0) & (x % (on + off) < on)).astype(np.float64))

    def scenario(self, kind: str, seed: int) -> Scenario:
        """Return what the meter tells."""
        rng, n, dt = self.rng, self.n, self.grid_s
        assert self.background_ug_l is not None
        age = 60.0 * self.hold_up_ml / np.maximum(self.flow, 2.0)
        cell_s = float(np.median(age)) * 0.4
        gas = stirred(np.maximum(self.got("gas_ug_l"), 0.0), cell_s, dt) / UG_PER_MOL
        wander = np.exp(pink(rng, n, dt, rng.uniform(0.0, 0.06)))
        settled = (self.background_ug_l * wander + self.got("upstream_ug_l")) / UG_PER_MOL
        warm = self.warm + self.got("warmer")
        ions = Ions(
            acid=self.acid + stirred(self.got("acid"), cell_s, dt),
            base=stirred(self.got("base"), cell_s, dt),
            salt=self.salt * wander + stirred(self.got("salt"), cell_s, dt),
            ammonia=self.ammonia * np.exp(pink(rng, n, dt, 0.01)) + self.got("ammonia"),
        )
        ph, kappa = reads(ions, warm, settled, gas, age)
        if self.position in ("upstream", "separate-portion"):
            _, kappa = reads(ions, warm, settled, np.zeros(n), age)
        elif self.position is not None:
            kcl = 3e-6 * self.outflow_ul_h / (0.06 * np.maximum(self.flow, 0.3))
            kappa = kappa + 150e3 * kcl * (1 + 0.02 * (warm - 25.0))
        before = int(np.searchsorted(self.t, self.onset_min))
        fall = float(ph[max(before - 1, 0)] - ph[before:].min()) if before < n else 0.0
        ph = stirred(stirred(ph, rng.uniform(3.0, 30.0), dt), rng.uniform(1.0, 12.0), dt)
        ph = 7.0 + (ph - 7.0) * (1.0 + rng.normal(0.0, 0.01)) + rng.normal(0.0, 0.04)
        ph = ph + self.noise * pink(rng, n, dt, rng.uniform(0.003, 0.012)) + self.got("ph")
        log = np.log(kappa * (1.0 + rng.normal(0.0, 0.008))) + self.got("log")
        log = log + pink(rng, n, dt, rng.uniform(0.001, 0.005))
        at = np.arange(rng.uniform(0, 1), self.minutes * 60.0 - 2 * dt, self.every_s)
        at = at[rng.uniform(size=len(at)) > 0.002]
        if self.lost is not None:
            at = at[(at < 60 * self.lost[0]) | (at > 60 * self.lost[1])]
        m = len(at)

        def read(values: Array, delay_s: float = 0.0) -> Array:
            return np.asarray(np.interp(at - delay_s, self.t * 60.0, values))

        spikes = (rng.uniform(size=m) < 2e-4) * rng.normal(0.0, 0.05, m)
        ph_read = read(ph) + self.noise * rng.normal(0.0, rng.uniform(0.0005, 0.004), m) + spikes
        jump = self.got("ph_jump")
        ph_read = ph_read + jump[-1] * (at > self.onset_min * 60.0)
        log_read = read(log, rng.uniform(0.0, 10.0)) + rng.normal(0.0, rng.uniform(0.0005, 0.004), m)
        log_read = log_read + self.got("log_jump")[-1] * (at > self.onset_min * 60.0)
        if self.last is not None:
            ph_read, log_read = self.last(at / 60.0, ph_read, log_read)
        thermometer = stirred(warm, rng.uniform(5.0, 60.0), dt) + rng.normal(0.0, 0.05)
        kappa_read = None if self.position is None else np.round(np.exp(log_read), 5)
        return Scenario(
            kind=kind,
            seed=seed,
            block=ReadingBlock.from_columns(
                ms=np.round(at * 1000.0).astype(np.int64),
                mv=np.zeros(m),
                temperature_c=np.round(read(thermometer) + rng.normal(0.0, 0.01, m), 2),
                conductivity_us_cm=kappa_read,
                flow_ml_min=np.round(np.maximum(read(self.flow), 0.0) + rng.normal(0.0, 0.3, m).clip(0), 1),
            ),
            ph=np.round(ph_read, 3),
            settings=IngressSettings(
                conductivity_position=self.position,
                hold_up_ml=self.hold_up_ml if rng.uniform() < 0.5 else None,
                reference_outflow_ul_h=self.outflow_ul_h or None if rng.uniform() < 0.5 else None,
            ),
            onset_ms=round(self.onset_min * 60_000),
            size_ug_l=float((gas + settled - settled[0]).max() * UG_PER_MOL),
            background_ug_l=self.background_ug_l,
            fall_ph=fall,
            size_at=(self.t * 60_000.0, (gas + self.got("upstream_ug_l") / UG_PER_MOL) * UG_PER_MOL),
        )


def site(seed: int, family: int, **more: object) -> Site:
    """Return a site of a seed with 40..100 min before an onset and two hours behind it."""
    rng = np.random.default_rng([seed, family, 3])
    onset = rng.uniform(40.0, 100.0)
    drawn = {"position": rng.choice(AT_ELECTRODE), "minutes": onset + 120.0, "onset_min": onset}
    return Site(rng=rng, **{**drawn, **more})


def _sized(one: Site, size: str | tuple[float, float]) -> float:
    low, high = SIZES[size] if isinstance(size, str) else size
    return float(math.exp(one.rng.uniform(math.log(low), math.log(high))))


_SLOWEST = {"2-5": 10.0, "5-20": 8.0, "20-100": 4.0, "100+": 2.0}


def leak(seed: int, size: str, *, young: bool = False, **more: object) -> Scenario:
    """Return gas that comes in before both sensors; a fifth of it is drawn in and goes with the flow.

    The size is what shows; of `young` gas, 3..90 s old, a part only.
    """
    one = site(seed, 101, **more)
    share = one.flow_usual / one.flow if one.rng.uniform() > 0.2 else one.flow / one.flow_usual
    added = _sized(one, size) * one.onset(_SLOWEST[size]) * share
    one.put("gas_ug_l" if young else "upstream_ug_l", added)
    return one.scenario("leak", seed)


def upstream(seed: int, *, most_ug_l: float = 200.0, **more: object) -> Scenario:
    """Return CO2 of the loop itself, from 5 µg/L up, settled before it comes; the flow may step later."""
    one = site(seed, 102, **more)
    if one.rng.uniform() < 0.5:
        at = one.onset_min + one.rng.uniform(20.0, 90.0)
        one.flow = one.flow * np.where(one.t > at, one.rng.choice([0.5, 0.7, 1.5, 2.0]), 1.0)
    one.put(
        "upstream_ug_l",
        min(_sized(one, (5.0, 200.0)), most_ug_l) * stirred(one.onset(20.0, steady=True), 120.0, one.grid_s),
    )
    return one.scenario("upstream", seed)


def hidden(seed: int) -> Scenario:
    """Return a leak between an upstream conductivity cell (or a portion apart) and the electrode."""
    one = site(seed, 103, position="upstream" if seed % 3 else "separate-portion")
    one.put("gas_ug_l", _sized(one, (10.0, 300.0)) * one.onset(5.0))
    return one.scenario("hidden", seed)


def before_both(seed: int) -> Scenario:
    """Return a leak before an upstream conductivity cell: both see it."""
    one = site(seed, 104, position="upstream")
    one.put("upstream_ug_l", _sized(one, (8.0, 200.0)) * one.onset(5.0))
    return one.scenario("before both", seed)


def ammoniated(seed: int) -> Scenario:
    """Return 1e-6..1e-5 mol/L of ammonia, and gas that lowers pH by 0.05 at least."""
    one = site(seed, 105, ammonia=float(np.random.default_rng([seed, 1055]).uniform(1e-6, 1e-5)))
    most = one.ammonia * UG_PER_MOL
    one.put("gas_ug_l", most * math.exp(one.rng.uniform(math.log(0.1), math.log(1.5))) * one.onset(5.0))
    return one.scenario("ammoniated", seed)


def acidified(seed: int) -> Scenario:
    """Return water with 1e-7..1e-6 mol/L of strong acid, and 20..300 µg/L of gas."""
    one = site(seed, 106, acid=float(10 ** np.random.default_rng([seed, 1065]).uniform(-7.0, -6.0)))
    one.put("gas_ug_l", _sized(one, (20.0, 300.0)) * one.onset(4.0))
    return one.scenario("acidified", seed)


def warm_leak(seed: int) -> Scenario:
    """Return 20..300 µg/L at 5..85 °C."""
    one = site(seed, 107, temperature_c=float(np.random.default_rng([seed, 1075]).uniform(5.0, 85.0)))
    one.put("gas_ug_l", _sized(one, (20.0, 300.0)) * one.onset(4.0))
    return one.scenario("warm", seed)


def standing(seed: int) -> Scenario:
    """Return a leak that was there before the first reading, of 50..400 µg/L."""
    one = site(seed, 108)
    one.onset_min = 0.0
    one.put("gas_ug_l", np.full(one.n, _sized(one, (50.0, 400.0))))
    return one.scenario("standing", seed)


def quiet(
    seed: int, days: float, *, position: Position | None = "downstream", every_s: float = 10.0
) -> Scenario:
    """Return days in which nothing happens, with the flow and temperature of a plant."""
    one = site(seed, 109, position=position, minutes=days * 1440.0, onset_min=0.0, every_s=every_s, grid_s=30)
    one.temperature_c = 25.0
    changes = np.cumsum(one.rng.exponential(2.5 * 1440.0, 20))
    for at in changes[changes < one.minutes]:
        one.flow[one.t > at] *= one.flow_usual / float(one.flow[-1]) * one.rng.uniform(0.8, 1.2)
    one.put("ph", one.rng.normal(0.0, 0.0015) * one.t / 1440.0)
    return one.scenario("quiet", seed)


# --- lookalikes --------------------------------------------------------------------------------


def _some(one: Site, low: float, high: float) -> float:
    return float(math.exp(one.rng.uniform(math.log(low), math.log(high))))


def _either(one: Site) -> float:
    return float(one.rng.choice([-1.0, 1.0]))


def _acid(one: Site) -> None:
    one.put("acid", _some(one, 5e-8, 2e-6) * one.onset(5.0))


def _base(one: Site) -> None:
    one.put(str(one.rng.choice(["base", "ammonia"])), _some(one, 1e-7, 3e-6) * one.onset(5.0))


def _salt(one: Site) -> None:
    one.put("salt", _some(one, 1e-7, 5e-6) * one.onset(10.0))


def _drift(one: Site) -> None:
    size, lasts = _either(one) * one.rng.uniform(0.06, 0.4), one.rng.uniform(15.0, 100.0)
    x = one.since() / lasts
    one.put("ph", size * (np.log1p(3 * x) / np.log(4.0) if one.rng.uniform() < 0.5 else 1.0 - np.exp(-x)))


def _after_service(one: Site) -> None:
    at, gone = one.onset_min, one.rng.uniform(0.5, 4.0)
    one.lost = (at - gone, at)
    x = one.since()
    size, lasts = _either(one) * one.rng.uniform(0.08, 0.4), one.rng.uniform(5.0, 40.0)
    back = 1.0 / (1.0 + np.sqrt(x / lasts)) if one.rng.uniform() < 0.5 else np.exp(-x / lasts)
    one.put("ph", np.asarray(size * np.where(x > 0, back, 0.0)))


def _electrical(one: Site) -> None:
    one.put("ph_jump", np.full(one.n, _either(one) * one.rng.uniform(0.05, 0.4)))


def _streaming(one: Site) -> None:
    share = one.rng.choice([0.4, 0.6, 1.6, 2.2])
    one.flow = one.flow * np.where(one.since() > 0, share, 1.0)
    one.put("ph", _either(one) * one.rng.uniform(0.06, 0.25) * (one.since() > 0).astype(np.float64))


def _warmer(one: Site) -> None:
    over = one.rng.uniform(1.0, 30.0)
    one.put("warmer", _either(one) * one.rng.uniform(2.0, 8.0) * np.minimum(one.since() / over, 1.0))


def _stopped(one: Site) -> None:
    one.flow = one.flow * np.where(one.since() > 0, one.rng.choice([0.0, 0.01]), 1.0)
    one.put("ph", _either(one) * one.rng.uniform(0.0, 0.15) * (1 - np.exp(-one.since() / 20.0)))


def _conductivity(one: Site) -> None:
    how, x = one.rng.integers(3), one.since()
    if how == 0:
        one.put("log_jump", np.full(one.n, _either(one) * one.rng.uniform(0.1, 0.5)))
    elif how == 1:
        one.put("log", -one.rng.uniform(0.1, 0.6) * np.minimum(x / one.rng.uniform(20.0, 90.0), 1.0))
    else:

        def stuck(t: Array, ph: Array, log: Array) -> tuple[Array, Array]:
            held = log[np.searchsorted(t, one.onset_min)]
            return ph, np.where(t > one.onset_min, held, log)

        one.last = stuck


def _ph_sensor(one: Site) -> None:
    how, rng, onset = one.rng.integers(3), one.rng, one.onset_min
    end = rng.uniform(6.95, 7.05)

    def broken(t: Array, ph: Array, log: Array) -> tuple[Array, Array]:
        x = t - onset
        if how == 0:  # cracked glass: toward zero potential
            return np.where(x > 0, end + (ph - end) * 0.05 * (1 + np.exp(-x.clip(0) / 0.2)), ph), log
        if how == 1:  # a wet plug: noise of many times the usual
            return np.where(x > 0, ph + rng.normal(0.0, 0.2, len(t)), ph), log
        return np.where(x > 0, ph[np.searchsorted(t, onset)], ph), log

    one.last = broken


def _outflow(one: Site) -> None:
    one.outflow_ul_h = one.rng.uniform(2.0, 10.0)
    one.flow = one.flow * np.where(one.since() > 0, one.rng.uniform(0.2, 0.6), 1.0)


LOOKALIKES: dict[str, tuple[Callable[[Site], None], tuple[str, ...]]] = {
    "strong acid": (_acid, ("acidic-ingress",)),
    "base or ammonia": (_base, ("base-ingress",)),
    "salt": (_salt, ("salt-ingress",)),
    "junction drift": (_drift, ("junction-drift",)),
    "junction after service": (_after_service, ("junction-drift", "electrical-step")),
    "electrical step": (_electrical, ("electrical-step",)),
    "streaming": (_streaming, ("streaming",)),
    "temperature": (_warmer, ("temperature", "none")),
    "flow stopped": (_stopped, ("flow-stopped",)),
    "conductivity sensor": (_conductivity, ("sensor-fault",)),
    "pH sensor": (_ph_sensor, ("sensor-fault",)),
    "KCl in slow flow": (_outflow, ("none", "cannot-tell", "flow-stopped")),
}


def lookalike(seed: int, kind: str, **more: object) -> Scenario:
    """Return something that is no carbon dioxide."""
    one = site(seed, 120 + list(LOOKALIKES).index(kind), **more)
    LOOKALIKES[kind][0](one)
    return one.scenario(kind, seed)
