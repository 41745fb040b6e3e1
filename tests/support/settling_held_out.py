"""A third family of settling traces, never tuned to: the held-out check of the endpoint.

A stagnant layer as a ladder of well-mixed slices read by its logarithm, surface exchange before
half-infinite diffusion, log-normal spectra of time constants, half cells that warm at their own pace,
a leak into the sample with an alkaline background. Noise by power laws between white and random
walk, bursts, and the slow swing of a room. Ranges after what is published of pure-water electrodes
(transport over seconds to minutes, junctions over 5 to 40 min, 0.02 to 0.3 mV of noise); the rest is
invented.
"""

from collections.abc import Callable, Sequence

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from tests.support.settling import MV_PER_PH, RIGHT_WITHIN_PH, Array, Trace

Shape = Callable[[Generator, Array], Array]


def _log(rng: Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _sign(rng: Generator) -> float:
    return float(rng.choice([-1.0, 1.0]))


def ladder(t: Array, time_s: float) -> Array:
    """Share of the old solution at the closed end of a stagnant layer, a ladder of mixed slices."""
    slices = 12
    matrix = 2.0 * np.eye(slices) - np.eye(slices, k=1) - np.eye(slices, k=-1)
    matrix[-1, -1] = 1.0
    rates, modes = np.linalg.eigh(matrix * slices**2 / time_s)
    weights = modes[-1] * modes.sum(axis=0)
    return np.asarray(np.exp(-np.outer(t, rates)) @ weights)


def surface_exchange(t: Array, time_s: float) -> Array:
    """exp(x) erfc(sqrt(x)), x = t / time_s: exchange at a face of a half-infinite body (Carslaw, Jaeger)."""
    u = np.exp(np.linspace(-30.0, 14.0, 441))
    weights = np.sqrt(u) / (1.0 + u) / np.pi * np.log(u[1] / u[0])
    return np.asarray(np.exp(-np.outer(t / time_s, u)) @ weights)


def spectrum(t: Array, median_s: float, width: float) -> Array:
    """Relaxation over log-normally spread time constants."""
    z = np.linspace(-3.0, 3.0, 61)
    weights = np.exp(-0.5 * z * z)
    return np.asarray(np.exp(-np.outer(t, np.exp(-width * z) / median_s)) @ (weights / weights.sum()))


def _membrane(rng: Generator, t: Array) -> Array:
    """The first, fast approach: in hydrogen ions half of the time, in potential else."""
    if rng.random() < 0.5:
        return np.asarray(_sign(rng) * _log(rng, 0.1, 2.5) * np.exp(-t / _log(rng, 4.0, 35.0)))
    old_over_new = 10.0 ** (_sign(rng) * _log(rng, 0.1, 2.5))
    return np.asarray(
        -np.log10(1.0 + (old_over_new - 1.0) * np.clip(ladder(t, _log(rng, 20.0, 150.0)), 0, 1))
    )


def _second(rng: Generator, t: Array) -> Array:
    first = _membrane(rng, t)
    return np.asarray(first + np.sign(first[0]) * _log(rng, 0.02, 0.3) * np.exp(-t / _log(rng, 60.0, 500.0)))


def _opposed(rng: Generator, t: Array) -> Array:
    first = _membrane(rng, t)
    slow = spectrum(t, _log(rng, 60.0, 350.0), rng.uniform(0.0, 0.5))
    return np.asarray(first - np.sign(first[0]) * _log(rng, 0.03, 0.25) * slow)


def _stretched(rng: Generator, t: Array) -> Array:
    return np.asarray(
        _sign(rng) * _log(rng, 0.2, 2.0) * spectrum(t, _log(rng, 3.0, 30.0), rng.uniform(0.8, 1.6))
    )


def _root(rng: Generator, t: Array) -> Array:
    tail = surface_exchange(t, _log(rng, 0.2, 6.0))
    return np.asarray(_sign(rng) * _log(rng, 0.1, 1.0) * (tail - tail[-1]))


def _from_buffer(rng: Generator, t: Array) -> Array:
    tail = spectrum(t, _log(rng, 300.0, 2400.0), rng.uniform(0.2, 0.9))
    return np.asarray(_membrane(rng, t) + _sign(rng) * _log(rng, 0.025, 0.25) * tail)


def _meter(rng: Generator, t: Array) -> Array:
    return _second(rng, t) if rng.random() < 0.4 else _membrane(rng, t)


SHAPES: dict[str, Shape] = {
    "membrane": _membrane,
    "second": _second,
    "opposed-spectrum": _opposed,
    "stretched-spectrum": _stretched,
    "surface-root": _root,
    "from-buffer": _from_buffer,
    "rough-meter": _meter,
}
HELD_OUT = (*SHAPES, "half-cells", "pump-step", "leak")
HELD_OUT_FROM_BUFFER = frozenset({"from-buffer"})
HELD_OUT_HARD = frozenset({"opposed-spectrum", "stretched-spectrum", "surface-root"})


def power_law(rng: Generator, n: int, sd: float, exponent: float) -> Array:
    """Noise with a spectrum of f^-exponent, of standard deviation `sd` among 64 neighbours on average."""
    padded = 1 << (4 * n - 1).bit_length()
    order = np.arange(1, padded // 2 + 1)
    lines = np.zeros(padded // 2 + 1, np.complex128)
    lines[1:] = order ** (-0.5 * exponent) * (rng.normal(size=(len(order), 2)) @ [1.0, 1.0j])
    noise = np.fft.irfft(lines, padded)[: n - n % 64].reshape(-1, 64)
    scale = sd / float(np.sqrt(np.mean(np.var(noise, axis=1))))
    return scale * np.resize(noise.ravel(), n)


def cell_noise(rng: Generator, t: Array) -> Array:
    """Noise of one cell, mV."""
    noise = rng.normal(0.0, _log(rng, 0.015, 0.12), len(t))
    noise += power_law(rng, len(t), _log(rng, 0.01, 0.08), rng.uniform(0.7, 1.4))
    if rng.random() < 0.3:  # the room's cooling, on the cable
        noise += _log(rng, 0.01, 0.06) * np.sin(2.0 * np.pi * (t / _log(rng, 150.0, 900.0) + rng.random()))
    if rng.random() < 0.3:  # bubbles passing
        for _ in range(rng.poisson(t[-1] / 600.0)):
            begin = rng.uniform(0.0, t[-1])
            after = np.maximum(t - begin, 0.0)
            noise += _sign(rng) * _log(rng, 0.1, 1.5) * np.exp(-after / rng.uniform(2.0, 12.0)) * (t >= begin)
    return noise


def _half_cells(rng: Generator, t: Array) -> tuple[Array, Array]:
    """Glass and reference warm at their own pace; the thermometer sits between."""
    gap_c = _sign(rng) * _log(rng, 1.0, 8.0)
    glass, reference, liquid = (gap_c * np.exp(-t / tau) for tau in np.exp(rng.uniform(3.4, 5.5, 3)))
    ph = 0.014 * glass - 0.012 * reference - 0.0166 * liquid
    return _membrane(rng, t) + ph, liquid * (1.0 - np.exp(-t / rng.uniform(4.0, 25.0)))


def _pump_step(rng: Generator, t: Array) -> tuple[Array, Array]:
    """A pump changes pace; streaming follows the flow, the layer at the glass thins or thickens."""
    at_s, ratio = rng.uniform(10.0, 120.0), rng.uniform(0.4, 0.9)
    pace = 1.0 / (1.0 + np.exp(-np.clip((t - at_s) / rng.uniform(0.5, 4.0), -50.0, 50.0)))
    streaming = _sign(rng) * _log(rng, 0.02, 0.15) * (1.0 - pace) * (1.0 - ratio)
    return _membrane(rng, t) + streaming / 0.6, ratio + (1.0 - ratio) * pace


def _leak(rng: Generator, t: Array) -> tuple[Array, Array, int]:
    """Air reaches the sample: pH, conductivity at 25 °C, and how many readings until 90 % is in."""
    per_s = _log(rng, 0.25, 5.0) / 3600.0
    most = 14.5e-6 * rng.uniform(1.0, 2.5)
    base = float(rng.choice([0.0, 0.0, _log(rng, 1e-7, 3e-6)]))
    taken = (t + rng.uniform(5.0, 400.0)) * per_s
    total = most * (1.0 - np.exp(-taken))
    low, high = np.full_like(t, 1e-10), np.full_like(t, 1e-3)
    h = np.sqrt(low * high)
    for _ in range(60):  # bisect the charge balance
        h = np.sqrt(low * high)
        excess = h + base - 1.01e-14 / h - 4.45e-7 * total / (4.45e-7 + h)
        low, high = np.where(excess < 0.0, h, low), np.where(excess < 0.0, high, h)
    bicarbonate = 4.45e-7 * total / (4.45e-7 + h)
    conductivity = 1000.0 * (349.8 * h + 50.1 * base + 198.3 * 1.01e-14 / h + 44.5 * bicarbonate)
    ph = -np.log10(h) + _membrane(rng, t)
    return ph, conductivity, max(300, int(np.searchsorted(taken, 2.3)))


def _roughened(rng: Generator, t: Array, mv: Array) -> tuple[Array, NDArray[np.bool_]]:
    """Quantise, hum, spike and drop out, some of each."""
    keep: NDArray[np.bool_] = np.ones(len(t), np.bool_)
    if rng.random() < 0.5:
        mv = mv + rng.uniform(0.05, 0.5) * np.sin(2.0 * np.pi * rng.uniform(0.03, 0.49) * t)
    if rng.random() < 0.5:
        hit = rng.random(len(t)) < rng.uniform(0.002, 0.05)
        mv = mv + hit * rng.standard_cauchy(len(t)) * rng.uniform(0.5, 4.0)
    if rng.random() < 0.5:
        for _ in range(rng.integers(1, 8)):
            begin = rng.integers(0, len(t))
            keep[begin : begin + rng.integers(3, 40)] = False
    step = float(rng.choice([0.0, 0.05, 0.1, 0.2]))
    return (np.round(mv / step) * step if step else mv), keep


def held_out_trace(family: str, seed: int) -> Trace:
    """Make one trace of a family of `HELD_OUT`; equal seeds give equal traces."""
    rng = np.random.default_rng([7331, HELD_OUT.index(family), seed])
    length_s = {"from-buffer": 9000.0, "surface-root": 3600.0, "leak": 5400.0}.get(family, 2400.0)
    interval_s = float(rng.choice([0.5, 1.0, 1.0, 2.0, 4.0]))
    t = np.arange(0.0, length_s, interval_s)
    t = t + rng.uniform(0.0, 0.3 * interval_s, len(t))
    end_ph = float(rng.uniform(5.5, 7.4))
    temperature, flow = np.full(len(t), rng.uniform(12.0, 35.0)), np.full(len(t), rng.uniform(30.0, 150.0))
    conductivity = np.full(len(t), _log(rng, 0.06, 4.0))
    length = len(t)
    if family == "half-cells":
        clean, change = _half_cells(rng, t)
        clean, temperature = clean + end_ph, temperature + change
    elif family == "pump-step":
        clean, share = _pump_step(rng, t)
        clean, flow = clean + end_ph, flow * share
    elif family == "leak":
        clean, conductivity, length = _leak(rng, t)
    else:
        clean = end_ph + SHAPES[family](rng, t)
    mv = -MV_PER_PH * (clean - 7.0) + cell_noise(rng, t)
    keep: NDArray[np.bool_] = np.ones(len(t), np.bool_)
    if family == "rough-meter":
        mv, keep = _roughened(rng, t, mv)
    keep[length:] = False
    outside = np.flatnonzero(np.abs(clean - end_ph) > RIGHT_WITHIN_PH)
    right_s = float(t[outside[-1]]) if len(outside) else 0.0
    rests = family != "leak" and right_s <= length_s - 900.0
    return Trace(
        family=family,
        ms=(t[keep] * 1000.0).astype(np.int64),
        mv=mv[keep],
        temperature_c=(temperature + rng.normal(0.0, 0.02, len(t)))[keep],
        conductivity_us_cm=(conductivity * (1.0 + rng.normal(0.0, 0.003, len(t))))[keep],
        flow_ml_min=(flow * (1.0 + rng.normal(0.0, 0.01, len(t))))[keep],
        clean_ph=clean[keep],
        end_ph=end_ph if rests else None,
        right_s=right_s if rests else None,
        from_buffer=family in HELD_OUT_FROM_BUFFER,
    )


def held_out_traces(count: int, seed: int = 0, *, families: Sequence[str] = HELD_OUT) -> list[Trace]:
    """Make `count` traces, the families in turn."""
    return [held_out_trace(families[i % len(families)], seed + i // len(families)) for i in range(count)]
