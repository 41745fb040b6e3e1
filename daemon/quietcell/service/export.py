"""The ledger's readings of one cell as a recording that replays to the same bodies."""

from collections import deque
from collections.abc import Iterator, Sequence

from quietcell.core.readings import ReadingBlock
from quietcell.core.recording import BEGAN, ENDED, HEADER, block_rows, recording_row
from quietcell.core.records import Json
from quietcell.core.times import utc_ms
from quietcell.core.units import QUANTITIES
from quietcell.ledger.journal import Journal
from quietcell.ledger.readings_files import ReadingsFiles
from quietcell.service.given import INPUTS, Given, given_input, given_labels, placed

_NOTHING = [float("nan")] * len(QUANTITIES)


def recording_lines(journal: Journal, readings: ReadingsFiles, cell: str) -> Iterator[str]:
    """Yield the lines of a recording, header first, without line ends.

    Each segment stands between two marks, so that its beginning, its end and their causes are not lost;
    what people gave the engine stands at its time.
    """
    yield ",".join(HEADER)
    began: dict[str, Json] | None = None
    given: list[dict[str, Json]] = []
    for record in journal.of_cell(cell, kinds=("segment", *INPUTS)):
        body = record.body()
        if body["record"] in INPUTS:
            given.append(body)
            continue
        number, at_ms = body["segment"], utc_ms(body["at"])
        if began is not None:
            yield from _segment(readings, began, given)
        began, given = None, []
        if body["state"] == "began":
            began = body
            labels: Sequence[str] = (BEGAN + body["cause"], f"time-{body['time_quality']}")
        else:
            labels = (ENDED + body["cause"],)
        yield recording_row(at_ms, _NOTHING, labels, number)
    if began is not None:
        yield from _segment(readings, began, given)


def _segment(
    readings: ReadingsFiles, began: dict[str, Json], given: Sequence[dict[str, Json]]
) -> Iterator[str]:
    """Yield the rows of one segment between its marks."""
    anchor_ms, number = utc_ms(began["at"]), began["segment"]
    labels = {body["id"]: given_labels(body) for body in given}
    waiting = deque(given_input(body) for body in given)

    def row(item: Given) -> str:
        return recording_row(anchor_ms + item.ms, _NOTHING, labels[item.id or ""], number)

    for block in readings.of_segment(began["cell"], number):
        for item in placed(block, waiting):
            if isinstance(item, ReadingBlock):
                yield from block_rows(item, anchor_utc_ms=anchor_ms, segment=number)
            elif isinstance(item, Given):
                yield row(item)
    yield from map(row, waiting)
