"""[cells.NAME.recording]: how an archive's recordings of a cell are laid out."""

import codecs
from collections.abc import Iterator
from collections.abc import Set as AbstractSet
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from typing import Annotated, Literal, Self
from zoneinfo import ZoneInfo

from pydantic import AfterValidator, BeforeValidator, Field, model_validator
from pydantic_core import PydanticCustomError

from quietcell.config.fields import Seconds, Section, Text, refuse
from quietcell.core.recording import HEADER, Heading, TimeForm
from quietcell.core.units import find_unit, unit_names


def _heading(heading: object) -> object:
    number = isinstance(heading, int) and not isinstance(heading, bool) and 1 <= heading <= 1000
    if not number and not (isinstance(heading, str) and heading.strip()):
        raise PydanticCustomError("heading", "must be a heading, or the number of the column from the left")
    return heading


def _columns(columns: object) -> object:
    for heading in columns if isinstance(columns, list) else [columns]:
        _heading(heading)
    if columns == []:
        raise PydanticCustomError("heading", "names no column")
    return columns


Column = Annotated[str | int, BeforeValidator(_heading)]
"""A column's heading, or its number from the left, counted from 1."""
Columns = Annotated[str | int | list[str | int], BeforeValidator(_columns)]
"""One, or several that are read as one text."""
_SOME_TIME = datetime(2026, 3, 14, 15, 16, 17, tzinfo=UTC)


def _whole_form(form: str) -> str:
    try:
        again = datetime.strptime(_SOME_TIME.strftime(form), form)  # noqa: DTZ007 # only its parts matter
    except ValueError:
        raise PydanticCustomError(
            "time_format", "holds something that is no directive, or one twice; see the example"
        ) from None
    if (again.year, again.month, again.day, again.hour) != (2026, 3, 14, 15):
        raise PydanticCustomError("time_format", "must tell day, month, year and hour (%I needs %p)")
    return form


def zone_of(text: str) -> tzinfo:
    """Return the zone of a name like Europe/Oslo or an offset like +01:00.

    Raises
    ------
    ValueError
        If it is neither.
    """
    if text[:1] in {"+", "-"}:
        moment = datetime.strptime(text, "%z")
        return timezone(moment.utcoffset() or timedelta(0))
    return ZoneInfo(text)


def _known_zone(text: str) -> str:
    try:
        zone_of(text)
    except (ValueError, OSError, LookupError):
        raise PydanticCustomError(
            "zone",
            "is no zone; write an offset like +01:00, or a name like Europe/Oslo if this machine has the "
            "time zone database (Debian: tzdata)",
        ) from None
    return text


def _known_encoding(text: str) -> str:
    try:
        b"a".decode(codecs.lookup(text).name, errors="replace")
    except LookupError:
        raise PydanticCustomError(
            "encoding", "is no encoding of text; common ones are utf-8, utf-16, latin-1, cp1252"
        ) from None
    return text


class RecordingColumns(Section):
    """Columns of a recording, by heading or by number; a quantity without a column was not measured."""

    time: Columns | None = Field(
        default=None, description="Column of the time, or several read as one text, such as date and time."
    )
    mv: Column | None = Field(default=None, description="Column of the electrode potential.")
    ph: Column | None = Field(default=None, description="Column of pH, where the recording has no mV.")
    temperature_c: Column | None = Field(default=None, description="Column of the sample temperature.")
    conductivity_us_cm: Column | None = Field(
        default=None, description="Column of raw conductivity; one compensated to 25 °C is none."
    )
    flow_ml_min: Column | None = Field(default=None, description="Column of the sample flow.")
    flags: Column | None = Field(default=None, description="Column of the flags.")
    segment: Column | None = Field(default=None, description="Column of the segment number.")

    @model_validator(mode="after")
    def _coherent(self) -> Self:
        faults = []
        if self.mv is not None and self.ph is not None:
            faults.append(("ph", "stands in place of mv; name one of the two columns"))
        if self.mv is None and self.ph is None:
            faults.append(("mv", 'missing; name the column of the potential, or ph = "..." in its place'))
        refuse(faults)
        return self

    def headings(self) -> dict[str, Heading | tuple[Heading, ...]]:
        """Return the columns there are."""
        given = {key: getattr(self, key) for key in type(self).model_fields}
        return {
            key: tuple(each) if isinstance(each, list) else each
            for key, each in given.items()
            if each is not None
        }


STANDARD_COLUMNS = RecordingColumns.model_validate({name: name for name in HEADER})
"""Columns of a recording that needs no mapping; all but time and mv may be absent from the file."""


class RecordingUnits(Section):
    """Units of a recording's columns, where they are not those of readings."""

    mv: Text | None = Field(default=None, description="mV or V.")
    temperature_c: Text | None = Field(default=None, description="°C, °F or K.")
    conductivity_us_cm: Text | None = Field(
        default=None, description="µS/cm, nS/cm, mS/cm, mS/m, S/m or MΩ·cm."
    )
    flow_ml_min: Text | None = Field(default=None, description="mL/min or L/h.")

    @model_validator(mode="after")
    def _known(self) -> Self:
        refuse(
            [
                (key, f"{name!r} is no unit known here; there is {unit_names(key)}")
                for key, name in self.named().items()
                if find_unit(key, name) is None
            ]
        )
        return self

    def named(self) -> dict[str, str]:
        """Return the units given."""
        return self.model_dump(exclude_none=True)


class RecordingLayout(Section):
    """How a recording of this cell is laid out, where it is not the standard layout."""

    columns: RecordingColumns = Field(
        default=STANDARD_COLUMNS, description="Which column holds which quantity."
    )
    units: RecordingUnits = Field(
        default=RecordingUnits(), description="In which unit, where it is not the one in the key."
    )
    time: TimeForm = Field(
        default="rfc3339",
        description="What tells the time: RFC 3339 text, text of the form time_format, a number of ms, s, "
        "min, h or d since start (elapsed-s also like 1:02:03), or the row number.",
    )
    time_format: Annotated[Text, AfterValidator(_whole_form)] | None = Field(
        default=None,
        description="Form of the time for local: %d.%m.%Y %H:%M:%S, or %m/%d/%Y %I:%M:%S %p with AM and PM. "
        "Day, month and year %d %m %Y (%y of two digits), %H (%I of 12 h) %M %S %f, AM or PM %p, offset %z.",
    )
    zone: Annotated[Text, AfterValidator(_known_zone)] | None = Field(
        default=None,
        description="Zone of the time for local: +01:00 for a clock that never changes, Europe/Oslo for one "
        "that follows summer time there, UTC.",
    )
    start: datetime | None = Field(
        default=None,
        description="Time of the beginning, with its offset from UTC; needed for elapsed times. "
        "1970-01-01T00:00:00Z for seconds since 1970, 1899-12-30T00:00:00+01:00 for the days of a "
        "spreadsheet at that offset. Absent with row: 1970-01-01T00:00:00Z.",
    )
    interval_s: Seconds | None = Field(default=None, description="Time from row to row, s, for row.")
    temperature_c: Annotated[float, Field(ge=-10, le=150)] | None = Field(
        default=None, description="Fixed sample temperature, °C, where the recording has none."
    )
    not_measured: list[Text] = Field(
        default=[],
        description="What stands where nothing was measured, such as --- or 9999; beside these an empty cell "
        "and NaN.",
    )
    delimiter: Literal[",", ";", "\t"] = Field(default=",", description="What parts the cells of a row.")
    decimal_comma: bool = Field(default=False, description="Whether numbers are written 25,04 for 25.04.")
    encoding: Annotated[Text, AfterValidator(_known_encoding)] = Field(
        default="utf-8", description="How text is encoded; UTF-16 is known by its first bytes."
    )
    leave_out_unreadable: bool = Field(
        default=False,
        description="Whether rows that cannot be read (cut short by a power cut, a text in place of a "
        "number) are left out and counted, in place of an error.",
    )

    @model_validator(mode="after")
    def _coherent(self) -> Self:
        columns = self.columns.headings()
        unused = [
            ("units", f"tells the unit of {key}, which has no column")
            for key in self.units.named()
            if key not in columns
        ]
        refuse([*unused, *self._cell_faults(), *self._time_faults()])
        return self

    def named(self) -> AbstractSet[str]:
        """Return the columns that were named here, so that they must be there."""
        return self.columns.model_fields_set if "columns" in self.model_fields_set else frozenset()

    def _cell_faults(self) -> Iterator[tuple[str, str]]:
        if self.decimal_comma and self.delimiter == ",":
            yield "decimal_comma", "needs another delimiter than a comma"
        if self.temperature_c is not None and "temperature_c" in self.named():
            yield "temperature_c", "is fixed here and has a column too; keep one of the two"

    def _time_faults(self) -> Iterator[tuple[str, str]]:
        elapsed = self.time.startswith("elapsed-")
        for key, needed, allowed, what in (
            ("time_format", self.time == "local", self.time == "local", "the form of the time"),
            ("zone", self.time == "local" and "%z" not in (self.time_format or ""), self.time == "local",
             "the zone of the clock, such as +01:00"),
            ("start", elapsed, elapsed or self.time == "row", "the time of the beginning"),
            ("interval_s", self.time == "row", self.time == "row", "the time from row to row, s"),
        ):  # fmt: skip
            given = getattr(self, key) is not None
            if given and not allowed:
                yield key, f'does not go with time = "{self.time}"; it belongs to {_BELONGS[key]}'
            if needed and not given:
                yield key, f'missing; time = "{self.time}" needs {what}'
        if self.start is not None and self.start.tzinfo is None:
            yield "start", "has no offset from UTC; write it as 2026-03-01T08:00:00Z"
        if self.time != "row" and self.columns.time is None:
            yield "columns", f'names no time; time = "{self.time}" needs that column'


_BELONGS = {
    "time_format": 'time = "local"',
    "zone": 'time = "local"',
    "start": "elapsed times and row",
    "interval_s": 'time = "row"',
}
