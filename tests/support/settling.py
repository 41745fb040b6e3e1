"""Seeded settling traces whose end is known, and a scorer for whatever accepts them.

Exponential and non-exponential relaxations of an electrode in pure water, of its junction, of the
sample and of its temperature, under white, flicker, random-walk and autocorrelated noise. All
numbers are invented within what the trade reports; the ranges stand beside the draws.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

Array = NDArray[np.float64]

MV_PER_PH = 59.159
RIGHT_WITHIN_PH = 0.02
OFF_BEYOND_PH = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Trace:
    """One electrode put into one sample, as a meter would tell it, and the truth behind it."""

    family: str
    ms: NDArray[np.int64]
    mv: Array
    temperature_c: Array
    conductivity_us_cm: Array
    flow_ml_min: Array
    clean_ph: Array
    """Without noise, at each reading."""
    end_ph: float | None
    """None when the sample never comes to rest."""
    right_s: float | None
    """Earliest right moment: from then on the clean trace stays within 0.02 pH of its end."""
    from_buffer: bool = False
    """The electrode was lately lifted from a buffer, and whoever put it here may say so."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Acceptance:
    """When and at what value a method accepted a trace."""

    at_s: float
    ph: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    """What became of many traces."""

    with_endpoint: int
    accepted: int
    off: int
    early: int
    delays_s: tuple[float, ...]
    """After the earliest right moment, of the accepted ones; negative when before."""
    without_endpoint: int
    accepted_without: int

    @property
    def row(self) -> str:
        """Percentages and the median delay, as the bench prints them."""

        def share(count: int, of: int) -> str:
            return f"{100.0 * count / of:6.1f}" if of else "     -"

        median = f"{float(np.median(self.delays_s)):6.0f}" if self.delays_s else "     -"
        tail = f"{float(np.quantile(self.delays_s, 0.9)):6.0f}" if self.delays_s else "     -"
        return (
            f"{self.with_endpoint:5d} {share(self.accepted, self.with_endpoint)} "
            f"{share(self.off, self.with_endpoint)} {share(self.early, self.with_endpoint)} {median} {tail} "
            f"{self.without_endpoint:5d} {share(self.accepted_without, self.without_endpoint)}"
        )


HEADER = "    n  acc %  off % early%  med s  p90 s  none  acc %"


def score(traces: Sequence[Trace], outcomes: Sequence[Acceptance | None]) -> Score:
    """Hold acceptances against the truth."""
    with_endpoint = accepted = off = early = without = accepted_without = 0
    delays: list[float] = []
    for trace, outcome in zip(traces, outcomes, strict=True):
        if trace.end_ph is None or trace.right_s is None:
            without += 1
            accepted_without += outcome is not None
            continue
        with_endpoint += 1
        if outcome is None:
            continue
        accepted += 1
        error = abs(outcome.ph - trace.end_ph)
        off += error > OFF_BEYOND_PH
        early += outcome.at_s < trace.right_s and error > RIGHT_WITHIN_PH
        delays.append(outcome.at_s - trace.right_s)
    return Score(
        with_endpoint=with_endpoint,
        accepted=accepted,
        off=off,
        early=early,
        delays_s=tuple(delays),
        without_endpoint=without,
        accepted_without=accepted_without,
    )


# ---------------------------------------------------------------- noise


def white(rng: Generator, n: int, sd: float) -> Array:
    """Independent normal noise."""
    return rng.normal(0.0, sd, n)


def flicker(rng: Generator, n: int, sd: float) -> Array:
    """1/f noise of variance sd² in every factor e of frequency."""
    padded = 1 << (4 * n - 1).bit_length()
    order = np.arange(1, padded // 2 + 1)
    spectrum = np.zeros(padded // 2 + 1, np.complex128)
    spectrum[1:] = sd * padded / (2.0 * np.sqrt(order)) * (rng.normal(size=(len(order), 2)) @ [1.0, 1.0j])
    return np.fft.irfft(spectrum, padded)[:n]


def random_walk(rng: Generator, n: int, sd_per_sqrt_min: float, interval_s: float) -> Array:
    """Random walk."""
    return np.cumsum(rng.normal(0.0, sd_per_sqrt_min * np.sqrt(interval_s / 60.0), n))


def autoregressive(rng: Generator, n: int, sd: float, phi: float) -> Array:
    """AR(1) noise of standard deviation `sd`."""
    step = rng.normal(0.0, sd * np.sqrt(1.0 - phi * phi), n)
    out = np.empty(n)
    level = rng.normal(0.0, sd)
    for i in range(n):
        level = phi * level + step[i]
        out[i] = level
    return out


def electrode_noise(rng: Generator, n: int, interval_s: float) -> Array:
    """Noise of one electrode in pure water, mV: every electrode its own mixture."""
    noise = white(rng, n, np.exp(rng.uniform(np.log(0.02), np.log(0.15))))
    noise += flicker(rng, n, np.exp(rng.uniform(np.log(0.003), np.log(0.04))))
    if rng.random() < 0.3:
        noise += random_walk(rng, n, np.exp(rng.uniform(np.log(0.003), np.log(0.03))), interval_s)
    if rng.random() < 0.3:
        noise += autoregressive(
            rng, n, rng.uniform(0.02, 0.1), float(np.exp(-interval_s / rng.uniform(2, 15)))
        )
    return noise


# ---------------------------------------------------------------- shapes (pH against seconds)


def _signed(rng: Generator, low: float, high: float) -> float:
    """Draw a size log-uniformly, either sign."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))) * rng.choice([-1.0, 1.0]))


def _log(rng: Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def plain(rng: Generator, t: Array) -> Array:
    """One exponential: the layer of water at the membrane."""
    return np.asarray(_signed(rng, 0.2, 3.0) * np.exp(-t / _log(rng, 3.0, 45.0)))


def slow_second(rng: Generator, t: Array) -> Array:
    """A second, slower exponential of the same sign."""
    fast = _signed(rng, 0.3, 3.0)
    slow = np.sign(fast) * rng.uniform(0.03, 0.35)
    return np.asarray(fast * np.exp(-t / _log(rng, 3.0, 25.0)) + slow * np.exp(-t / _log(rng, 50.0, 400.0)))


def opposed(rng: Generator, t: Array) -> Array:
    """Two exponentials of opposite sign: a plateau that is none."""
    fast = _signed(rng, 0.2, 2.0)
    slow = -np.sign(fast) * rng.uniform(0.04, 0.3)
    return np.asarray(fast * np.exp(-t / _log(rng, 5.0, 45.0)) + slow * np.exp(-t / _log(rng, 70.0, 400.0)))


def stretched(rng: Generator, t: Array) -> Array:
    """A stretched exponential: a gel layer with many time constants."""
    return np.asarray(
        _signed(rng, 0.2, 2.0) * np.exp(-((t / _log(rng, 2.0, 25.0)) ** rng.uniform(0.4, 0.75)))
    )


def square_root(rng: Generator, t: Array) -> Array:
    """A tail as one over the square root of time: diffusion out of a film."""
    tail = 1.0 / np.sqrt(1.0 + t / _log(rng, 0.3, 5.0))
    return np.asarray(_signed(rng, 0.1, 1.0) * (tail - tail[-1]))


def junction(rng: Generator, t: Array) -> Array:
    """A liquid junction fresh from buffer: 5 to 40 min."""
    fast = _signed(rng, 0.2, 2.0)
    return np.asarray(
        fast * np.exp(-t / _log(rng, 4.0, 30.0))
        + _signed(rng, 0.03, 0.2) * np.exp(-t / _log(rng, 300.0, 2400.0))
    )


def carry_over(rng: Generator, t: Array) -> Array:
    """The last sample washed out of the cell, read by a lagging electrode."""
    after = 10.0 ** -rng.uniform(5.6, 7.2)
    before = 10.0 ** -rng.uniform(3.5, 6.5)
    wash_s, lag_s = _log(rng, 8.0, 60.0), _log(rng, 3.0, 15.0)
    ph = -np.log10(after + before * np.exp(-t / wash_s))
    return np.asarray(lagged(t, ph, lag_s, first=4.0) + np.log10(after))


def lagged(t: Array, level: Array, lag_s: float, *, first: float) -> Array:
    """First-order response to `level`, from `first` on."""
    out = np.empty_like(level)
    state = first
    previous = t[0]
    for i, (now, target) in enumerate(zip(t, level, strict=True)):
        state += (target - state) * (1.0 - np.exp(-(now - previous) / lag_s))
        out[i] = state
        previous = now
    return out


SHAPES_BY_FAMILY: dict[str, Callable[[Generator, Array], Array]] = {
    "plain": plain,
    "slow-second": slow_second,
    "opposed": opposed,
    "stretched": stretched,
    "square-root": square_root,
    "junction": junction,
    "carry-over": carry_over,
}
DISTURBED = ("spikes", "quantised", "hum", "gaps")
FAMILIES = (*SHAPES_BY_FAMILY, "thermal", "flow-step", *DISTURBED, "co2-uptake")
FROM_BUFFER = frozenset({"junction"})
"""Their physics is that of a junction still full of buffer."""
HARD = frozenset({"opposed", "stretched", "square-root"})
"""Reported apart: no exponential, or a false plateau."""


def settling_trace(family: str, seed: int) -> Trace:
    """Make one trace of a family.

    Parameters
    ----------
    family : str
        One of `FAMILIES`.
    seed : int
        Equal seeds give equal traces.
    """
    rng = np.random.default_rng([FAMILIES.index(family), seed])
    length_s = (
        7200.0 if family == "junction" else 3600.0 if family in {"co2-uptake", "square-root"} else 1800.0
    )
    interval_s = float(rng.choice([1.0, 1.0, 1.0, 2.0]))
    n = int(length_s / interval_s)
    ms = (np.arange(n) * interval_s * 1000.0 + rng.uniform(0.0, 80.0, n)).astype(np.int64)
    t = ms / 1000.0
    end_ph = float(rng.uniform(5.6, 7.3))
    temperature = np.full(n, rng.uniform(15.0, 30.0))
    flow = np.full(n, rng.uniform(40.0, 120.0))
    conductivity = np.full(n, _log(rng, 0.06, 3.0))
    shape: Array
    rests = True
    if family in SHAPES_BY_FAMILY:
        shape = SHAPES_BY_FAMILY[family](rng, t)
    elif family == "thermal":
        shape, temperature = _thermal(rng, t, temperature)
    elif family == "flow-step":
        shape, flow = _flow_step(rng, t, flow)
    elif family == "co2-uptake":
        shape, conductivity = _uptake(rng, t)
        end_ph, rests = 0.0, False
    else:
        shape = SHAPES_BY_FAMILY[str(rng.choice(["plain", "slow-second"]))](rng, t)
    clean = end_ph + shape
    mv = -MV_PER_PH * (clean - 7.0) + electrode_noise(rng, n, interval_s)
    ms, mv, keep = _disturbed(rng, family, ms, mv)
    conductivity = conductivity * (1.0 + rng.normal(0.0, 0.002, n))
    temperature = temperature + rng.normal(0.0, 0.02, n)
    flow = flow * (1.0 + rng.normal(0.0, 0.01, n))
    outside = np.flatnonzero(np.abs(clean - end_ph) > RIGHT_WITHIN_PH)
    right_s = (float(t[outside[-1]]) if len(outside) else 0.0) if rests else None
    if right_s is not None and right_s > length_s - 900.0:
        rests, right_s = False, None
    return Trace(
        family=family,
        ms=ms[keep],
        mv=mv[keep],
        temperature_c=temperature[keep],
        conductivity_us_cm=conductivity[keep],
        flow_ml_min=flow[keep],
        clean_ph=clean[keep],
        end_ph=end_ph if rests else None,
        right_s=right_s,
        from_buffer=family in FROM_BUFFER,
    )


def _thermal(rng: Generator, t: Array, temperature: Array) -> tuple[Array, Array]:
    """Sample and electrode come to one temperature; the glass follows later than the thermometer."""
    gap_c = _signed(rng, 1.0, 10.0)
    bath_s = _log(rng, 40.0, 250.0)
    liquid = gap_c * np.exp(-t / bath_s)
    glass = lagged(t, liquid, rng.uniform(20.0, 90.0), first=gap_c * rng.uniform(-1.0, 1.0))
    thermometer = lagged(t, liquid, rng.uniform(3.0, 20.0), first=0.0)
    ph = -0.0166 * liquid + rng.uniform(0.005, 0.015) * glass + plain(rng, t)
    return ph, temperature + thermometer


def _flow_step(rng: Generator, t: Array, flow: Array) -> tuple[Array, Array]:
    """A change of flow early on; the streaming potential stays with the flow."""
    at_s = rng.uniform(5.0, 55.0)
    size = _signed(rng, 0.02, 0.2)
    after = t >= at_s
    changed = flow * np.where(after, 1.0, rng.uniform(0.3, 0.8))
    approach = np.where(after, np.exp(-np.maximum(t - at_s, 0.0) / _log(rng, 3.0, 20.0)), 1.0)
    return plain(rng, t) + size * approach, changed


def _uptake(rng: Generator, t: Array) -> tuple[Array, Array]:
    """Carbon dioxide enters a beaker; pH and conductivity from the charge balance, nothing else in it."""
    gas_h = _log(rng, 1e-5, 6e-5) / rng.uniform(0.05, 0.1)  # transfer velocity over depth, 1/s
    equilibrium = 16.4e-6 * rng.uniform(0.9, 1.6)  # total CO2 against indoor air, mol/L
    begin_s = rng.uniform(-600.0, 0.0)
    total = equilibrium * (1.0 - np.exp(-gas_h * (t - begin_s)))
    k1, kw = 4.45e-7, 1.008e-14
    h = np.full_like(total, 1e-6)
    for _ in range(60):  # Newton on h = kw/h + k1 total / (k1 + h), at 25 degrees
        f = h - kw / h - k1 * total / (k1 + h)
        slope = 1.0 + kw / (h * h) + k1 * total / (k1 + h) ** 2
        h = np.maximum(h - f / slope, 0.2 * h)
    ph = -np.log10(h)
    conductivity = 1000.0 * (h * 349.8 + kw / h * 198.0 + (h - kw / h) * 44.5)
    return lagged(t, ph, _log(rng, 3.0, 20.0), first=float(rng.choice([4.0, 6.9, 9.2]))), conductivity


def _disturbed(
    rng: Generator, family: str, ms: NDArray[np.int64], mv: Array
) -> tuple[NDArray[np.int64], Array, NDArray[np.bool_]]:
    """Let meter and surroundings spoil a trace."""
    n = len(mv)
    keep = np.ones(n, np.bool_)
    if family == "spikes":
        hit = rng.random(n) < rng.uniform(0.003, 0.04)
        mv = mv + hit * rng.choice([-1.0, 1.0], n) * np.exp(rng.uniform(0.0, 4.5, n))
    elif family == "quantised":
        step = float(rng.choice([0.1, 0.1, 0.31]))
        mv = np.round(mv / step) * step
    elif family == "hum":
        mv = mv + rng.uniform(0.05, 0.4) * np.sin(2.0 * np.pi * rng.uniform(0.02, 0.45) * ms / 1000.0 + 1.0)
    elif family == "gaps":
        for _ in range(int(rng.integers(1, 6))):
            begin = int(rng.integers(0, max(1, n // 2)))
            keep[begin : begin + int(rng.integers(2, 25))] = False
    return ms, mv, keep


def settling_traces(count: int, seed: int = 0, *, families: Sequence[str] = FAMILIES) -> list[Trace]:
    """Make `count` traces, the families in turn."""
    return [settling_trace(families[i % len(families)], seed + i // len(families)) for i in range(count)]
