"""Reads recordings a chunk at a time, and says where one is wrong."""

import csv
import math
from collections import deque
from collections.abc import Iterable, Iterator, Mapping
from difflib import get_close_matches
from itertools import islice, repeat

import numpy as np

from quietcell.core.electrode.nernst import Line
from quietcell.core.readings import FLAG_BY_LABEL
from quietcell.core.recording import (
    BEGAN,
    CANONICAL,
    ENDED,
    GIVEN,
    HEADER,
    QUANTITIES,
    Chunk,
    Layout,
    Mark,
    Piece,
)
from quietcell.core.times import rfc3339, utc_ms
from quietcell.errors import DomainError, RecordingError

_TIME_LABELS = ("time-synchronised", "time-not-synchronised", "time-not-known")
CHUNK_ROWS = 5000
_AT_ONCE = 500
"""So many usual lines are read in bulk."""
LONGEST_S = 1e9
"""Some thirty years; more is no recording's elapsed time."""
LONGEST_LINE = 64 * 1024
"""A longer line, or a cell that goes on over so many characters, is no recording."""


def _mv_of(line: Line, ph: float, temperature_c: float) -> float:
    """Return the potential that means a pH; NaN where pH or temperature can't be."""
    try:
        return float(line.mv(ph, temperature_c))
    except DomainError:
        return math.nan


def _usual_times(texts: list[str]) -> list[int]:
    """Return the times of texts like 2026-03-01T08:00:00.000Z, ms; ValueError for any other form."""
    if set(map(len, texts)) != {24}:
        raise ValueError
    signs = np.frombuffer("".join(texts).encode("ascii"), np.uint8).reshape(-1, 24)
    digits = signs[:, (17, 18, 20, 21, 22)].astype(np.int64) - ord("0")
    if np.any((digits < 0) | (digits > 9) | (digits[:, :1] > 5)):
        raise ValueError
    if np.any(signs[:, (16, 19, 23)] != tuple(b":.Z")):
        raise ValueError
    other_minute = (signs[1:, :17] != signs[:-1, :17]).any(axis=1)
    begins = [0, *(np.flatnonzero(other_minute) + 1).tolist()]
    minutes = np.array([utc_ms(f"{texts[row][:17]}00.000Z") for row in begins])
    within = digits @ (10_000, 1000, 100, 10, 1)
    times: list[int] = (np.repeat(minutes, np.diff([*begins, len(texts)])) + within).tolist()
    return times


def _usual_numbers(texts: list[str]) -> list[float]:
    """Return finite numbers, NaN for an empty cell; ValueError for anything else."""
    # A meter at rest says the same again and again.
    known = {text: float(text) for text in set(texts) if text}
    if not math.isfinite(sum(known.values())):
        raise ValueError
    known[""] = math.nan
    return list(map(known.__getitem__, texts))


def _bits(labels: str) -> int:
    """Return flags as bits; KeyError for any other label."""
    bits = 0
    for label in labels.split():
        bits |= int(FLAG_BY_LABEL[label])
    return bits


class _Reader:
    """Reads rows and collects chunks."""

    def __init__(self, lines: Iterable[str], layout: Layout, name: str) -> None:
        self._layout = layout
        self._name = name
        self._lines = iter(lines)
        self._ahead: deque[str] = deque()
        """Lines taken, but not yet read as rows."""
        self._bulk_lines = 0
        """Lines the row reader never saw."""
        self._rows = csv.reader(self._bounded(), delimiter=layout.delimiter)
        self._width = 0
        self._place = self._find_columns()
        self._utc: list[int] = []
        self._values: dict[str, list[float]] = {quantity: [] for quantity in QUANTITIES}
        self._flags: list[int] = []
        self._number_of_row = 0
        self._segment: int | None = None
        self._last_utc: int | None = None
        """Of the current segment."""

    def _bounded(self) -> Iterator[str]:
        """Pass lines on, but no quoted cell that never ends: memory stays flat."""
        open_quote, held, number = False, 0, 0
        while (line := self._ahead.popleft() if self._ahead else next(self._lines, None)) is not None:
            number += 1
            held = held + len(line) if open_quote else len(line)
            if held > LONGEST_LINE:
                raise RecordingError(
                    f"a line or quoted cell is longer than {LONGEST_LINE} characters",
                    subject=f"{self._name}:{self._bulk_lines + number}",
                )
            if line.count('"') % 2:
                open_quote = not open_quote
            yield line

    def _fault(self, text: str, column: str = "") -> RecordingError:
        where = f"{self._name}:{self._bulk_lines + self._rows.line_num}" + (f": {column}" if column else "")
        return RecordingError(text, subject=where)

    def _find_columns(self) -> dict[str, int]:
        """Return the position of each column that is there."""
        header = [cell.strip().lstrip("\ufeff") for cell in next(self._rows, [])]
        if not any(header):
            raise RecordingError("no header line", subject=self._name, hint=f"Expected {','.join(HEADER)}")
        self._width = len(header)
        place = {}
        for key, heading in self._layout.columns.items():
            if header.count(heading) > 1:
                raise RecordingError(f"columns share the name {heading!r}", subject=f"{self._name}:1")
            if heading in header:
                place[key] = header.index(heading)
            elif key in self._layout.required:
                raise RecordingError(
                    f"no column {heading!r} (for {key}); the file has {', '.join(header)}",
                    subject=f"{self._name}:1",
                    hint="Name the columns under [cells.NAME.recording]"
                    if len(header) > 1
                    else "Say what parts them under [cells.NAME.recording]: delimiter, decimal_comma",
                )
        if self._layout.columns == CANONICAL:
            self._refuse_misspelt(header, place)
        return place

    def _refuse_misspelt(self, header: list[str], place: Mapping[str, int]) -> None:
        """Refuse a heading that looks like a column which is not there: it would be ignored silently."""
        missing = [name for name in HEADER if name not in place]
        stems = {name.partition("_")[0][:4]: name for name in missing}
        for heading in header:
            folded = heading.casefold()
            close = get_close_matches(folded, missing, 1, 0.75)
            meant = close[0] if close else stems.get(folded.partition("_")[0][:4])
            if heading not in place and meant is not None:
                raise RecordingError(
                    f"no column is named {heading!r}; did you mean {meant!r}?",
                    subject=f"{self._name}:1",
                    hint="Rename it, or name the columns under [cells.NAME.recording]",
                )

    def pieces(self) -> Iterator[Piece]:
        """Yield marks and chunks in order."""
        while lines := list(islice(self._lines, min(_AT_ONCE, CHUNK_ROWS - len(self._utc)))):
            if self._add_usual(lines):
                self._bulk_lines += len(lines)
            else:
                self._ahead.extend(lines)
            while self._ahead and (row := next(self._rows, None)) is not None:
                if row:
                    yield from self._row(row)
            if len(self._utc) >= CHUNK_ROWS:
                yield from self._flush()
        yield from self._flush()

    def _row(self, row: list[str]) -> Iterator[Piece]:
        if len(row) > self._width:
            # A decimal comma would shift every value behind it into the wrong column.
            raise self._fault(f"the row has {len(row)} cells, the header {self._width}")
        at, segment = self._time(row, self._number_of_row), self._segment_of(row)
        self._number_of_row += 1
        labels = self._cell(row, "flags").split()
        if any(label.startswith((BEGAN, ENDED, GIVEN)) for label in labels):
            yield from self._flush()
            if any(self._cell(row, quantity) for quantity in QUANTITIES):
                raise self._fault("a mark carries no quantity", "flags")
            yield self._mark(at, segment, labels)
            return
        if segment != self._segment:
            yield from self._flush()
            self._segment, self._last_utc = segment, None
        if self._last_utc is not None and at < self._last_utc:
            raise self._fault(f"time goes back from {rfc3339(self._last_utc)} to {rfc3339(at)}", "time")
        self._last_utc = at
        self._add(row, at, labels)

    def _add_usual(self, lines: list[str]) -> bool:
        """Add plain readings of the open segment in bulk; change nothing and return False for others.

        Whatever is not quite usual is left to the reading row by row, which judges it and knows its line.
        """
        layout, apart = self._layout, self._layout.delimiter
        if layout.time != "rfc3339" or layout.decimal_comma or "ph" in self._place:
            return False
        bare = [line.rstrip("\r\n") for line in lines]
        text = apart.join(bare)
        if any(sign in text for sign in '"\r\n_') or set(map(str.count, bare, repeat(apart))) != {
            self._width - 1
        }:
            return False
        if max(map(len, lines)) > LONGEST_LINE:
            return False
        cells = text.split(apart)
        columns = {key: cells[place :: self._width] for key, place in self._place.items()}
        segments = set(columns.get("segment", ()))
        if segments and (self._segment is None or segments != {str(self._segment)}):
            return False
        try:
            utc = _usual_times(columns["time"])
            values = {name: _usual_numbers(columns[name]) for name in QUANTITIES if name in columns}
            flags = {text: _bits(text) for text in set(columns.get("flags", ()))}
        except (ValueError, KeyError):
            return False
        if utc != sorted(utc) or (self._last_utc is not None and utc[0] < self._last_utc):
            return False
        if layout.temperature_c is not None:
            values["temperature_c"] = [layout.temperature_c] * len(lines)
        for quantity in QUANTITIES:
            self._values[quantity] += values.get(quantity) or [math.nan] * len(lines)
        self._flags += [flags[text] for text in columns["flags"]] if flags else [0] * len(lines)
        self._utc += utc
        self._last_utc = utc[-1]
        return True

    def _mark(self, at: int, segment: int | None, labels: list[str]) -> Mark:
        given = labels[0].startswith(GIVEN)
        unknown = [x for x in labels if not x.startswith((BEGAN, ENDED)) and x not in _TIME_LABELS]
        if segment is None or (len(labels) != 2 if given else unknown):
            raise self._fault("a mark needs a segment number and known labels", "flags")
        if not given:
            self._segment, self._last_utc = segment, None
        elif segment != self._segment or (self._last_utc is not None and at < self._last_utc):
            raise self._fault("what a person gave stands inside its segment, in order of time", "flags")
        return Mark(utc_ms=at, segment=segment, labels=tuple(labels))

    def _add(self, row: list[str], at: int, labels: list[str]) -> None:
        self._utc.append(at)
        values = {quantity: self._number(row, quantity) for quantity in QUANTITIES}
        if self._layout.temperature_c is not None:
            values["temperature_c"] = self._layout.temperature_c
        if "ph" in self._place:
            ph, temperature_c = self._number(row, "ph"), values["temperature_c"]
            if math.isnan(temperature_c):
                temperature_c = 25.0  # no pH comes of it without a temperature
            values["mv"] = _mv_of(self._layout.ph_line, ph, temperature_c)
        for quantity, value in values.items():
            self._values[quantity].append(value)
        bits = 0
        for label in labels:
            if label not in FLAG_BY_LABEL:
                known = ", ".join(FLAG_BY_LABEL)
                raise self._fault(f"unknown flag {label!r}; known: {known}", "flags")
            bits |= int(FLAG_BY_LABEL[label])
        self._flags.append(bits)

    def _flush(self) -> Iterator[Chunk]:
        if self._utc:
            yield Chunk(
                segment=self._segment,
                utc_ms=np.array(self._utc, np.int64),
                columns={name: np.array(values) for name, values in self._values.items()},
                flags=np.array(self._flags, np.int64),
            )
        self._utc, self._flags = [], []
        self._values = {quantity: [] for quantity in QUANTITIES}

    def _cell(self, row: list[str], key: str) -> str:
        place = self._place.get(key)
        if place is None:
            return ""
        if place >= len(row):
            raise self._fault(f"the row has only {len(row)} cells", key)
        return row[place].strip()

    def _number(self, row: list[str], key: str) -> float:
        text = self._cell(row, key)
        if not text:
            return math.nan
        comma = self._layout.decimal_comma
        try:
            value = math.nan if comma and "." in text else float(text.replace(",", ".") if comma else text)
        except ValueError:
            value = math.nan
        if "_" in text or not math.isfinite(value):
            raise self._fault(f"{text!r} is no number; leave the cell empty if not measured", key)
        return value

    def _time(self, row: list[str], number: int) -> int:
        if self._layout.time == "row":
            return self._layout.start_utc_ms + round(number * self._layout.interval_s * 1000)
        text = self._cell(row, "time")
        if self._layout.time == "elapsed-s":
            elapsed_s = self._number(row, "time")
            if math.isnan(elapsed_s) or abs(elapsed_s) > LONGEST_S:
                raise self._fault(f"{text!r} is no time in seconds", "time")
            return self._layout.start_utc_ms + round(elapsed_s * 1000)
        try:
            return utc_ms(text)
        except ValueError:
            raise self._fault(
                f"{text!r} is no time; write it like 2026-03-01T08:00:00.000Z", "time"
            ) from None

    def _segment_of(self, row: list[str]) -> int | None:
        text = self._cell(row, "segment")
        if not text:
            return self._segment if "segment" in self._place else None
        if not text.isdecimal():
            raise self._fault(f"{text!r} is no segment number", "segment")
        return int(text)


def read_recording(lines: Iterable[str], *, name: str, layout: Layout | None = None) -> Iterator[Piece]:
    """Yield the pieces of a recording in order; memory stays flat in its length.

    Parameters
    ----------
    lines : iterable of str
        The text, line by line.
    name : str
        Of the file, for messages.
    layout : Layout, optional
        Where it is not the canonical one.

    Raises
    ------
    RecordingError
        Names file, line and column, and what is allowed.
    """
    try:
        yield from _Reader(lines, layout or Layout(), name).pieces()
    except csv.Error as error:
        raise RecordingError(f"no CSV: {error}", subject=name) from error
