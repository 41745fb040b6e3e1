"""Runs the ingress detector over a scenario, and scores what it tells against the truth."""

import math
from collections.abc import Sequence

from quietcell.core.ingress.detector import Detector
from quietcell.core.ingress.event import EpisodeEvent
from tests.support.ingress_simulation import Scenario


def told(scenario: Scenario) -> list[EpisodeEvent]:
    """Return everything the detector tells of a scenario."""
    detector = Detector(scenario.settings)
    detector.see(scenario.block, scenario.ph)
    return detector.tick(int(scenario.block.ms[-1]) + 10_000)


def first_named(events: Sequence[EpisodeEvent], diagnosis: str, after_ms: int = -1) -> EpisodeEvent | None:
    """Return the first event with a diagnosis that is no closing."""
    return next(
        (e for e in events if e.diagnosis == diagnosis and e.state != "closed" and e.at_ms > after_ms), None
    )


def final_diagnosis(events: Sequence[EpisodeEvent], onset_ms: int) -> str:
    """Return the last diagnosis told of what began near an onset or later; `none` if nothing was told."""
    later = [
        e.diagnosis for e in events if e.at_ms >= onset_ms and e.state != "closed" and e.kind != "standing"
    ]
    return later[-1] if later else "none"


def lower_limit(k: int, n: int) -> float:
    """Return the 95 % lower (one-sided) confidence limit of a rate, Wilson's score interval."""
    return _wilson(k, n, -1.645)


def upper_limit(k: int, n: int) -> float:
    """Return the 95 % upper (one-sided) confidence limit of a rate, Wilson's score interval."""
    return _wilson(k, n, 1.645)


def _wilson(k: int, n: int, z: float) -> float:
    if n == 0:
        return math.nan
    p = k / n
    middle = (p + z * z / (2 * n)) / (1 + z * z / n)
    half = abs(z) / (1 + z * z / n) * math.sqrt(p * (1 - p) / n + z * z / (4 * n * n))
    return middle + math.copysign(half, z)
