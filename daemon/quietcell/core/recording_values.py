"""What the text in a recording's cells means: numbers and times."""

import math
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from itertools import repeat

import numpy as np

from quietcell.core.recording import Layout
from quietcell.core.recording_header import Place, places_of
from quietcell.core.recording_lines import LONGEST_LINE
from quietcell.core.times import utc_ms
from quietcell.core.units import find_unit
from quietcell.errors import DomainError

LONGEST_S = 1e10
"""Some three hundred years, so that seconds since 1970 are covered; more is no recording's elapsed time."""
_ELAPSED_S = {
    "elapsed-ms": 1e-3,
    "elapsed-s": 1.0,
    "elapsed-min": 60.0,
    "elapsed-h": 3600.0,
    "elapsed-d": 86400.0,
}
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MILLISECOND = timedelta(milliseconds=1)


class Values:
    """Reads the cells of one layout; ValueError where a text means nothing."""

    def __init__(self, layout: Layout) -> None:
        self._layout = layout
        self._comma = layout.decimal_comma
        self._missing = {"", *layout.not_measured}
        self._missing_numbers = {_finite(text) for text in layout.not_measured}
        form = layout.time_format
        self._forms = [form, *({form.replace(".%f", ""), form.replace(",%f", "")} - {form})]
        """A logger may leave out a fraction that is zero."""
        self._to_reading: dict[str, Callable[[float], float]] = {}
        for key, name in layout.units.items():
            if (unit := find_unit(key, name)) is not None:
                self._to_reading[key] = unit.to_reading

    def number(self, key: str, text: str) -> float:
        """Return the number of a cell in the unit of readings; NaN where nothing was measured."""
        if text in self._missing or text.casefold() == "nan":
            return math.nan
        if self._comma and "." in text:
            raise ValueError(text)
        value = _finite(text.replace(",", ".") if self._comma else text)
        if math.isnan(value):
            raise ValueError(text)
        if value in self._missing_numbers:
            return math.nan
        return self._to_reading[key](value) if key in self._to_reading else value

    def numbers(self, key: str, texts: Sequence[str]) -> list[float]:
        """Return the numbers of a column."""
        # A meter at rest says the same again and again.
        known = {text: self.number(key, text.strip()) for text in set(texts)}
        return list(map(known.__getitem__, texts))

    def mv(self, ph: float, temperature_c: float) -> float:
        """Return the potential that means a pH; NaN where pH or temperature can't be."""
        known_c = 25.0 if math.isnan(temperature_c) else temperature_c  # no pH comes of it without one
        try:
            return float(self._layout.ph_line.mv(ph, known_c))
        except DomainError:
            return math.nan

    def mvs(self, ph: Sequence[float], temperature_c: Sequence[float]) -> list[float]:
        """Return the potentials of a column."""
        try:
            mv: list[float] = self._layout.ph_line.mv(np.array(ph), np.array(temperature_c)).tolist()
        except DomainError:  # one of them is not measured, or cannot be
            return list(map(self.mv, ph, temperature_c))
        return mv

    def times(self, texts: Sequence[str], after_utc_ms: int | None) -> list[int]:
        """Return the times of rows behind one of `after_utc_ms`, ms since 1970 UTC."""
        if self._layout.time == "rfc3339":
            try:
                return _usual_times(texts)
            except ValueError:
                return [utc_ms(text.strip()) for text in texts]
        times = []
        for text in texts:
            local = self._layout.time == "local"
            at = self._local(text.strip(), after_utc_ms) if local else self._elapsed(text.strip())
            times.append(at)
            after_utc_ms = at
        return times

    def row_time(self, number: int) -> int:
        """Return the time of a row by its number, from 0."""
        return self._layout.start_utc_ms + round(number * self._layout.interval_s * 1000)

    def _local(self, text: str, after_utc_ms: int | None) -> int:
        moment = self._moment(text)
        if moment.tzinfo is None:
            moment = moment.replace(tzinfo=self._layout.zone or UTC)
        at = round((moment - _EPOCH) / _MILLISECOND)
        if after_utc_ms is not None and at < after_utc_ms:
            again = round((moment.replace(fold=1) - _EPOCH) / _MILLISECOND)
            at = again if again >= after_utc_ms else at
        return at

    def _moment(self, text: str) -> datetime:
        for form in self._forms:
            with suppress(ValueError):
                return datetime.strptime(text, form)  # noqa: DTZ007 # the zone follows
        raise ValueError(text)

    def _elapsed(self, text: str) -> int:
        *larger, last = text.split(":") if self._layout.time == "elapsed-s" else [text]
        if len(larger) > 2 or not all(part.isdecimal() for part in larger):
            raise ValueError(text)
        number = self.number("time", last)
        for place, part in enumerate(reversed(larger), 1):
            number += 60**place * int(part)
        elapsed_s = number * _ELAPSED_S[self._layout.time]
        if math.isnan(elapsed_s) or abs(elapsed_s) > LONGEST_S:
            raise ValueError(text)
        return self._layout.start_utc_ms + round(elapsed_s * 1000)


def plain_columns(
    lines: Sequence[str], delimiter: str, place: Mapping[str, Place], most_cells: int
) -> dict[str, Sequence[str]] | None:
    """Return the texts of the columns of lines that need no care; None if one of them does.

    Parameters
    ----------
    lines : sequence of str
        With their ends or without.
    delimiter : str
        What parts their cells.
    place : mapping
        Where each column is.
    most_cells : int
        Cells of the header; 0 without one.
    """
    bare = [line.rstrip("\r\n") for line in lines]
    text, width = delimiter.join(bare), bare[0].count(delimiter) + 1
    if any(sign in text for sign in '"\r\n\0#') or max(map(len, lines)) > LONGEST_LINE:
        return None
    if set(map(str.count, bare, repeat(delimiter))) != {width - 1} or width > (most_cells or width):
        return None
    if any(at >= width for each in place.values() for at in places_of(each)):
        return None
    cells = text.split(delimiter)
    return {
        key: cells[each::width]
        if isinstance(each, int)
        else list(map(" ".join, zip(*(cells[at::width] for at in each), strict=True)))
        for key, each in place.items()
    }


def _finite(text: str) -> float:
    """Return a finite number; NaN for any other text."""
    try:
        value = math.nan if "_" in text else float(text)
    except ValueError:
        return math.nan
    return value if math.isfinite(value) else math.nan


def _usual_times(texts: Sequence[str]) -> list[int]:
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
