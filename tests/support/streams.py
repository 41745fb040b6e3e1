"""Seeded streams of readings and the settings of a cell, for tests of the engine."""

import numpy as np

from quietcell.core.electrode.nernst import Line
from quietcell.core.endpoint.criterion import Criterion
from quietcell.core.engine import Engine
from quietcell.core.inputs import EngineInput, SegmentBegan
from quietcell.core.readings import ReadingBlock
from quietcell.core.records import Json
from quietcell.core.settings import CellSettings

ANCHOR_UTC_MS = 1_790_000_000_000
SHORT = Criterion(
    window_s=20.0,
    max_drift_mv_per_min=0.5,
    long_window_s=None,
    min_wait_s=20.0,
    max_wait_s=90.0,
    min_readings=10,
    max_gap_s=5.0,
    max_remaining_ph=2.0,  # forecasts have tests of their own
)


def cell_settings(criterion: Criterion = SHORT, **changes: Json) -> CellSettings:
    """Settings of the live feed room's cell."""
    plain = {
        "cell": "live-feed-room",
        "criterion_name": "test",
        "criterion": criterion,
        "line": Line(slope_pct=98.4, zero_mv=3.1),
        "every_s": 60.0,
    }
    return CellSettings(**{**plain, **changes})


def began(segment: int = 1, cause: str = "started", utc_ms: int = ANCHOR_UTC_MS) -> SegmentBegan:
    """The beginning of a segment."""
    return SegmentBegan(segment=segment, utc_ms=utc_ms, cause=cause, time_quality="synchronised")  # type: ignore[arg-type] # a test may name any cause


def readings(
    seconds: int, *, seed: int = 1, start_ms: int = 0, drift_mv_per_min: float = 0.0, noise_mv: float = 0.02
) -> ReadingBlock:
    """About one reading a second with jitter, a straight drift and white noise."""
    rng = np.random.default_rng(seed)
    ms = start_ms + np.arange(seconds) * 1000 + rng.integers(100, 900, seconds)
    minutes = (ms - start_ms) / 60_000
    return ReadingBlock.from_columns(
        ms=ms,
        mv=np.round(25.0 + drift_mv_per_min * minutes + rng.normal(0, noise_mv, seconds), 2),
        temperature_c=np.round(21.0 + rng.normal(0, 0.01, seconds), 2),
    )


def run(engine: Engine, inputs: list[EngineInput]) -> list[dict[str, Json]]:
    """Feed inputs in order and return all bodies as JSON."""
    return [body.as_json() for item in inputs for body in engine.take(item)]


def determinations(bodies: list[dict[str, Json]]) -> list[dict[str, Json]]:
    """Only the determinations."""
    return [body for body in bodies if body["record"] == "determination"]
