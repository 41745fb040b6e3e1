"""A second family of settling traces with other physics, kept apart for validation.

Diffusion through a film (series of the heat equation), distributed relaxation times (Cole-Cole),
power laws and slow ageing, under random telegraph noise, AR(2), heavy tails and uneven sampling.
"""

from collections.abc import Callable, Sequence

import numpy as np
from numpy.random import Generator

from tests.support.settling import MV_PER_PH, RIGHT_WITHIN_PH, Array, Trace


def film(t: Array, time_s: float) -> Array:
    """Mean concentration left in a film that empties through one face (heat equation, 40 terms)."""
    odd = 2.0 * np.arange(40) + 1.0
    rates = (np.pi * odd / 2.0) ** 2 / time_s
    weights = 8.0 / (np.pi * odd) ** 2
    return np.asarray((weights[:, np.newaxis] * np.exp(-rates[:, np.newaxis] * t)).sum(axis=0))


def cole_cole(t: Array, tau_s: float, alpha: float) -> Array:
    """Relaxation after Cole and Cole: the integral over its distribution of time constants."""
    u = np.linspace(-9.0, 5.0, 281)
    density = np.sin(np.pi * alpha) / (2.0 * np.pi * (np.cosh((1.0 - alpha) * u) - np.cos(np.pi * alpha)))
    density /= density.sum()
    rates = np.exp(-u) / tau_s
    return np.asarray((density[:, np.newaxis] * np.exp(-rates[:, np.newaxis] * t)).sum(axis=0))


def _log(rng: Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _sign(rng: Generator) -> float:
    return float(rng.choice([-1.0, 1.0]))


def _film(rng: Generator, t: Array) -> Array:
    return _sign(rng) * _log(rng, 0.3, 3.0) * film(t, _log(rng, 10.0, 200.0))


def _two_films(rng: Generator, t: Array) -> Array:
    sign = _sign(rng)
    slow = sign * rng.choice([-1.0, 1.0]) * rng.uniform(0.03, 0.25)
    first = sign * _log(rng, 0.3, 2.0) * film(t, _log(rng, 10.0, 80.0))
    return np.asarray(first + slow * film(t, _log(rng, 150.0, 1500.0)))


def _distributed(rng: Generator, t: Array) -> Array:
    shape = cole_cole(t, _log(rng, 1.0, 12.0), rng.uniform(0.15, 0.4))
    return np.asarray(_sign(rng) * _log(rng, 0.2, 2.0) * (shape - shape[-1]))


def _power(rng: Generator, t: Array) -> Array:
    shape = (1.0 + t / _log(rng, 0.5, 6.0)) ** -rng.uniform(0.5, 1.3)
    return np.asarray(_sign(rng) * _log(rng, 0.1, 1.0) * (shape - shape[-1]))


def _opposed_powers(rng: Generator, t: Array) -> Array:
    sign = _sign(rng)
    slow = (1.0 + t / _log(rng, 20.0, 90.0)) ** -rng.uniform(1.0, 2.0)
    return np.asarray(
        sign * _log(rng, 0.3, 2.0) * film(t, _log(rng, 15.0, 100.0))
        - sign * rng.uniform(0.04, 0.25) * (slow - slow[-1])
    )


def _junction(rng: Generator, t: Array) -> Array:
    return np.asarray(
        _film(rng, t) + _sign(rng) * rng.uniform(0.03, 0.15) * film(t, _log(rng, 900.0, 6000.0))
    )


def _second_order(rng: Generator, t: Array) -> Array:
    """Two lags in series: an S-shaped approach."""
    a, b = _log(rng, 5.0, 40.0), _log(rng, 2.0, 30.0)
    if abs(a - b) < 0.1:
        b = 0.5 * a
    return np.asarray(_sign(rng) * _log(rng, 0.3, 3.0) * (a * np.exp(-t / a) - b * np.exp(-t / b)) / (a - b))


OTHER: dict[str, Callable[[Generator, Array], Array]] = {
    "film": _film,
    "two-films": _two_films,
    "second-order": _second_order,
    "distributed": _distributed,
    "power": _power,
    "opposed-powers": _opposed_powers,
    "film-junction": _junction,
}
OTHER_FROM_BUFFER = frozenset({"film-junction"})
OTHER_HARD = frozenset({"distributed", "power", "opposed-powers"})


def telegraph(rng: Generator, t: Array, size: float, dwell_s: float) -> Array:
    """Random telegraph noise."""
    flips = rng.random(len(t)) < 1.0 - np.exp(-np.diff(t, prepend=t[0]) / dwell_s)
    return np.asarray(size * (np.cumsum(flips) % 2 - 0.5))


def other_noise(rng: Generator, t: Array) -> Array:
    """Noise of one electrode, mV."""
    sd = _log(rng, 0.02, 0.12)
    noise = sd * rng.standard_t(4.0, len(t)) / np.sqrt(2.0)
    if rng.random() < 0.5:
        noise = noise + telegraph(rng, t, _log(rng, 0.03, 0.3), _log(rng, 5.0, 120.0))
    if rng.random() < 0.4:
        step = rng.normal(0.0, _log(rng, 0.01, 0.05), len(t))
        radius, angle = rng.uniform(0.7, 0.97), rng.uniform(0.1, 1.0)
        wave = np.zeros(len(t))
        for i in range(2, len(t)):
            wave[i] = 2.0 * radius * np.cos(angle) * wave[i - 1] - radius**2 * wave[i - 2] + step[i]
        noise = noise + wave
    return np.asarray(noise)


def other_trace(family: str, seed: int) -> Trace:
    """Make one trace of a family of `OTHER`; equal seeds give equal traces."""
    names = list(OTHER)
    rng = np.random.default_rng([99, names.index(family), seed])
    length_s = 6000.0 if family == "film-junction" else 3600.0
    interval_s = float(rng.choice([0.5, 1.0, 1.0, 1.5, 3.0]))
    n = int(length_s / interval_s)
    ms = np.cumsum(np.maximum(rng.normal(interval_s, 0.15 * interval_s, n), 0.0) * 1000.0).astype(np.int64)
    t = ms / 1000.0
    end_ph = float(rng.uniform(5.6, 7.3))
    clean = end_ph + OTHER[family](rng, t)
    end_ph = float(clean[-1])
    mv = -MV_PER_PH * (clean - 7.0) + other_noise(rng, t)
    outside = np.flatnonzero(np.abs(clean - end_ph) > RIGHT_WITHIN_PH)
    right_s = float(t[outside[-1]]) if len(outside) else 0.0
    rests = right_s <= length_s - 900.0
    return Trace(
        family=family,
        ms=ms,
        mv=mv,
        temperature_c=rng.normal(25.0, 0.02, n),
        conductivity_us_cm=np.full(n, 0.2),
        flow_ml_min=rng.normal(80.0, 0.5, n),
        clean_ph=clean,
        end_ph=end_ph if rests else None,
        right_s=right_s if rests else None,
        from_buffer=family in OTHER_FROM_BUFFER,
    )


def other_traces(count: int, seed: int = 0, *, families: Sequence[str] = tuple(OTHER)) -> list[Trace]:
    """Make `count` traces, the families in turn."""
    return [other_trace(families[i % len(families)], seed + i // len(families)) for i in range(count)]
