"""`recording`: a file of readings in place of a meter, at its own pace or faster."""

import asyncio
from collections import deque
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import ClassVar, Literal, Self, TextIO

import numpy as np
from pydantic import Field, ValidationInfo, field_validator, model_validator

from quietcell.contracts import Clock, DriverSettings, LineCounts
from quietcell.core.readings import Reading, ReadingRows, Row
from quietcell.core.recording import CANONICAL, HEADER, Chunk, Layout, Piece
from quietcell.core.recording_reader import read_recording
from quietcell.errors import DriverError, PortLostError, PortUnavailableError, RecordingError, spoken

_FETCH_BELOW = 1000
"""Rows still waiting when the next are read, so that none is late."""


class RecordingLayoutSettings(DriverSettings):
    """How the file is laid out; the keys mean what they mean under [cells.NAME.recording]."""

    columns: dict[str, str] = Field(
        default_factory=dict,
        description="Heading in the file of time, mv (or ph in its place), temperature_c, "
        "conductivity_us_cm, flow_ml_min, flags, segment; left out: the standard headings.",
    )
    time: Literal["rfc3339", "elapsed-s", "row"] = Field(
        default="rfc3339", description="What tells the time: RFC 3339 text, seconds, or the row number."
    )
    interval_s: float | None = Field(
        default=None, gt=0, le=86400, description="Time from row to row, s, for row."
    )
    temperature_c: float | None = Field(
        default=None, ge=-10, le=150, description="Fixed sample temperature, °C, where the file has none."
    )
    delimiter: Literal[",", ";", "\t"] = Field(default=",", description="What parts the cells of a row.")
    decimal_comma: bool = Field(default=False, description="Whether numbers are written 25,04 for 25.04.")

    @model_validator(mode="after")
    def _coherent(self) -> Self:
        for name in self.columns:
            if name not in (*HEADER, "ph"):
                raise ValueError(f"columns: {name!r} is no column; allowed: {', '.join(HEADER)}, ph")
        if self.decimal_comma and self.delimiter == ",":
            raise ValueError("decimal_comma: needs another delimiter than a comma")
        if self.columns and ("mv" in self.columns) == ("ph" in self.columns):
            raise ValueError("columns: name the heading of either mv or ph")
        if (self.time == "row") != (self.interval_s is not None):
            raise ValueError('interval_s goes with time = "row", which needs it')
        if self.columns and self.time != "row" and "time" not in self.columns:
            raise ValueError(f'columns: names no time; time = "{self.time}" needs that column')
        return self

    def layout(self) -> Layout:
        """Return what the parser needs; time zero does not matter, for only differences count."""
        columns = dict(self.columns or CANONICAL)
        if self.temperature_c is not None:
            columns.pop("temperature_c", None)
        if self.time == "row":
            columns.pop("time", None)
        needed = set(self.columns) or {"time", "mv"}
        return Layout(
            columns=columns,
            time=self.time,
            interval_s=self.interval_s or 1.0,
            temperature_c=self.temperature_c,
            required=frozenset(needed & set(columns)),
            delimiter=self.delimiter,
            decimal_comma=self.decimal_comma,
        )


class RecordingSettings(DriverSettings):
    """Settings of a recording that stands in for a meter; file is enough."""

    file: str = Field(
        min_length=1,
        description="The recording (CSV); a relative path starts at the configuration's folder.",
    )
    pace: float = Field(
        default=1.0,
        gt=0,
        le=10_000,
        description="Seconds of the recording in one second. The readings are stamped when they come, so at "
        "any pace but 1 all drifts look that much steeper.",
    )
    repeat: bool = Field(default=False, description="Whether the recording begins again when it has ended.")
    layout: RecordingLayoutSettings = Field(
        default_factory=RecordingLayoutSettings,
        description="How the file is laid out, where it is not the standard layout: columns (headings by "
        "name), time, interval_s, temperature_c as under [cells.NAME.recording].",
    )

    @field_validator("file")
    @classmethod
    def _from_folder(cls, file: str, info: ValidationInfo) -> str:
        folder = (info.context or {}).get("folder")
        return file if folder is None else str(Path(folder) / file)

    def files(self) -> Sequence[str]:
        """Return the recording."""
        return (self.file,)


class RecordingPlayer:
    """Yields the readings of a recording when their time has come."""

    settings_model: ClassVar[type[DriverSettings]] = RecordingSettings
    counts: LineCounts

    def __init__(self, settings: RecordingSettings, clock: Clock) -> None:
        self._settings = settings
        self._clock = clock
        self._file: TextIO | None = None
        self._over = ""
        """Why the recording can't be opened any more."""
        self._start()

    def _start(self) -> None:
        self.counts = LineCounts()
        self._pieces: Iterator[Piece] = iter(())
        self._fetching: asyncio.Future[Piece | None] | None = None
        self._due: deque[Row] = deque()
        self._origin_ms = 0
        self._last_utc_ms: int | None = None
        self._elapsed_ms = 0

    async def open(self) -> None:
        """Open the file and read its first rows; see `MeterDriver.open`."""
        await self.close()
        if self._over:
            raise PortUnavailableError(
                self._over, subject=self._settings.file, hint="Set repeat = true to begin it again"
            )
        self._start()
        try:
            self._file = Path(self._settings.file).open(  # noqa: SIM115, ASYNC230 # closed by `close`; local
                encoding="utf-8-sig", newline=""
            )
        except OSError as error:
            raise PortUnavailableError(
                f"the recording cannot be opened ({error.strerror})", subject=self._settings.file
            ) from error
        self._pieces = read_recording(
            self._file, name=self._settings.file, layout=self._settings.layout.layout()
        )
        self._origin_ms = self._clock.boot_ms()
        try:
            await self._fetch()
        except DriverError as error:
            self._over = ""  # nothing was yielded: the file may be mended and opened again
            await self.close()
            raise PortUnavailableError(error.message, subject=error.subject) from error

    async def read(self) -> Sequence[Reading]:
        """Wait until readings are due; see `MeterDriver.read`."""
        if self._file is None:
            raise PortUnavailableError("the recording is not open", subject=self._settings.file)
        while not self._due:
            await self._fetch()
        while (wait_ms := self._due[0][0] - self._clock.boot_ms()) > 0:
            await self._clock.sleep(wait_ms / 1000)
        now_ms = self._clock.boot_ms()
        rows = []
        while self._due and self._due[0][0] <= now_ms:
            rows.append(self._due.popleft())
        self.counts.readings += len(rows)
        if len(self._due) < _FETCH_BELOW:
            self._prefetch()
        return ReadingRows(rows)

    async def close(self) -> None:
        """Close the file; see `MeterDriver.close`."""
        fetching, self._fetching = self._fetching, None
        if fetching is not None:
            await asyncio.wait({fetching})
            fetching.exception()
        if self._file is not None:
            self._file.close()
            self._file = None

    def _prefetch(self) -> "asyncio.Future[Piece | None]":
        if self._fetching is None:
            self._fetching = asyncio.ensure_future(asyncio.to_thread(next, self._pieces, None))
        return self._fetching

    async def _fetch(self) -> None:
        """Take the next piece; parsing runs aside, for thousands of rows would hold up other meters."""
        try:
            piece = await asyncio.shield(self._prefetch())
        except (RecordingError, UnicodeDecodeError, OSError) as error:
            self._fetching = None
            self._over = f"the recording cannot be read: {_said(error)}"
            where = error.subject if isinstance(error, RecordingError) else self._settings.file
            raise DriverError(self._over, subject=where) from error
        self._fetching = None
        if piece is None:
            if not self._settings.repeat:
                self._over = "the recording has ended"
            raise PortLostError("the recording has ended", subject=self._settings.file)
        if isinstance(piece, Chunk):
            self._schedule(piece)

    def _schedule(self, chunk: Chunk) -> None:
        """Say when each row of a chunk is due; where a new segment goes back in time it follows at once."""
        first = int(chunk.utc_ms[0])
        if self._last_utc_ms is not None:
            self._elapsed_ms += max(0, first - self._last_utc_ms)
        offsets_ms = self._elapsed_ms + chunk.utc_ms - first
        self._elapsed_ms = int(offsets_ms[-1])
        self._last_utc_ms = int(chunk.utc_ms[-1])
        due_ms = self._origin_ms + np.ceil(offsets_ms / self._settings.pace).astype(np.int64)
        quantities = (
            [None if np.isnan(value) else value for value in chunk.columns[name].tolist()]
            for name in ("mv", "temperature_c", "conductivity_us_cm", "flow_ml_min")
        )
        self._due.extend(zip(due_ms.tolist(), *quantities, chunk.flags.tolist(), strict=True))


def _said(error: RecordingError | UnicodeDecodeError | OSError) -> str:
    """Return what is wrong with a recording, and what to do; where, its subject says."""
    if isinstance(error, RecordingError):
        return f"{error.message}. {error.hint}" if error.hint else error.message
    return "not UTF-8 text. Save it as UTF-8" if isinstance(error, UnicodeDecodeError) else spoken(error)
