"""Judge recordings: the same engine as live, fed from a file."""

from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from typing import cast, get_args

from quietcell.core.engine import Engine
from quietcell.core.inputs import EngineInput, Request, SegmentBegan, SegmentEnded
from quietcell.core.readings import ReadingBlock
from quietcell.core.recording import BEGAN, ENDED, GIVEN, Mark, Piece
from quietcell.core.records import Body, SegmentCause, SegmentEndCause, TimeQuality
from quietcell.core.settings import CellSettings
from quietcell.core.times import rfc3339
from quietcell.errors import RecordingError
from quietcell.service.given import Given, labelled_input, placed

TIME_LABELS: dict[str, TimeQuality] = {
    "time-synchronised": "synchronised",
    "time-not-synchronised": "not-synchronised",
    "time-not-known": "not-known",
}
EARLIEST_REQUEST_MS = 60_000
"""Someone asks and the meter's first line comes later: up to so long before it a request still counts."""


def replay(
    pieces: Iterable[Piece],
    settings: CellSettings,
    requests_utc_ms: Sequence[int] = (),
    *,
    asked_utc_ms: set[int] | None = None,
) -> Iterator[Body]:
    """Yield the bodies a recording gives.

    Parameters
    ----------
    pieces : iterable of Piece
        The recording in order.
    settings : CellSettings
        The cell; with requests its mode is on-request, as for a person at the bench.
    requests_utc_ms : sequence of int
        When determinations are asked for, ms since 1970 UTC; from a minute before a stretch of readings
        on, one counts from its first reading.
    asked_utc_ms : set of int, optional
        Takes those of the requests that a reading followed.
    """
    if requests_utc_ms:
        settings = replace(settings, mode="on-request")
    engine = Engine(settings)
    for item in with_requests(engine_inputs(pieces), sorted(requests_utc_ms), asked_utc_ms):
        yield from engine.take(item)


def engine_inputs(pieces: Iterable[Piece]) -> Iterator[EngineInput]:
    """Turn a recording into what the engine was fed, or would have been."""
    open_segment: SegmentBegan | None = None
    last_ms = 0
    for piece in pieces:
        if isinstance(piece, Mark):
            if piece.labels[0].startswith(BEGAN):
                began = _began(piece)
                if open_segment is not None:
                    yield _implied_end(last_ms, began.cause)
                open_segment, last_ms = began, 0
                yield began
            elif open_segment is not None:
                yield _inside(piece, open_segment)
                open_segment = open_segment if piece.labels[0].startswith(GIVEN) else None
            continue
        if open_segment is None or (piece.segment is not None and piece.segment != open_segment.segment):
            cause: SegmentCause = "started" if open_segment is None else "reopened"
            if open_segment is not None:
                yield _implied_end(last_ms, cause)
            open_segment = SegmentBegan(
                segment=piece.segment or 1,
                utc_ms=int(piece.utc_ms[0]),
                cause=cause,
                time_quality="not-known",
            )
            yield open_segment
        block = piece.block(open_segment.utc_ms)
        last_ms = int(block.ms[-1])
        yield block
    if open_segment is not None:
        yield SegmentEnded(ms=last_ms, cause="recording-ended")


def _began(mark: Mark) -> SegmentBegan:
    cause = mark.labels[0].removeprefix(BEGAN)
    if cause not in get_args(SegmentCause):
        raise RecordingError(f"unknown mark {mark.labels[0]!r}", subject=rfc3339(mark.utc_ms))
    known = [TIME_LABELS[label] for label in mark.labels if label in TIME_LABELS]
    quality: TimeQuality = known[0] if known else "not-known"
    return SegmentBegan(
        segment=mark.segment, utc_ms=mark.utc_ms, cause=cast("SegmentCause", cause), time_quality=quality
    )


def _inside(mark: Mark, began: SegmentBegan) -> EngineInput:
    """Return what a mark inside a segment stands for: something given, or its end."""
    ms = mark.utc_ms - began.utc_ms
    if mark.labels[0].startswith(GIVEN):
        return labelled_input(mark.labels, ms)
    return SegmentEnded(ms=ms, cause=_end_cause(mark))


def _end_cause(mark: Mark) -> SegmentEndCause:
    cause = mark.labels[0].removeprefix(ENDED)
    if cause not in get_args(SegmentEndCause):
        raise RecordingError(f"unknown mark {mark.labels[0]!r}", subject=rfc3339(mark.utc_ms))
    return cast("SegmentEndCause", cause)


def _implied_end(last_ms: int, next_cause: SegmentCause) -> SegmentEnded:
    """Return the end of a segment whose end the recording does not mark."""
    return SegmentEnded(ms=last_ms, cause="interrupted" if next_cause == "started" else next_cause)


def with_requests(
    items: Iterable[EngineInput], requests_utc_ms: Sequence[int], asked_utc_ms: set[int] | None = None
) -> Iterator[EngineInput]:
    """Put requests where their time is, and note which of them lie inside the recording."""
    left_utc_ms = list(requests_utc_ms)
    anchor_ms = 0
    for item in items:
        if isinstance(item, SegmentBegan):
            anchor_ms = item.utc_ms
            left_utc_ms = [at for at in left_utc_ms if at >= anchor_ms - EARLIEST_REQUEST_MS]
        if isinstance(item, ReadingBlock):
            waiting: deque[Given] = deque(Request(ms=max(at - anchor_ms, 0)) for at in left_utc_ms)
            yield from placed(item, waiting)
            taken = len(left_utc_ms) - len(waiting)
            if asked_utc_ms is not None:
                asked_utc_ms.update(left_utc_ms[:taken])
            left_utc_ms = left_utc_ms[taken:]
        else:
            yield item
