"""What a cell's engine was fed, in order, as the ledger tells it.

The journal holds what people, clocks and ports gave (segments, settings, requests), the readings files
hold the readings; together they are the engine's whole input. Recovery, `verify --recompute` and whoever
wants to know feed it to an engine again.
"""

from collections.abc import Iterator
from dataclasses import dataclass

from quietcell.core.inputs import EngineInput, SegmentBegan, SegmentEnded, TimeMark
from quietcell.core.records import Json
from quietcell.core.settings import CellSettings
from quietcell.core.times import utc_ms
from quietcell.ledger.chain import Stored
from quietcell.ledger.journal import Journal
from quietcell.ledger.readings_files import ReadingsFiles
from quietcell.service.given import INPUTS, given_input


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """A record of the cell, and the next input its engine was fed along with it."""

    record: Stored | None
    """None where the record of an end was never stored."""
    envelope: dict[str, Json]
    """Empty without a record."""
    item: EngineInput | None
    """None for a record that is no input: what the engine itself made."""

    @property
    def body(self) -> dict[str, Json]:
        """Return the body of the record."""
        body: dict[str, Json] = self.envelope.get("body", {})
        return body


@dataclass(slots=True, kw_only=True)
class Place:
    """How far an engine's input has been told."""

    segment: int
    anchor_utc_ms: int
    fed_ms: int = -1
    """Readings up to here are told."""
    last_ms: int = 0
    """Nothing of the segment is known to lie later."""
    ended: bool = False


class StoredInput:
    """Tells the input of one cell's engine in order, from behind a record on.

    Parameters
    ----------
    journal : Journal
        The journal.
    readings : ReadingsFiles or None
        The readings; None leaves them aside.
    cell : str
        Which cell.
    after : int
        Number of the record to begin behind: 0 or that of a checkpoint.
    place : Place, optional
        The segment open there.
    """

    def __init__(
        self,
        journal: Journal,
        readings: ReadingsFiles | None,
        cell: str,
        *,
        after: int = 0,
        place: Place | None = None,
    ) -> None:
        self._journal = journal
        self._readings = readings
        self.cell = cell
        self._after = after
        self.place = place
        """The segment told last."""
        self._settings: CellSettings | None = None

    def __iter__(self) -> Iterator[Step]:
        """Yield the steps; an end that was never recorded is an interruption."""
        for record in self._journal.of_cell(self.cell, after=self._after):
            envelope = record.envelope()
            body = envelope["body"]
            kind = body["record"]
            if kind == "checkpoint":
                if body["segment"] is not None:
                    yield from self._readings_upto(body["ms"])
                    yield Step(record=record, envelope=envelope, item=TimeMark(ms=body["ms"]))
                else:
                    yield Step(record=record, envelope=envelope, item=None)
            elif kind in INPUTS:
                # At equal times requests come before readings.
                yield from self._readings_upto(body["ms"] - 1)
                yield Step(record=record, envelope=envelope, item=given_input(body))
            elif not body["id"].startswith("daemon."):
                yield from self._of_engine(record, envelope)
        if self.place is not None and not self.place.ended:
            yield from self._readings_upto(None)
            yield Step(
                record=None,
                envelope={},
                item=SegmentEnded(ms=max(self.place.last_ms, self.place.fed_ms), cause="interrupted"),
            )

    def _of_engine(self, record: Stored, envelope: dict[str, Json]) -> Iterator[Step]:
        body = envelope["body"]
        item: EngineInput | None = None
        if body["record"] == "configuration":
            self._settings = CellSettings.from_json(body["settings"])
        elif body["record"] == "segment" and body["state"] == "began":
            self.place = Place(segment=body["segment"], anchor_utc_ms=utc_ms(body["at"]))
            item = SegmentBegan(
                segment=body["segment"],
                utc_ms=self.place.anchor_utc_ms,
                cause=body["cause"],
                time_quality=body["time_quality"],
                settings=self._settings,
            )
            self._settings = None
        elif self.place is not None:
            at_ms = utc_ms(body["at"]) - self.place.anchor_utc_ms
            self.place.last_ms = max(self.place.last_ms, at_ms)
            if body["record"] == "segment":
                yield from self._readings_upto(None)
                item = SegmentEnded(ms=at_ms, cause=body["cause"])
                self.place.fed_ms, self.place.ended = max(self.place.fed_ms, at_ms), True
        yield Step(record=record, envelope=envelope, item=item)

    def _readings_upto(self, ms: int | None) -> Iterator[Step]:
        """Tell the readings of the open segment not told yet, with a time of at most `ms` if given."""
        place = self.place
        if place is None:
            return
        blocks = (
            ()
            if self._readings is None
            else self._readings.between(
                self.cell,
                place.segment,
                anchor_utc_ms=place.anchor_utc_ms,
                after_ms=place.fed_ms,
                upto_ms=ms,
            )
        )
        for block in blocks:
            place.fed_ms = int(block.ms[-1])
            yield Step(record=None, envelope={}, item=block)
        if ms is not None:
            # What comes next lies later, equal times of readings aside.
            place.fed_ms = max(place.fed_ms, ms)
            place.last_ms = max(place.last_ms, ms + 1)
