"""Reads recordings a chunk at a time, and says where one is wrong."""

import csv
import math
from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import islice

import numpy as np

from quietcell.core.readings import FLAG_BY_LABEL
from quietcell.core.recording import BEGAN, ENDED, GIVEN, Chunk, Layout, Mark, Piece, Remarks
from quietcell.core.recording_header import (
    LINES_OF_TITLE,
    Columns,
    Place,
    columns_of,
    find_header,
    headings,
    names_all,
    numbered,
    numbered_places,
    places_of,
)
from quietcell.core.recording_lines import Lines
from quietcell.core.recording_values import Values, plain_columns
from quietcell.core.times import rfc3339
from quietcell.core.units import QUANTITIES
from quietcell.errors import RecordingError

_TIME_LABELS = ("time-synchronised", "time-not-synchronised", "time-not-known")
CHUNK_ROWS = 5000
_AT_ONCE = 500
"""So many usual lines are read in bulk."""
MOST_STEPS_BACK, AMONG_ROWS = 10, 1000
"""A clock that is set back is; a file whose time goes back more often among so many rows is in no order."""
LONGEST_GAP_MS = 3_600_000
"""Behind a longer silence a recording that numbers no segments begins one: the logger was off."""
_MEASURED: tuple[str, ...] = (*QUANTITIES, "ph")
_LONGEST_QUOTED = 40
_FORM_OF_TIME = {
    "rfc3339": "Write it like 2026-03-01T08:00:00.000Z; or say its form under [cells.NAME.recording]: time, "
    "time_format, zone",
    "local": "time_format does not fit it",
}


def _bits(labels: str) -> int:
    """Return flags as bits; KeyError for any other label."""
    bits = 0
    for label in labels.split():
        bits |= int(FLAG_BY_LABEL[label])
    return bits


def _quoted(text: str) -> str:
    return repr(text if len(text) <= _LONGEST_QUOTED else text[: _LONGEST_QUOTED - 1] + "…")


@dataclass(slots=True, kw_only=True)
class _Course:
    """How far recordings that follow each other were read."""

    rows: int = 0
    segment: int | None = None
    last_utc: int | None = None
    """Of the segment."""
    steps_back: deque[int] = field(default_factory=lambda: deque(maxlen=MOST_STEPS_BACK))
    """Rows at which time went back."""


class _Reader:
    """Reads rows and collects chunks."""

    def __init__(
        self, lines: Iterable[str], layout: Layout, name: str, remarks: Remarks, course: _Course
    ) -> None:
        self._layout = layout
        self._name = name
        self._remarks = remarks
        self._course = course
        self._values = Values(layout)
        self._lines = Lines(lines, name, self._leave_out)
        self._rows = csv.reader(self._lines.for_rows(), delimiter=layout.delimiter)
        self._names: tuple[str, ...] = ()
        self._first: list[str] | None = None
        """The first row of a recording without a header."""
        self._below_header = True
        self._widest = 0
        self._place: dict[str, Place] = {}
        self._utc: list[int] = []
        self._columns: dict[str, list[float]] = {quantity: [] for quantity in QUANTITIES}
        self._flags: list[int] = []
        self._find_columns()

    def _fault(self, text: str, column: str = "", hint: str = "") -> RecordingError:
        where = self._lines.where + (f": {column}" if column else "")
        return RecordingError(text, subject=where, hint=hint)

    def _leave_out(self, fault: RecordingError) -> None:
        """Leave a row out, if the layout says so."""
        if not self._layout.leave_out_unreadable:
            also = "or set leave_out_unreadable = true under [cells.NAME.recording]"
            hint = f"{fault.hint}; {also}" if fault.hint else f"Mend the row, {also}"
            raise RecordingError(fault.message, subject=fault.subject, hint=hint) from fault
        self._remarks.left_out += 1
        self._remarks.first_left_out = self._remarks.first_left_out or str(fault)

    def _find_columns(self) -> None:
        if numbered(self._layout):
            self._place = numbered_places(self._layout)
            self._find_first_row()
            return
        rows = ((self._lines.number, row) for row in self._rows)
        self._take_header(find_header(rows, self._layout, self._name))

    def _take_header(self, columns: Columns) -> None:
        self._place, self._names, self._below_header = dict(columns.place), columns.names, True

    def _find_first_row(self) -> None:
        """Find the first row that can be read, where no header says what a row is."""
        fault = RecordingError("has no rows", subject=self._name)
        for row in islice(self._rows, LINES_OF_TITLE):
            self._widest = len(row)
            try:
                self._reading(row)
            except RecordingError as error:
                fault = error
            else:
                self._first = row
                return
        raise fault

    def pieces(self) -> Iterator[Piece]:
        """Yield marks and chunks in order; what was read before a fault comes before it."""
        try:
            yield from self._pieces()
        except (RecordingError, csv.Error):
            yield from self._flush()
            raise

    def _pieces(self) -> Iterator[Piece]:
        if self._first is not None:
            yield from self._row(self._first)
        while lines := self._lines.take(min(_AT_ONCE, CHUNK_ROWS - len(self._utc))):
            if self._add_usual(lines):
                self._lines.passed(lines)
            else:
                self._lines.give_back(lines)
            while self._lines.waiting and (row := next(self._rows, None)) is not None:
                if row:
                    yield from self._row(row)
            if len(self._utc) >= CHUNK_ROWS:
                yield from self._flush()
        yield from self._flush()
        if self._remarks.left_out and not self._remarks.rows:
            raise RecordingError(
                f"no row can be read; {self._remarks.first_left_out.removeprefix(self._name + ':')}",
                subject=self._name,
            )

    def _row(self, row: list[str]) -> Iterator[Piece]:
        """Judge a row by itself."""
        try:
            at, values, labels, segment = self._reading(row)
        except RecordingError as fault:
            if not self._aside(row):
                self._course.rows += 1
                self._leave_out(fault)
            return
        self._below_header = False
        self._course.rows += 1
        self._remarks.rows += 1
        if any(label.startswith((BEGAN, ENDED, GIVEN)) for label in labels):
            yield from self._flush()
            if any(self._cell(row, quantity) for quantity in QUANTITIES):
                raise self._fault("a mark carries no quantity", "flags")
            yield self._mark(at, segment, labels)
            return
        if segment != self._course.segment:
            yield from self._flush()
            self._course.segment, self._course.last_utc = segment, None
        last_utc = self._course.last_utc
        if last_utc is not None and at < last_utc:
            yield from self._step_back(last_utc, at)
        elif last_utc is not None and at - last_utc > LONGEST_GAP_MS and "segment" not in self._place:
            yield from self._begin_anew(last_utc, at, "interrupted", "started")
        self._flags.append(self._bits(labels))
        self._course.last_utc = at
        self._utc.append(at)
        for quantity in QUANTITIES:
            self._columns[quantity].append(values[quantity])

    def _reading(self, row: list[str]) -> tuple[int, dict[str, float], list[str], int | None]:
        """Return time, quantities, labels and segment of a row."""
        width = len(self._names)
        if width and len(row) > width and any(cell.strip() for cell in row[width:]):
            # A decimal comma would shift every value behind it into the wrong column.
            raise self._fault(f"the row has {len(row)} cells, the header {width}")
        if self._lines.cut and len(row) < self._widest:
            raise self._fault(f"the last line ends in its cell {len(row)}, others have {self._widest}")
        at = self._time(row)
        values = {key: self._number(row, key) for key in _MEASURED if key in self._place}
        self._widest = max(self._widest, len(row))
        self._complete(values)
        if "ph" in values:
            self._note_decimals([self._cell(row, "ph")])
        return at, values, self._cell(row, "flags").split(), self._segment_of(row)

    def _complete(self, values: dict[str, float]) -> None:
        """Put in what the layout says beside the row."""
        if self._layout.temperature_c is not None:
            values["temperature_c"] = self._layout.temperature_c
        for quantity in QUANTITIES:
            values.setdefault(quantity, math.nan)
        if "ph" in values:
            values["mv"] = self._values.mv(values["ph"], values["temperature_c"])

    def _note_decimals(self, texts: Sequence[str]) -> None:
        comma = "," if self._layout.decimal_comma else "."
        most = max(len(text.strip().partition(comma)[2]) for text in set(texts))
        self._remarks.ph_decimals = max(most, self._remarks.ph_decimals or 0)

    def _aside(self, row: list[str]) -> bool:
        """Return whether a row is no reading by its kind: empty, a comment, a header, a row of units."""
        cells = [cell.strip() for cell in row]
        if not any(cells) or cells[0].startswith("#"):
            return True
        if not self._names:
            return False
        if names_all(header := headings(row), self._layout):  # a logger that began anew, perhaps a newer one
            self._take_header(columns_of(header, self._layout, self._lines.where))
            return True
        below, self._below_header = self._below_header, False
        return below and not any(
            sign.isdigit()
            for place in self._place.values()
            for at in places_of(place)
            for sign in "".join(cells[at : at + 1])
        )

    def _step_back(self, last_utc: int, at: int) -> Iterator[Piece]:
        """Begin a segment where time goes back; a recording that numbers them does so itself."""
        fault = self._fault(f"time goes back from {rfc3339(last_utc)} to {rfc3339(at)}", "time")
        if "segment" in self._place:
            raise fault
        full = len(self._course.steps_back) == MOST_STEPS_BACK
        if full and self._course.rows - self._course.steps_back[0] < AMONG_ROWS:
            hint = "Sort the rows by their time"
            raise RecordingError(f"{fault.message}, again and again", subject=fault.subject, hint=hint)
        self._course.steps_back.append(self._course.rows)
        self._remarks.steps_back += 1
        self._remarks.first_step_back = self._remarks.first_step_back or str(fault)
        yield from self._begin_anew(last_utc, at, "clock-step", "clock-step")

    def _begin_anew(self, last_utc: int, at: int, ended: str, began: str) -> Iterator[Piece]:
        """End the segment and begin another, in a recording that numbers none."""
        yield from self._flush()
        segment = self._course.segment or 1
        yield Mark(utc_ms=last_utc, segment=segment, labels=(f"{ENDED}{ended}",))
        self._course.segment = segment + 1
        yield Mark(utc_ms=at, segment=segment + 1, labels=(f"{BEGAN}{began}", "time-not-known"))

    def _add_usual(self, lines: list[str]) -> bool:
        """Add plain readings of the open segment in bulk; change nothing and return False for others.

        Whatever is not quite usual is left to the reading row by row, which judges it and knows its line.
        """
        columns = plain_columns(lines, self._layout.delimiter, self._place, len(self._names))
        if columns is None or not self._lines.are_whole(lines):
            return False
        segments = set(columns.get("segment", ()))
        if segments and (self._course.segment is None or segments != {str(self._course.segment)}):
            return False
        try:
            utc = self._times(columns, len(lines))
            values = {key: self._values.numbers(key, columns[key]) for key in _MEASURED if key in columns}
            flags = {text: _bits(text) for text in set(columns.get("flags", ()))}
        except (ValueError, KeyError):
            return False
        before = utc[0] if self._course.last_utc is None else self._course.last_utc
        steps = np.diff([before, *utc])
        if steps.min() < 0 or steps.max() > LONGEST_GAP_MS:
            return False
        if self._layout.temperature_c is not None:
            values["temperature_c"] = [self._layout.temperature_c] * len(lines)
        for quantity in QUANTITIES:
            values.setdefault(quantity, [math.nan] * len(lines))
        if "ph" in values:
            self._note_decimals(columns["ph"])
            values["mv"] = self._values.mvs(values["ph"], values["temperature_c"])
        for quantity in QUANTITIES:
            self._columns[quantity] += values[quantity]
        self._flags += [flags[text] for text in columns["flags"]] if flags else [0] * len(lines)
        self._utc += utc
        self._course.last_utc = utc[-1]
        self._below_header = False
        self._widest = max(self._widest, lines[0].count(self._layout.delimiter) + 1)
        self._course.rows += len(lines)
        self._remarks.rows += len(lines)
        return True

    def _times(self, columns: dict[str, Sequence[str]], rows: int) -> list[int]:
        if self._layout.time == "row":
            return [self._values.row_time(self._course.rows + row) for row in range(rows)]
        return self._values.times(columns["time"], self._course.last_utc)

    def _mark(self, at: int, segment: int | None, labels: list[str]) -> Mark:
        given = labels[0].startswith(GIVEN)
        unknown = [x for x in labels if not x.startswith((BEGAN, ENDED)) and x not in _TIME_LABELS]
        if segment is None or (len(labels) != 2 if given else unknown):
            raise self._fault("a mark needs a segment number and known labels", "flags")
        if not given:
            self._course.segment, self._course.last_utc = segment, None
        elif segment != self._course.segment or (
            self._course.last_utc is not None and at < self._course.last_utc
        ):
            raise self._fault("what a person gave stands inside its segment, in order of time", "flags")
        return Mark(utc_ms=at, segment=segment, labels=tuple(labels))

    def _bits(self, labels: list[str]) -> int:
        for label in labels:
            if label not in FLAG_BY_LABEL:
                known = ", ".join(FLAG_BY_LABEL)
                raise self._fault(f"unknown flag {label!r}; known: {known}", "flags")
        return _bits(" ".join(labels))

    def _flush(self) -> Iterator[Chunk]:
        if self._utc:
            yield Chunk(
                segment=self._course.segment,
                utc_ms=np.array(self._utc, np.int64),
                columns={name: np.array(values) for name, values in self._columns.items()},
                flags=np.array(self._flags, np.int64),
            )
        self._utc, self._flags = [], []
        self._columns = {quantity: [] for quantity in QUANTITIES}

    def _cell(self, row: list[str], key: str) -> str:
        place = self._place.get(key)
        if place is None:
            return ""
        places = places_of(place)
        if max(places) >= len(row):
            raise self._fault(f"the row has only {len(row)} cells", key)
        return " ".join(row[at].strip() for at in places)

    def _number(self, row: list[str], key: str) -> float:
        text = self._cell(row, key)
        try:
            return self._values.number(key, text)
        except ValueError:
            hint = "Leave the cell empty if not measured, or name what stands there in not_measured"
            raise self._fault(f"{_quoted(text)} is no number", key, hint) from None

    def _time(self, row: list[str]) -> int:
        if self._layout.time == "row":
            return self._values.row_time(self._course.rows)
        text = self._cell(row, "time")
        try:
            (at,) = self._values.times([text], self._course.last_utc)
        except (ValueError, OverflowError):
            hint = _FORM_OF_TIME.get(self._layout.time, "Write it as a number")
            raise self._fault(f"{_quoted(text)} is no time", "time", hint) from None
        return at

    def _segment_of(self, row: list[str]) -> int | None:
        text = self._cell(row, "segment")
        if not text:
            return self._course.segment
        if not text.isdecimal():
            raise self._fault(f"{text!r} is no segment number", "segment")
        return int(text)


def read_recording(
    lines: Iterable[str], *, name: str, layout: Layout | None = None, remarks: Remarks | None = None
) -> Iterator[Piece]:
    """Yield the pieces of a recording in order; memory stays flat in its length.

    Parameters
    ----------
    lines : iterable of str
        The text, line by line.
    name : str
        Of the file, for messages.
    layout : Layout, optional
        Where it is not the canonical one.
    remarks : Remarks, optional
        Takes what was done beside reading.

    Raises
    ------
    RecordingError
        Names file, line and column, and what is allowed.
    """
    return read_recordings([(name, lines)], layout=layout, remarks=remarks)


def read_recordings(
    recordings: Iterable[tuple[str, Iterable[str]]],
    *,
    layout: Layout | None = None,
    remarks: Remarks | None = None,
) -> Iterator[Piece]:
    """Yield the pieces of recordings that follow each other, as of one; see `read_recording`.

    Parameters
    ----------
    recordings : iterable of (str, iterable of str)
        Name and lines of each, in the order of their times.
    """
    layout, remarks = layout or Layout(), remarks or Remarks()
    course = _Course()
    for name, lines in recordings:
        try:
            yield from _Reader(lines, layout, name, remarks, course).pieces()
        except csv.Error as error:
            raise RecordingError(f"no CSV: {error}", subject=name) from error
