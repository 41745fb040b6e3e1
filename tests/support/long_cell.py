"""One cell of a long ledger: what it has recorded so far, and its segments."""

from dataclasses import dataclass, field

import numpy as np

from quietcell.core.electrode.nernst import Line
from quietcell.core.records import ConfigurationBody, Json, SegmentBody
from quietcell.core.times import rfc3339
from tests.support.long_water import EVERY_MS
from tests.support.streams import cell_settings


@dataclass(slots=True)
class LongCell:
    """One cell on its way through the span."""

    name: str
    rng: np.random.Generator
    segment: int = 0
    ordinal: int = 0
    line: Line = field(default_factory=lambda: Line(slope_pct=98.4, zero_mv=3.1))
    calibration: str | None = None
    events: list[tuple[int, dict[str, Json]]] = field(default_factory=list)
    segments: list[tuple[int, int, int, Line]] = field(default_factory=list)
    """Number, beginning, end (UTC ms) and line of each."""
    calibrations: dict[int, str | None] = field(default_factory=dict)
    """In force, by segment."""
    attended: list[tuple[int, int]] = field(default_factory=list)
    results: list[tuple[int, str]] = field(default_factory=list)

    def add(self, at_ms: int, body: dict[str, Json]) -> None:
        self.events.append((at_ms, body))

    def next_id(self) -> str:
        self.ordinal += 1
        return f"{self.name}.{self.segment}.{self.ordinal}"

    def begin(self, at_ms: int, cause: str) -> None:
        """Begin a segment, its configuration first."""
        self.segment, self.ordinal = self.segment + 1, 0
        settings = cell_settings(
            cell=self.name,
            line=self.line,
            every_s=EVERY_MS / 1000,
            calibration_id=self.calibration,
            sample_point=f"{self.name}, tap 1",
            electrode="glass-7",
            meter="meter-2",
        )
        body = ConfigurationBody(
            id=self.next_id(), cell=self.name, at=rfc3339(at_ms), settings=settings.as_json()
        )
        self.add(at_ms, body.as_json())
        began = SegmentBody(
            id=self.next_id(),
            cell=self.name,
            at=rfc3339(at_ms),
            segment=self.segment,
            state="began",
            cause=cause,
            time_quality="synchronised",
        )
        self.add(at_ms, began.as_json())
        self.segments.append((self.segment, at_ms, at_ms, self.line))
        self.calibrations[self.segment] = self.calibration

    def end(self, at_ms: int, cause: str) -> None:
        """End the open segment."""
        number, begin_ms, _, line = self.segments.pop()
        self.segments.append((number, begin_ms, at_ms, line))
        body = SegmentBody(
            id=f"{self.name}.{number}.99999",
            cell=self.name,
            at=rfc3339(at_ms),
            segment=number,
            state="ended",
            cause=cause,
            readings=0,
            rejected_readings={},
        )
        self.add(at_ms, body.as_json())
