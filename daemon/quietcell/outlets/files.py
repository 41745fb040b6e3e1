"""Daily files of records, and one file a result, so written that a crash neither loses nor doubles a line.

Of the daily files only the one the cursor names may hold bytes the cursor does not know of; start-up cuts
them off and writes the same records again. A file in the drop folder appears whole or not at all, under a
name that belongs to its record alone.
"""

import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import structlog

from quietcell.core.records import Json
from quietcell.ledger.chain import Stored
from quietcell.ledger.cursors import Cursor, Cursors

RESULTS = ("accepted", "qualified")


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """One kind of daily file."""

    name: str
    """Of the cursor."""
    stem: str
    """File names are ``stem-YYYY-MM-DD.suffix``, the UTC date the record was stored."""
    suffix: str
    header: str
    """First line of a new file, with its line end; empty for none."""
    line: Callable[[Stored, dict[str, Json]], str | None]
    """Gives a record's line with its line end from the stored form and the envelope, or None."""


class DailyFiles:
    """Writes one sheet; for use from one thread at a time.

    Parameters
    ----------
    folder : Path
        Made if it does not exist.
    sheet : Sheet
        What goes in.
    cursors : Cursors
        Where the sheet stands.
    """

    def __init__(self, folder: Path, sheet: Sheet, cursors: Cursors) -> None:
        self.name = sheet.name
        self._folder = folder
        self._sheet = sheet
        self._cursors = cursors
        self._cursor = cursors.get(sheet.name)
        self._ready = False

    @property
    def seq(self) -> int:
        """Number of the last record written."""
        return self._cursor.seq

    def write(self, records: list[Stored]) -> None:
        """Append records behind the cursor, synchronously to the disk, then move the cursor.

        Raises
        ------
        OSError
            If the folder or disk does not take it; the cursor stays before what was not written.
        """
        self._prepare()
        lines: list[str] = []
        current, last = "", 0
        for record in records:
            envelope = record.envelope()
            line = self._sheet.line(record, envelope)
            if line is None:
                continue
            date = envelope["recorded_at"][:10]
            if date != current:
                self._append(current, lines, last)
                current, lines = date, []
            lines.append(line)
            last = record.seq
        self._append(current, lines, last)
        if records[-1].seq > self._cursor.seq:
            self._put(Cursor(records[-1].seq, self._cursor.detail))

    def _prepare(self) -> None:
        """Cut off what a crash left behind, once."""
        if self._ready:
            return
        self._folder.mkdir(parents=True, exist_ok=True)
        name, length = self._cursor.detail.get("file"), self._cursor.detail.get("bytes", 0)
        if name is not None and (path := self._folder / name).exists():
            size = path.stat().st_size
            if size > length:
                os.truncate(path, length)
            elif size < length:
                # Someone shortened a delivered file: its lines stay in the journal; say so, go on behind.
                structlog.get_logger().warning(
                    "a daily file was shortened", file=str(path), missing_bytes=length - size
                )
                self._put(Cursor(self._cursor.seq, {"file": name, "bytes": size}))
        self._ready = True

    def _put(self, cursor: Cursor) -> None:
        self._cursors.put(self.name, cursor)
        self._cursor = cursor

    def _append(self, date: str, lines: list[str], last: int) -> None:
        if not lines:
            return
        path = self._file_of(date)
        new = not path.exists()
        if self._cursor.detail.get("file") != path.name:
            # From here on unknown bytes can only lie in this file.
            size = 0 if new else path.stat().st_size
            self._put(Cursor(self._cursor.seq, {"file": path.name, "bytes": size}))
        self._ready = False  # should this fail half-way, the next attempt cuts the half off first
        with path.open("ab") as file:
            if file.tell() == 0:
                file.write(self._sheet.header.encode())
            file.write("".join(lines).encode())
            file.flush()
            os.fsync(file.fileno())
            length = file.tell()
        if new:
            sync_folder(self._folder)
        self._put(Cursor(last, {"file": path.name, "bytes": length}))
        self._ready = True

    def _file_of(self, date: str) -> Path:
        """Return the file of a day; one with other columns is left alone and a further one begun."""
        sheet, number = self._sheet, 1
        while True:
            extra = f"-{number}" if number > 1 else ""
            path = self._folder / f"{sheet.stem}-{date}{extra}.{sheet.suffix}"
            header = sheet.header.encode()
            if not header or not path.exists() or path.stat().st_size == 0:
                return path
            with path.open("rb") as file:
                if file.read(len(header)) == header:
                    return path
            number += 1


class DropFolder:
    """Writes one file a result; for use from one thread at a time."""

    name = "files.drop"

    def __init__(self, folder: Path, cursors: Cursors) -> None:
        self._folder = folder
        self._cursors = cursors
        self.seq = cursors.get(self.name).seq

    def write(self, records: list[Stored]) -> None:
        """Write the results among the records, then move the cursor.

        Raises
        ------
        OSError
            If the folder does not take it; the cursor stays before what was not written.
        """
        self._folder.mkdir(parents=True, exist_ok=True)
        for record in records:
            body = record.body()
            if body["record"] == "determination" and body["verdict"] in RESULTS:
                self._drop(record, body)
            self._cursors.put(self.name, Cursor(record.seq, {}))
            self.seq = record.seq

    def _drop(self, record: Stored, body: dict[str, Json]) -> None:
        moment = body["ended"].replace("-", "").replace(":", "").replace(".", "")
        path = self._folder / f"{moment}_{body['cell']}_{record.seq:09d}.json"
        aside = path.with_name(f".{path.name}.part")
        with aside.open("wb") as file:
            file.write(record.text.encode())
            file.flush()
            os.fsync(file.fileno())
        aside.rename(path)
        sync_folder(self._folder)


def sync_folder(folder: Path) -> None:
    """Make new names in a folder durable."""
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
