"""What the engine of a cell is fed, in one ordered sequence.

Times are whole milliseconds since the segment began. Segments tile the time of a run: the next one
begins at the instant the last one ended, so engine time has no holes.
"""

from dataclasses import dataclass
from typing import Literal

from quietcell.core.bench_records import Purpose, Work
from quietcell.core.ingress.flow_test import FlowVerdict
from quietcell.core.readings import ReadingBlock
from quietcell.core.records import GrabSample, SegmentCause, SegmentEndCause, TimeQuality
from quietcell.core.settings import CellSettings


@dataclass(frozen=True, slots=True, kw_only=True)
class SegmentBegan:
    """A segment begins; its time zero is `utc_ms`."""

    segment: int
    utc_ms: int
    cause: SegmentCause
    time_quality: TimeQuality
    settings: CellSettings | None = None
    """In force from here on; None: as before."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SegmentEnded:
    """The segment ends; nothing of it comes later than `ms`."""

    ms: int
    cause: SegmentEndCause


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """Someone asks for a determination now."""

    ms: int
    id: str | None = None
    """Of its record; None in a replay that asks by itself."""
    sample_id: str | None = None
    operator: str | None = None
    from_buffer: bool = False
    """The electrode was in a buffer before: its junction may still give off ions."""
    grab: GrabSample | None = None
    """How the sample was brought; None for the cell's own water."""
    attendance: str | None = None
    """Id of the asker's attendance, who works at the cell; others have to wait meanwhile."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceRequest:
    """Someone asks for the potential of a solution of known pH."""

    ms: int
    id: str
    purpose: Purpose
    solution: str
    operator: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Attendance:
    """Someone begins or ends work at the cell; meanwhile its readings are not of the water."""

    ms: int
    id: str
    state: Literal["began", "ended"]
    work: Work


@dataclass(frozen=True, slots=True, kw_only=True)
class EpisodeVerdict:
    """A person confirms or rejects an episode."""

    ms: int
    id: str
    """Of its record."""
    episode: str
    """Id of the record that opened the episode."""
    verdict: Literal["confirm", "reject"]


@dataclass(frozen=True, slots=True, kw_only=True)
class FlowTested:
    """A flow test says where carbon dioxide comes in."""

    ms: int
    id: str
    """Of its record."""
    verdict: FlowVerdict


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeMark:
    """All input up to and including `ms` has been given."""

    ms: int


EngineInput = (
    SegmentBegan
    | SegmentEnded
    | Request
    | ReferenceRequest
    | Attendance
    | EpisodeVerdict
    | FlowTested
    | TimeMark
    | ReadingBlock
)
