"""What the engine of a cell is fed, in one ordered sequence.

Times are whole milliseconds since the segment began. Segments tile the time of a run: the next one
begins at the instant the last one ended, so engine time has no holes.
"""

from dataclasses import dataclass
from typing import Literal

from quietcell.core.readings import ReadingBlock
from quietcell.core.records import SegmentCause, SegmentEndCause, TimeQuality
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
class TimeMark:
    """All input up to and including `ms` has been given."""

    ms: int


EngineInput = SegmentBegan | SegmentEnded | Request | EpisodeVerdict | TimeMark | ReadingBlock
