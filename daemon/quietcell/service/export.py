"""The ledger's readings of one cell as a recording that replays to the same bodies."""

from collections.abc import Iterator

from quietcell.core.recording import BEGAN, ENDED, HEADER, QUANTITIES, block_rows, recording_row
from quietcell.core.records import Json
from quietcell.core.times import utc_ms
from quietcell.ledger.journal import Journal
from quietcell.ledger.readings_files import ReadingsFiles

_NOTHING = [float("nan")] * len(QUANTITIES)


def recording_lines(journal: Journal, readings: ReadingsFiles, cell: str) -> Iterator[str]:
    """Yield the lines of a recording, header first, without line ends.

    Each segment stands between two marks, so that its beginning, its end and their causes are not lost.
    """
    yield ",".join(HEADER)
    began: dict[str, Json] | None = None
    for record in journal.of_cell(cell, kinds=("segment",)):
        body = record.body()
        number, at_ms = body["segment"], utc_ms(body["at"])
        if body["state"] == "began":
            if began is not None:
                yield from _readings(readings, cell, began)
            began = body
            yield recording_row(
                at_ms, _NOTHING, (BEGAN + body["cause"], f"time-{body['time_quality']}"), number
            )
        else:
            if began is not None:
                yield from _readings(readings, cell, began)
            began = None
            yield recording_row(at_ms, _NOTHING, (ENDED + body["cause"],), number)
    if began is not None:
        yield from _readings(readings, cell, began)


def _readings(readings: ReadingsFiles, cell: str, began: dict[str, Json]) -> Iterator[str]:
    anchor_ms = utc_ms(began["at"])
    for block in readings.of_segment(cell, began["segment"]):
        yield from block_rows(block, anchor_utc_ms=anchor_ms, segment=began["segment"])
