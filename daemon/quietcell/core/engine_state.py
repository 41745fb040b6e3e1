"""All that an engine must know of the past to go on as if it had never stopped."""

from dataclasses import dataclass

from quietcell.core.determination import Attempt
from quietcell.core.endpoint.machine import Standing
from quietcell.core.inputs import Attendance, SegmentBegan
from quietcell.core.plain import rebuilt
from quietcell.core.portions import Portions
from quietcell.core.reception import HISTORY_MS, ReceptionState
from quietcell.core.records import Json, TimeQuality


@dataclass(frozen=True, slots=True, kw_only=True)
class SegmentEnd:
    """When the last segment ended, and how far that can be trusted."""

    utc_ms: int
    time_quality: TimeQuality


@dataclass(frozen=True, slots=True, kw_only=True)
class EngineState:
    """Behind a time mark, or between segments."""

    segment: SegmentBegan | None
    """The open one; None between segments."""
    ended: SegmentEnd | None
    ordinal: int
    now_ms: int
    reception: ReceptionState
    attempt: Attempt | None
    standing: Standing | None
    due_ms: int
    earlier_refused: int
    from_buffer: bool
    portions: Portions
    attendance: Attendance | None
    """Who works at the cell."""
    reference_mv: float | None
    """Level of the last known solution measured meanwhile."""
    ingress: dict[str, Json]
    """What the watch for ingress knows, open episodes included."""
    brought: dict[str, Json] | None
    """The same for what someone brought to the bench."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NeededReadings:
    """The stored readings a state rests on: those of a segment with after_ms < ms <= upto_ms."""

    segment: int
    after_ms: int
    upto_ms: int


def needed_readings(state: dict[str, Json]) -> NeededReadings | None:
    """Return which readings `Engine.restore` wants along with a state, None for none."""
    known = rebuilt(EngineState, state)
    if known.segment is None or not known.reception.counting or known.reception.last_ms is None:
        return None
    return NeededReadings(
        segment=known.segment.segment,
        after_ms=known.reception.last_ms - HISTORY_MS,
        upto_ms=known.now_ms,
    )
