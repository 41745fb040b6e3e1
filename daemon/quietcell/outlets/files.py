"""Daily files of records, so written that a crash neither loses nor doubles a line.

Only the file the cursor names may hold bytes the cursor does not know of; start-up cuts them off and
writes the same records again.
"""

import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import structlog

from quietcell.core.records import Json
from quietcell.ledger.chain import Stored
from quietcell.ledger.cursors import Cursor, Cursors


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


def _json_line(record: Stored, _envelope: dict[str, Json]) -> str:
    return record.text + "\n"


JSON_LINES = Sheet(name="files.jsonl", stem="records", suffix="jsonl", header="", line=_json_line)
"""Every record as stored, one a line."""


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
        folder.mkdir(parents=True, exist_ok=True)
        self._folder = folder
        self._sheet = sheet
        self._cursors = cursors
        self._cursor = cursors.get(sheet.name)
        self._cut_unknown_bytes()

    @property
    def seq(self) -> int:
        """Number of the last record written."""
        return self._cursor.seq

    def _cut_unknown_bytes(self) -> None:
        name, length = self._cursor.detail.get("file"), self._cursor.detail.get("bytes", 0)
        if name is None or not (path := self._folder / name).exists():
            return
        size = path.stat().st_size
        if size > length:
            os.truncate(path, length)
        elif size < length:
            # Someone shortened a delivered file: its lines stay in the journal, say so and go on behind.
            structlog.get_logger().warning(
                "a daily file was shortened", file=str(path), missing_bytes=length - size
            )
            self._move(name, size)

    def _move(self, name: str, length: int, seq: int | None = None) -> None:
        self._cursor = Cursor(self._cursor.seq if seq is None else seq, {"file": name, "bytes": length})
        self._cursors.put(self._sheet.name, self._cursor)

    def write(self, records: list[Stored]) -> None:
        """Append records behind the cursor, synchronously to the disk, then move the cursor."""
        by_file: dict[str, list[str]] = {}
        last_in: dict[str, int] = {}
        for record in records:
            envelope = record.envelope()
            line = self._sheet.line(record, envelope)
            name = f"{self._sheet.stem}-{envelope['recorded_at'][:10]}.{self._sheet.suffix}"
            if line is not None:
                if by_file and name != next(reversed(by_file)):
                    self._append(by_file, last_in)
                    by_file, last_in = {}, {}
                by_file.setdefault(name, []).append(line)
                last_in[name] = record.seq
        self._append(by_file, last_in)
        if records[-1].seq > self._cursor.seq:
            detail = self._cursor.detail
            self._cursor = Cursor(records[-1].seq, detail)
            self._cursors.put(self._sheet.name, self._cursor)

    def _append(self, by_file: dict[str, list[str]], last_in: dict[str, int]) -> None:
        for name, lines in by_file.items():
            path = self._folder / name
            if self._cursor.detail.get("file") != name:
                # From here on unknown bytes can only lie in this file.
                self._move(name, path.stat().st_size if path.exists() else 0)
            with path.open("ab") as file:
                if file.tell() == 0:
                    file.write(self._sheet.header.encode())
                file.write("".join(lines).encode())
                file.flush()
                os.fsync(file.fileno())
                length = file.tell()
            self._move(name, length, last_in[name])
