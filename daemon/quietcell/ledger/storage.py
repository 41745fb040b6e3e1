"""What a disk can do to a ledger, and the reserve that is given up so that this itself can be recorded."""

import errno
import os
import sqlite3
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar, Final, Literal

from quietcell.core.records import ABSENT, Absent, Body
from quietcell.core.times import rfc3339
from quietcell.errors import LedgerDamagedError, LedgerError
from quietcell.ledger.readings_files import SegmentReadings

RESERVE_NAME: Final = "reserve"
_LITTLE: Final = 1024 * 1024
BELIEVED_AGAIN_MS: Final = 60_000
"""A disk that says it has room is believed so often: some say so and take nothing."""
_PASSING: Final = {
    sqlite3.SQLITE_FULL,
    sqlite3.SQLITE_IOERR,
    sqlite3.SQLITE_READONLY,
    sqlite3.SQLITE_CANTOPEN,
    sqlite3.SQLITE_BUSY,
    sqlite3.SQLITE_PERM,
    sqlite3.SQLITE_AUTH,
}
"""Faults of the disk that may pass; the others are of the file or of ours."""


StorageState = Literal["full", "damaged", "recovered"]


@dataclass(frozen=True, slots=True, kw_only=True)
class StorageBody(Body):
    """The disk of the ledger fails, or does no longer."""

    kind: ClassVar[str] = "storage"

    state: StorageState
    text: str
    """What happens or happened, and what to do."""
    since: str | Absent = ABSENT
    """When a disk that works again began to fail; nothing could be recorded meanwhile."""


def lost_records(delivered: Mapping[str, int], last: int) -> str:
    """Say that outlets had delivered records the journal does not hold."""
    outlets = ", ".join(f"{outlet} up to record {seq}" for outlet, seq in sorted(delivered.items()))
    return (
        f"Delivered were {outlets}, but the ledger ends with {last}: the disk lost records it had confirmed. "
        f"Numbers from {last + 1} are given again: tell whoever drops repeats by them. Look at the disk."
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingsDroppedBody(Body):
    """Readings of one segment that are not stored; the records made meanwhile rest on them all the same."""

    kind: ClassVar[str] = "readings-dropped"

    segment: int
    from_ms: int
    """Time of the first dropped reading."""
    upto_ms: int | None
    """Time of the last dropped reading; None while they are still being dropped."""
    readings: int
    """So many so far."""


def may_pass(error: Exception) -> bool:
    """Return whether a commit that failed so may work later."""
    if isinstance(error, LedgerError):
        error = error.__cause__ if isinstance(error.__cause__, Exception) else error
    if isinstance(error, sqlite3.Error):
        return _code(error) in _PASSING
    return isinstance(error, OSError)


def is_full(error: Exception) -> bool:
    """Return whether there was no space left."""
    if isinstance(error, LedgerError):
        error = error.__cause__ if isinstance(error.__cause__, Exception) else error
    if isinstance(error, OSError):
        return error.errno == errno.ENOSPC
    return isinstance(error, sqlite3.Error) and _code(error) == sqlite3.SQLITE_FULL


def is_damage(error: Exception) -> bool:
    """Return whether a file is damaged, or none of ours any more."""
    if isinstance(error, LedgerError):
        error = error.__cause__ if isinstance(error.__cause__, Exception) else error
    if isinstance(error, sqlite3.Error):
        return _code(error) in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
    return isinstance(error, LedgerDamagedError)


def _code(error: sqlite3.Error) -> int:
    return getattr(error, "sqlite_errorcode", 0) & 0xFF


class Reserve:
    """A file that takes up space until there is no other.

    Parameters
    ----------
    folder : Path
        Of the ledger.
    size : int
        Bytes; 0 for no reserve.
    """

    def __init__(self, folder: Path, size: int) -> None:
        self._folder = folder
        self._path = folder / RESERVE_NAME
        self._size = size

    def set_up(self) -> None:
        """Take the space, if it is there and not taken yet."""
        if not self._size or (self._path.exists() and self._path.stat().st_size == self._size):
            return
        try:
            with self._path.open("wb") as file:
                os.posix_fallocate(file.fileno(), 0, self._size)
        except OSError:
            self.free()  # half a reserve would only take away what is left

    def free(self) -> None:
        """Give the space up."""
        try:
            self._path.unlink(missing_ok=True)
        except OSError:
            return  # a disk that can't be written to is no fuller for it

    def space_is_back(self) -> bool:
        """Return whether there is room for the reserve and as much again, or a little without any."""
        try:
            status = os.statvfs(self._folder)
        except OSError:
            return False
        return status.f_bavail * status.f_frsize >= max(2 * self._size, _LITTLE)


class Space:
    """Whether there is room for readings, and what is to be recorded of it; for the writer's thread.

    While the disk is full the reserve is left to records, and readings are dropped and counted.
    """

    def __init__(self, reserve: Reserve, stamp: Callable[[], int]) -> None:
        self._reserve = reserve
        self._now_utc_ms = stamp
        self.next_id: Callable[[], str] | None = None
        """Gives the ledger's own records their ids; without it there are none."""
        self.full = False
        self._believed_utc_ms: int | None = None
        """When the disk last said that it has room again."""
        self.interruptions = 0
        """How many times the disk failed and works again."""
        self._news: list[tuple[StorageState, str]] = []
        self._failing: tuple[int, str] | None = None
        self._dropped: dict[tuple[str, int], list[int]] = {}
        """First and last time (ms) and number of dropped readings by cell and segment."""
        self._told: set[tuple[str, int]] = set()
        reserve.set_up()

    @property
    def trouble(self) -> str:
        """What the disk does wrong now, empty when it works."""
        failing = self._failing
        if failing is not None:
            return f"the disk of the ledger fails: {failing[1]}"
        return "the disk of the ledger is full; readings are dropped" if self.full else ""

    def look(self) -> bool:
        """Return whether the space is back since it was last looked at."""
        if not self.full or not self._reserve.space_is_back():
            return False
        now_utc_ms, believed_utc_ms = self._now_utc_ms(), self._believed_utc_ms
        if believed_utc_ms is not None and abs(now_utc_ms - believed_utc_ms) < BELIEVED_AGAIN_MS:
            return False
        self._believed_utc_ms = now_utc_ms
        self.full = False
        self._reserve.set_up()
        self.interruptions += 1
        self._news.append(("recovered", "There is room again; readings are stored again."))
        return True

    def give_up_reserve(self) -> None:
        """Leave what is left of a full disk to records."""
        self._reserve.free()
        self.full = True
        text = "The disk of the ledger is full: readings are dropped, records still stored. Free some space."
        self._news.append(("full", text))

    def set_aside(self, names: Sequence[str]) -> None:
        """Tell that damaged files of readings were renamed, and readings go on in new ones."""
        text = (
            f"Damaged, so set aside, and readings go on in a new file: {', '.join(names)}. Look at the disk."
        )
        self._news.append(("damaged", text))

    def failed(self, error: Exception) -> None:
        """Remember since when nothing can be stored."""
        if self._failing is None:
            self._failing = (self._now_utc_ms(), str(error))

    def drop(self, readings: Sequence[SegmentReadings]) -> None:
        """Count readings that are not stored."""
        for part in readings:
            first_ms, last_ms, more = int(part.block.ms[0]), int(part.block.ms[-1]), len(part.block)
            known = self._dropped.setdefault((part.cell, part.segment), [first_ms, last_ms, 0])
            known[1], known[2] = max(known[1], last_ms), known[2] + more

    def own_records(self) -> list[Body]:
        """Return what is to be recorded along with the next records."""
        if self.next_id is None or not (self._news or self._failing or self._dropped):
            return []
        at = rfc3339(self._now_utc_ms())
        bodies: list[Body] = [
            StorageBody(id=self.next_id(), cell="daemon", at=at, state=state, text=text)
            for state, text in self._news
        ]
        if self._failing is not None:
            since, text = (
                rfc3339(self._failing[0]),
                f"The disk of the ledger works again; it failed: {self._failing[1]}",
            )
            bodies.append(
                StorageBody(
                    id=self.next_id(), cell="daemon", at=at, state="recovered", text=text, since=since
                )
            )
        for key, (first_ms, last_ms, count) in self._dropped.items():
            if self.full and key in self._told:
                continue
            bodies.append(
                ReadingsDroppedBody(
                    id=self.next_id(),
                    cell=key[0],
                    at=at,
                    segment=key[1],
                    from_ms=first_ms,
                    upto_ms=None if self.full else last_ms,
                    readings=count,
                )
            )
        return bodies

    def told(self) -> None:
        """Forget what `own_records` gave: it is stored."""
        if self.next_id is None:
            return
        self._news.clear()
        if self._failing is not None:
            self._failing = None
            self.interruptions += 1
        self._told = set(self._dropped)
        if not self.full:
            self._dropped.clear()
            self._told.clear()
