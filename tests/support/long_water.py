"""The invented water of long ledgers: when carbon dioxide comes in, and what a meter would read of it."""

from collections.abc import Sequence

import numpy as np

from quietcell.core.times import DAY_MS

BEGINS_UTC_MS = 1_780_272_000_000
"""2026-06-01."""
HOUR_MS = 3_600_000
EVERY_MS = 600_000
"""From one determination to the next."""
Dip = tuple[int, int, float]
"""When the water takes up carbon dioxide, from and to (UTC ms), and by how much its pH falls."""


def dips_within(rng: np.random.Generator, whole_ms: int) -> list[Dip]:
    """Return when the water takes up carbon dioxide and by how much its pH falls."""
    shares = np.sort(rng.uniform(0.03, 0.97, 4))
    return [
        (
            BEGINS_UTC_MS + round(share * whole_ms),
            BEGINS_UTC_MS + round(share * whole_ms) + round(min(rng.uniform(1, 6) * HOUR_MS, whole_ms / 20)),
            float(rng.uniform(0.25, 0.7)),
        )
        for share in shares
    ]


def fall_ph(at_ms: np.ndarray, dips: Sequence[Dip]) -> np.ndarray:
    """Return by how much pH at 25 °C lies lower, with soft flanks of ten minutes."""
    fall = np.zeros(len(at_ms))
    for begin, end, depth in dips:
        rise = np.clip((at_ms - begin) / EVERY_MS, 0, 1) * np.clip((end - at_ms) / EVERY_MS, 0, 1)
        fall = np.maximum(fall, depth * rise)
    return fall


def water(rng: np.random.Generator, at_ms: np.ndarray, dips: Sequence[Dip]) -> tuple[np.ndarray, ...]:
    """Return pH at sample temperature, temperature, conductivity and flow."""
    day = 2 * np.pi * (at_ms - BEGINS_UTC_MS) / DAY_MS
    temperature_c = np.round(
        21.0 + 0.4 * np.sin(day) + 0.3 * np.sin(day / 17) + rng.normal(0, 0.01, len(at_ms)), 2
    )
    fall = fall_ph(at_ms, dips)
    ph = (
        6.93
        + 0.01 * np.sin(day / 7)
        - fall
        + 0.0135 * (25.0 - temperature_c)
        + rng.normal(0, 0.002, len(at_ms))
    )
    conductivity = np.round(
        0.052 * (1 + 0.05 * (temperature_c - 21)) * (1 + 2.0 * fall) + rng.normal(0, 2e-4, len(at_ms)), 5
    )
    return ph, temperature_c, conductivity, np.round(100 + rng.normal(0, 0.3, len(at_ms)), 2)
