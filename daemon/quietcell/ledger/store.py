"""Opening the SQLite files of a ledger: the settings that make a commit durable, and versions."""

import os
import sqlite3
from collections.abc import Mapping
from contextlib import closing, suppress
from pathlib import Path
from types import MappingProxyType

from quietcell.errors import LedgerDamagedError, LedgerError, LedgerTooNewError

APPLICATION_ID = 0x51434C31
"""Marks the files as ours ("QCL1")."""
NO_MIGRATIONS: Mapping[int, str] = MappingProxyType({})


def open_file(
    path: Path,
    *,
    layout: str,
    version: int,
    read_only: bool = False,
    migrations: Mapping[int, str] = NO_MIGRATIONS,
    if_damaged: str = "Keep it for whoever can look into it",
) -> sqlite3.Connection:
    """Open one SQLite file of a ledger, making it if need be.

    Parameters
    ----------
    path : Path
        The file.
    layout : str
        SQL that lays out a new file.
    version : int
        Version of that layout.
    read_only : bool
        Refuse to make or change anything.
    migrations : Mapping
        SQL that leads from each older version of the layout to the next. It may touch tables and indexes,
        never stored records; a copy of the file is made first.
    if_damaged : str
        What to do about a file that is no database any more.

    Returns
    -------
    sqlite3.Connection
        In autocommit mode, write-ahead log, every commit synchronous to the disk.

    Raises
    ------
    LedgerTooNewError
        If a newer version laid the file out.
    LedgerDamagedError
        If the file is not one of ours.
    LedgerError
        If it cannot be opened.
    """
    if read_only and not path.exists():
        raise LedgerError(
            "no ledger here", subject=str(path.parent), hint="Has `quietcell run` been started once?"
        )
    uri = uri_to_read(path) if read_only else f"{path.absolute().as_uri()}?mode=rwc"
    try:
        database = sqlite3.connect(uri, uri=True, isolation_level=None, check_same_thread=False)
    except sqlite3.DatabaseError as error:
        raise _unopened(path, error, if_damaged, read_only=read_only) from error
    try:
        found = database.execute("PRAGMA user_version").fetchone()[0]
        owner = database.execute("PRAGMA application_id").fetchone()[0]
        _require_known(path, found, owner, version, read_only=read_only)
        # Damaged text must come back as something a hash can be held against.
        database.text_factory = lambda stored: stored.decode(errors="surrogateescape")
        if not read_only:
            if found:
                _require_writable(database, found)
            if 0 < found < version:
                _migrate(database, path, range(found, version), migrations)
            _make_durable(database, layout if not found else "", version)
    except sqlite3.DatabaseError as error:
        # Before the file is closed, for that may remove the log beside it.
        wrong = _unopened(path, error, if_damaged, read_only=read_only)
        database.close()
        raise wrong from error
    except BaseException:
        database.close()
        raise
    return database


def _require_known(path: Path, found: int, owner: int, version: int, *, read_only: bool) -> None:
    """Refuse a file of another layout or another program."""
    if found > version:
        raise LedgerTooNewError(
            f"written by a newer quietcell (layout {found}, this one knows {version})",
            subject=str(path),
            hint="Install the newer version again; nothing was changed",
        )
    if found and owner != APPLICATION_ID:
        raise LedgerDamagedError("not a file of a ledger", subject=str(path))
    if read_only and not found:
        raise LedgerError("nothing recorded yet", subject=str(path))
    if read_only and found < version:
        raise LedgerError(
            f"has an older layout ({found})", subject=str(path), hint="Start `quietcell run` on it once"
        )


def _require_writable(database: sqlite3.Connection, version: int) -> None:
    """Refuse a file that may only be read: SQLite opens it all the same, and then never writes to it."""
    database.execute("BEGIN")
    database.execute(f"PRAGMA user_version = {version}")  # only a change is refused; nothing is stored
    database.execute("ROLLBACK")


def _make_durable(database: sqlite3.Connection, layout: str, version: int) -> None:
    """Let every commit wait for the disk; lay out a new file."""
    database.execute("PRAGMA journal_mode = WAL")
    database.execute("PRAGMA synchronous = FULL")
    if layout:
        database.executescript(
            f"BEGIN IMMEDIATE; {layout}; PRAGMA application_id = {APPLICATION_ID}; "
            f"PRAGMA user_version = {version}; COMMIT;"
        )


def uri_to_read(path: Path) -> str:
    """Return the address under which SQLite opens a file for reading, of a medium that can't be written too.

    There it could lay no log beside the file; if none is there, nobody writes the file.
    """
    at_rest = not os.access(path.parent, os.W_OK) and not path.with_name(f"{path.name}-wal").exists()
    return f"{path.absolute().as_uri()}?mode=ro{'&immutable=1' if at_rest else ''}"


def close_file(database: sqlite3.Connection) -> None:
    """Close a file with its write-ahead log moved into it, so that the file alone holds everything.

    SQLite does so only for the last who closes it, which may be someone who just reads.
    """
    with suppress(sqlite3.Error):  # a full disk, or opened to read: the log stays, and nothing is lost
        database.execute("PRAGMA busy_timeout = 0")  # a reader in the middle of it is not waited for
        database.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    database.close()


def _unopened(path: Path, error: sqlite3.DatabaseError, if_damaged: str, *, read_only: bool) -> LedgerError:
    if isinstance(error, sqlite3.OperationalError):  # of what is around the file, not of the file itself
        may, rights = ("read", os.R_OK) if read_only else ("write", os.R_OK | os.W_OK)
        files = [path.with_name(path.name + end) for end in ("", "-wal", "-shm")]
        closed = [file.name for file in files if file.exists() and not os.access(file, rights)]
        what, hint = "cannot open", "Look at the folder's rights and the room on the disk"
        if closed:
            hint = f"You may not {may} {', '.join(closed)}; all must belong to the daemon's user, mode u+rw"
    else:
        what, hint = "the file is damaged", if_damaged
    return LedgerError(f"{what}: {error}", subject=str(path), hint=hint)


def _migrate(
    database: sqlite3.Connection, path: Path, versions: range, migrations: Mapping[int, str]
) -> None:
    """Bring a file to today's layout, behind a copy of what it was."""
    copy = path.with_name(f"{path.name}.layout-{versions.start}")
    with closing(sqlite3.connect(copy)) as kept:
        database.backup(kept)
    steps = "; ".join(migrations[version] for version in versions)
    database.executescript(f"BEGIN IMMEDIATE; {steps}; PRAGMA user_version = {versions.stop}; COMMIT;")
