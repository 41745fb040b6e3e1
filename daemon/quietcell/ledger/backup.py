"""A consistent copy of a ledger that goes on being written."""

import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

from quietcell.errors import LedgerError
from quietcell.ledger.cursors import FILE_NAME as CURSORS_NAME
from quietcell.ledger.journal import FILE_NAME, Journal
from quietcell.ledger.readings_files import ReadingsFiles
from quietcell.ledger.store import uri_to_read
from quietcell.ledger.verify import Head, Verified, verify

_PARTIAL = ".partial"


def copy_file(source: Path, target: Path) -> None:
    """Copy one SQLite file as of one instant; durable when this returns."""
    try:
        with (
            closing(sqlite3.connect(uri_to_read(source), uri=True)) as old,
            closing(sqlite3.connect(target)) as new,
        ):
            new.execute("PRAGMA synchronous = FULL")
            old.backup(new)
    except sqlite3.Error as error:
        raise LedgerError(
            f"{source.name} cannot be copied: {error}",
            subject=str(target.parent),
            hint="Look at both disks, and remove what was copied",
        ) from error


def _finish(copy: Path) -> None:
    """Leave one plain file: a write-ahead log could be neither read on a medium nor shared over a network."""
    with closing(sqlite3.connect(copy)) as database:
        database.execute("PRAGMA journal_mode = DELETE")


def _copied(folder: Path, part: Path, tell: Callable[[str], None]) -> list[str]:
    """Copy the files of a ledger; return their names."""
    while True:
        names = [FILE_NAME, *sorted(path.name for path in folder.glob("readings-*.sqlite"))]
        if (folder / CURSORS_NAME).exists():
            names.insert(0, CURSORS_NAME)
        try:
            for name in names:
                tell(f"copying {name}")
                copy_file(folder / name, part / name)
        except LedgerError:
            if all((folder / name).exists() for name in names):
                raise
        if all((folder / name).exists() for name in names):
            return names
        for path in part.iterdir():  # a month was given up meanwhile, and the journal must tell of it
            path.unlink()


def backup(folder: Path, target: Path, *, tell: Callable[[str], None] = lambda _: None) -> Verified:
    """Copy a ledger and check the copy.

    Cursors are copied first, the journal behind them and the readings behind that: no outlet is ahead of the
    journal, and every digest finds its readings. Readings of segments the copied journal does not know yet
    are left out. A copy that is not whole has another name.

    Parameters
    ----------
    folder : Path
        Of the ledger.
    target : Path
        Folder to make; must not exist, or be empty.
    tell : callable
        Told what is being done.

    Raises
    ------
    LedgerError
        If there is no ledger, the target is in use or cannot be written, or the copy does not check out.
    """
    if target.exists() and (not target.is_dir() or any(target.iterdir())):
        wrong = "is not empty" if target.is_dir() else "is a file"
        raise LedgerError(wrong, subject=str(target), hint="Name a folder that does not exist yet")
    part = target.with_name(target.name + _PARTIAL)
    if part.exists():
        raise LedgerError(
            "an earlier backup was not finished", subject=str(part), hint="Look at it, remove it"
        )
    with Journal(folder):
        pass  # raises where there is none, or none of ours
    part.mkdir(parents=True)
    names = _copied(folder, part, tell)
    tell("checking the copy")
    with Journal(part) as journal, closing(ReadingsFiles(part)) as files:
        known = {
            (body["cell"], body["segment"])
            for body in (record.body() for record in journal.of_kind("segment"))
        }
        for month in files.months():
            for cell, segment in files.segments(month):
                if cell is not None and (cell, segment) not in known:
                    files.remove_segment(month, cell, segment)
        found = verify(journal, files, head=Head(hash=journal.head[1]), tell=lambda _: None)
    for name in names:
        _finish(part / name)
    if target.exists():
        target.rmdir()
    part.rename(target)
    return found
