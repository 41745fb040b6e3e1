"""Daily files of records, and one file a result or doubt, so written that a crash loses and doubles nothing.

Of the daily files only the one the cursor names may hold bytes the cursor does not know of; start-up cuts
them off and writes the same records again. What would not be written again stays beside the file: a ledger
restored from a backup lacks what was measured since, and these lines may be all that is left of it.
A file in the drop folder appears whole or not at all, under a name that belongs to its record alone; one
that was taken away before the cursor moved comes again.

Whoever takes the files may write their folder, and put there a link, a pipe or a file without end. None is
followed, waited for or read: the outlet tells of it and goes on once it is gone.
"""

import errno
import os
import stat
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import count, groupby
from operator import itemgetter
from pathlib import Path
from typing import BinaryIO, Literal

import structlog

from quietcell.core.records import Json
from quietcell.ledger.chain import Stored
from quietcell.ledger.cursors import Cursor, Cursors

RESULTS = ("accepted", "qualified")
LARGEST_REST_BYTES = 64 * 1024 * 1024
"""Far more than a day of records: a daily file that grew by more did not grow by this program."""
_NO_SYNC = (errno.EINVAL, errno.ENOTSUP)


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
    form: str = ""
    """What its lines have that the header does not show; files of one form only are gone on with."""


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
        self.folder = folder.absolute()
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
        rows = [
            (envelope["recorded_at"][:10], line, record.seq)
            for record in records
            for envelope in (record.envelope(),)
            if (line := self._sheet.line(record, envelope)) is not None
        ]
        self._prepare("".join(line for _, line, _ in rows))
        for date, of_day in groupby(rows, key=itemgetter(0)):
            _, lines, seqs = zip(*of_day, strict=True)
            self._append(date, lines, seqs[-1])
        if records[-1].seq > self._cursor.seq:
            self._put(Cursor(records[-1].seq, self._cursor.detail))

    def _prepare(self, coming: str) -> None:
        """Cut off what a crash, or a write that failed, left behind of the lines that come."""
        if self._ready:
            return
        self.folder.mkdir(parents=True, exist_ok=True)
        path, known = Path(self._cursor.detail.get("file", "")), self._cursor.detail.get("bytes", 0)
        if path.parent == self.folder:  # files of a folder used before are left alone
            size = _size(path)
            if size > known:
                self._cut(path, known, coming)
            elif size < known:
                # Somebody changed a delivered file. What is gone stays in the journal; no line is glued
                # to half a line.
                structlog.get_logger().warning(
                    "a daily file was shortened or removed", file=str(path), missing_bytes=known - size
                )
                if size:
                    with _opened(path, "r+b") as file:
                        os.truncate(file.fileno(), file.read(known).rfind(b"\n") + 1)
        self._ready = True

    def _cut(self, path: Path, known: int, coming: str) -> None:
        """Cut a file to what the cursor knows; lines that do not come again go to a file beside it."""
        with _opened(path, "r+b") as file:
            file.seek(known)
            rest = file.read(LARGEST_REST_BYTES + 1)
            if len(rest) > LARGEST_REST_BYTES:
                raise OSError(errno.EFBIG, "holds far more than was written to it; move it away", str(path))
            again = (coming if known else self._sheet.header + coming).encode()
            if not again.startswith(rest.rstrip(b"\0")):  # a power cut may leave zeros
                asides = (path.with_name(f"{path.name}.not-in-ledger-{number}") for number in count(1))
                aside = next(each for each in asides if not os.path.lexists(each))
                _write_through(aside, rest)
                sync_folder(self.folder)
                structlog.get_logger().warning(
                    "a daily file went on behind what this ledger holds; kept beside it", file=str(aside)
                )
            os.truncate(file.fileno(), known)

    def _put(self, cursor: Cursor) -> None:
        self._cursors.put(self.name, cursor)
        self._cursor = cursor

    def _append(self, date: str, lines: Sequence[str], last: int) -> None:
        path = self._file_of(date)
        new, before = not path.exists(), self._detail(path, _size(path))
        if self._cursor.detail != before:
            # From here on unknown bytes can only lie in this file, behind these.
            self._put(Cursor(self._cursor.seq, before))
        self._ready = False  # should this fail half-way, the next attempt cuts the half off first
        with _opened(path, "a+b") as file:
            if file.tell() == 0:
                file.write(self._sheet.header.encode())
            else:
                file.seek(-1, os.SEEK_END)
                if file.read() != b"\n":  # somebody saved it anew from a program of theirs
                    file.write(b"\r\n" if self._sheet.header.endswith("\r\n") else b"\n")
            file.write("".join(lines).encode())
            file.flush()
            os.fsync(file.fileno())
            length = file.tell()
        if new:
            sync_folder(self.folder)
        self._put(Cursor(last, self._detail(path, length)))
        self._ready = True

    def _detail(self, path: Path, size: int) -> dict[str, Json]:
        return {"file": str(path), "bytes": size, "form": self._sheet.form}

    def _file_of(self, date: str) -> Path:
        """Return the file of a day; one of another form, or with other columns, is left alone."""
        detail, form = self._cursor.detail, self._sheet.form
        other = detail["file"] if detail.get("form", form) != form else None
        header = self._sheet.header.encode()
        for path in _names(self.folder, f"{self._sheet.stem}-{date}", self._sheet.suffix):
            if _size(path) == 0:
                break
            with _opened(path, "rb") as file:
                if file.read(len(header)) == header and str(path) != other:
                    break
        return path


class DropFolder:
    """Writes one file a result, and one a doubt about results; for use from one thread at a time."""

    name = "files.drop"

    def __init__(self, folder: Path, cursors: Cursors) -> None:
        self.folder = folder
        self._cursors = cursors
        self.seq = cursors.get(self.name).seq

    def write(self, records: list[Stored]) -> None:
        """Write the results and doubts among the records, then move the cursor.

        Raises
        ------
        OSError
            If the folder does not take it; the cursor stays before what was not written.
        """
        self.folder.mkdir(parents=True, exist_ok=True)
        for record in records:
            body = record.body()
            if body["record"] == "doubt" or (
                body["record"] == "determination" and body["verdict"] in RESULTS
            ):
                self._drop(record, body)
                self._put(record.seq)
        if records[-1].seq > self.seq:
            self._put(records[-1].seq)

    def _put(self, seq: int) -> None:
        self._cursors.put(self.name, Cursor(seq, {}))
        self.seq = seq

    def _drop(self, record: Stored, body: dict[str, Json]) -> None:
        content = record.text.encode()
        moment = (
            body["at" if body["record"] == "doubt" else "ended"]
            .replace("-", "")
            .replace(":", "")
            .replace(".", "")
        )
        for path in _names(self.folder, f"{moment}_{body['cell']}_{record.seq:09d}", "json"):
            if not os.path.lexists(path):
                break
            if _is(path, content):  # dropped before a crash
                return
        aside = path.with_name(f".{path.name}.part")
        aside.unlink(missing_ok=True)
        _write_through(aside, content)
        aside.rename(path)
        sync_folder(self.folder)


def _names(folder: Path, stem: str, suffix: str) -> Iterator[Path]:
    """Yield ``stem.suffix``, then ``stem-2.suffix`` and so on, without end."""
    yield folder / f"{stem}.{suffix}"
    for number in count(2):
        yield folder / f"{stem}-{number}.{suffix}"


def _size(path: Path) -> int:
    """Return the length of a file, 0 for none."""
    try:
        return path.lstat().st_size
    except FileNotFoundError:
        return 0


def _opened(path: Path, mode: Literal["rb", "r+b", "a+b"]) -> BinaryIO:
    """Open a plain file that lies where its name says; OSError for anything else of that name."""
    return open(path, mode, opener=_descriptor)


def _descriptor(name: str, flags: int) -> int:
    wrong = OSError(errno.EINVAL, "is a link, or no plain file; remove it", name)
    try:
        descriptor = os.open(name, flags | os.O_NOFOLLOW | os.O_NONBLOCK, 0o666)
    except OSError as error:
        raise (wrong if error.errno in (errno.ELOOP, errno.ENXIO) else error) from error
    if stat.S_ISREG(os.fstat(descriptor).st_mode):
        return descriptor
    os.close(descriptor)
    raise wrong


def _is(path: Path, content: bytes) -> bool:
    """Whether a name stands for a plain file that holds this and nothing else."""
    if not stat.S_ISREG(path.lstat().st_mode):
        return False
    with _opened(path, "rb") as file:
        return file.read(len(content) + 1) == content


def _write_through(path: Path, content: bytes) -> None:
    with path.open("xb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())


def sync_folder(folder: Path) -> None:
    """Make new names in a folder durable, where its file system knows how: shares of some kinds do not."""
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    except OSError as error:
        if error.errno not in _NO_SYNC:
            raise
    finally:
        os.close(descriptor)
