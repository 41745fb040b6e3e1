"""The ledger as the service sees it: journal first, one writer thread, group commit.

Everything queued while a commit runs goes into the next one. Readings are committed before the
records that rest on them; readings alone wait up to `readings_commit_s`.
"""

import asyncio
import fcntl
import os
import sqlite3
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path
from typing import Any, NamedTuple, TypeVar
from uuid import uuid4

import structlog

from quietcell import __version__
from quietcell.core.records import ENGINE_VERSION, Body, Json
from quietcell.core.times import rfc3339
from quietcell.errors import LedgerError, LedgerLockedError
from quietcell.ledger.chain import Envelope, Stored
from quietcell.ledger.file_system import refuse_network
from quietcell.ledger.journal import Journal
from quietcell.ledger.readings_files import ReadingsFiles, SegmentReadings
from quietcell.ledger.storage import Reserve, Space, is_damage, is_full, may_pass

T = TypeVar("T")
RESERVE_BYTES = 4 * 1024 * 1024
RETRY_S = 2.0
"""Time until a disk that fails is tried again."""
MOST_READINGS = 200_000
"""So many readings wait for a disk that fails; then the oldest are dropped."""
_Queued = tuple[list[tuple[Mapping[str, Json], int]], asyncio.Future[list[Stored]]]
"""Bodies with their schemas, and who waits for them."""


class Stamp(NamedTuple):
    """When a batch is stored, and how far that can be trusted."""

    utc_ms: int
    time_quality: str


class Ledger:
    """Open ledger of a running daemon.

    Parameters
    ----------
    folder : Path
        Made if it does not exist.
    stamp : callable
        Gives the time of a commit.
    readings_commit_s : float
        Longest wait of readings that no record rests on yet.
    reserve_bytes : int
        Space that is kept for records when there is no other.

    Raises
    ------
    LedgerLockedError
        If another process has it open.
    LedgerError
        If it lies on a network file system or cannot be opened.
    """

    def __init__(
        self,
        folder: Path,
        *,
        stamp: Callable[[], Stamp],
        readings_commit_s: float = 5.0,
        reserve_bytes: int = RESERVE_BYTES,
    ) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        refuse_network(folder)
        self.folder = folder
        self._stamp = stamp
        self._readings_commit_s = readings_commit_s
        self._lock = _lock(folder)
        self._journal = Journal(folder, new_id=str(uuid4()))
        self._files = ReadingsFiles(folder)
        self._space = Space(Reserve(folder, reserve_bytes), lambda: stamp().utc_ms)
        self._trouble, self._woken, self._closing = asyncio.Event(), asyncio.Event(), False
        self._writer = ThreadPoolExecutor(1, thread_name_prefix="ledger")
        self._bodies: list[_Queued] = []
        self._readings: list[SegmentReadings] = []
        self._before_bodies = 0
        """So many of them were kept before the last body was queued."""
        self._due = False
        self._timer: asyncio.TimerHandle | None = None
        self._busy: asyncio.Task[None] | None = None
        self._grown = asyncio.Condition()
        self.failure: LedgerError | None = None
        """Set once a commit has failed in a way that does not pass; the service stops on it."""

    @property
    def id(self) -> str:
        """Identity of the ledger."""
        return self._journal.ledger

    @property
    def seq(self) -> int:
        """Number of the last durable record."""
        return self._journal.head[0]

    @property
    def head(self) -> tuple[int, str]:
        """Number and hash of the last durable record."""
        return self._journal.head

    # --- writing -------------------------------------------------------------------------------

    def keep(self, readings: SegmentReadings) -> None:
        """Queue readings; durable within `readings_commit_s`, or with the next record."""
        self._readings.append(readings)
        self._wait()

    async def record(self, bodies: Sequence[Body]) -> list[Stored]:
        """Commit bodies as the next records; durable when this returns.

        A disk that fails is tried again until it works.

        Raises
        ------
        LedgerError
            If the commit failed in a way that does not pass, or an earlier one did.
        """
        return await asyncio.shield(self._queue(bodies)) if bodies else []

    async def submit(self, bodies: Sequence[Body]) -> None:
        """Queue bodies as the next records; wait until they are durable, but not for a disk that fails.

        So measuring goes on meanwhile; they are stored, in order, once the disk works again.

        Raises
        ------
        LedgerError
            As `record`.
        """
        if not bodies:
            return
        stored = self._queue(bodies)
        trouble = asyncio.ensure_future(self._trouble.wait())
        try:
            ends: set[asyncio.Future[Any]] = {stored, trouble}
            await asyncio.wait(ends, return_when=asyncio.FIRST_COMPLETED)
        finally:
            trouble.cancel()
        if stored.done():
            await stored
        else:
            stored.add_done_callback(_forget)  # nobody waits for it; what went wrong stands in `failure`

    def _queue(self, bodies: Sequence[Body]) -> asyncio.Future[list[Stored]]:
        if self.failure is not None:
            raise self.failure
        future: asyncio.Future[list[Stored]] = asyncio.get_running_loop().create_future()
        self._before_bodies = len(self._readings)
        self._bodies.append(([(body.as_json(), body.schema) for body in bodies], future))
        self._start()
        return future

    def give_ids(self, next_id: Callable[[], str]) -> None:
        """Take ids for the ledger's own records, about its disk, from here."""
        self._space.next_id = next_id

    @property
    def interruptions(self) -> int:
        """How many times the disk failed and works again; readings may be missing behind each."""
        return self._space.interruptions

    @property
    def trouble(self) -> str:
        """What the disk does wrong now, empty when it works."""
        return self._space.trouble

    def _wait(self) -> None:
        """Let readings wait for a record to come along, but not for long."""
        if self._readings and self._timer is None and self._busy is None:
            loop = asyncio.get_running_loop()
            self._timer = loop.call_later(self._readings_commit_s, self._commit_readings)

    def _commit_readings(self) -> None:
        self._due = True
        self._start()

    def _start(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        if self._busy is None:
            self._busy = asyncio.create_task(self._drain(), name="ledger writer")

    async def _drain(self) -> None:
        """Commit until no body is queued, and the readings if they are due.

        Readings kept before a body go along with it, those kept later wait: they may be of a segment whose
        beginning is that body, and no reading may be stored before its segment is.
        """
        loop = asyncio.get_running_loop()
        try:
            while self._bodies or self._due:
                batch, self._bodies = self._bodies, []
                count = self._before_bodies if batch else len(self._readings)
                readings, self._readings = self._readings[:count], self._readings[count:]
                self._before_bodies, self._due = 0, self._due and bool(batch)
                flat = [body for bodies, _ in batch for body in bodies]
                try:
                    records = await loop.run_in_executor(self._writer, self._commit, flat, readings)
                except (sqlite3.Error, LedgerError, OSError) as error:
                    if may_pass(error) and not self._closing:
                        self._put_back(batch, readings)
                        await self._pause(error)
                        continue
                    self.failure = LedgerError(f"commit failed: {error}", subject=str(self.folder))
                    for _, future in batch:
                        if not future.done():
                            future.set_exception(self.failure)
                    return
                self._trouble.clear()
                at = len(records) - len(flat)  # the ledger's own come first
                for bodies, future in batch:
                    if not future.done():
                        future.set_result(records[at : at + len(bodies)])
                    at += len(bodies)
                if records:
                    async with self._grown:
                        self._grown.notify_all()
        finally:
            self._busy = None
            if self.failure is None:
                self._wait()

    def _commit(
        self, bodies: list[tuple[Mapping[str, Json], int]], readings: list[SegmentReadings]
    ) -> list[Stored]:
        space = self._space
        if space.look():
            self._journal.save_space(tight=False)
        try:
            if space.full:
                space.drop(readings)
            elif readings:
                self._store_readings(readings)
            try:
                return self._append(bodies)
            except (sqlite3.Error, OSError) as error:
                if space.full or not is_full(error):
                    raise
                self._give_up_reserve()  # there may be room in it
                return self._append(bodies)
        except (sqlite3.Error, LedgerError, OSError) as error:
            space.failed(error)
            raise

    def _store_readings(self, readings: list[SegmentReadings]) -> None:
        """Store readings; a full disk takes none, so that it takes records."""
        try:
            try:
                self._files.append(readings)
            except (sqlite3.Error, LedgerError) as error:
                names = self._files.set_aside_damaged(readings) if is_damage(error) else []
                if not names:
                    raise
                self._space.set_aside(names)
                self._files.append(readings)
        except (sqlite3.Error, LedgerError, OSError) as error:
            if not is_full(error):
                raise
            self._give_up_reserve()
            self._space.drop(readings)

    def _give_up_reserve(self) -> None:
        self._space.give_up_reserve()
        structlog.get_logger().error("the disk of the ledger is full", folder=str(self.folder))
        with suppress(sqlite3.Error):  # what still does not fit is tried again
            self._journal.save_space(tight=True)

    def _append(self, bodies: list[tuple[Mapping[str, Json], int]]) -> list[Stored]:
        bodies = [*((own.as_json(), own.schema) for own in self._space.own_records()), *bodies]
        if not bodies:
            return []
        stamp = self._stamp()
        envelope = Envelope(
            ledger=self._journal.ledger,
            recorded_at=rfc3339(stamp.utc_ms),
            time_quality=stamp.time_quality,
            software=f"quietcell {__version__}",
            engine_version=ENGINE_VERSION,
        )
        records = self._journal.append(bodies, envelope)
        self._space.told()
        return records

    def _put_back(self, batch: list[_Queued], readings: list[SegmentReadings]) -> None:
        """Queue again what could not be stored, ahead of what came since."""
        if self._bodies:
            self._before_bodies += len(readings)
        else:
            self._before_bodies = len(readings) if batch else 0
        self._due = self._due or not batch
        self._bodies, self._readings = [*batch, *self._bodies], [*readings, *self._readings]
        waiting = sum(len(part.block) for part in self._readings)
        while waiting > MOST_READINGS:
            oldest = self._readings.pop(0)
            waiting -= len(oldest.block)
            self._before_bodies = max(0, self._before_bodies - 1)
            self._space.drop([oldest])

    async def _pause(self, error: Exception) -> None:
        """Wait before a disk that fails is tried again; whoever only submits goes on."""
        if not self._trouble.is_set():
            self._trouble.set()
            structlog.get_logger().error("the disk of the ledger fails", text=str(error))
        with suppress(TimeoutError):
            async with asyncio.timeout(RETRY_S):
                await self._woken.wait()

    async def flush(self) -> None:
        """Wait until everything queued is durable."""
        while self._bodies or self._readings or self._busy is not None:
            self._due = True
            self._start()
            if self._busy is not None:
                await asyncio.shield(self._busy)
            if self.failure is not None:
                raise self.failure

    # --- following -----------------------------------------------------------------------------

    async def after(self, seq: int, *, limit: int = 500) -> list[Stored]:
        """Wait until there are records behind `seq`, then return up to `limit` of them in order."""
        async with self._grown:
            await self._grown.wait_for(lambda: self.seq > seq)
        return await self.run(lambda: self._journal.after(seq, limit=limit))

    async def run(self, work: Callable[[], T]) -> T:
        """Run something that needs the ledger's files in the writer thread."""
        return await asyncio.get_running_loop().run_in_executor(self._writer, work)

    @property
    def journal(self) -> Journal:
        """The journal, for use inside `run` or before the service starts."""
        return self._journal

    @property
    def readings(self) -> ReadingsFiles:
        """The readings, for use inside `run` or before the service starts."""
        return self._files

    async def close(self) -> None:
        """Make everything durable and release the files; a disk that fails is tried once more."""
        self._closing = True
        self._woken.set()
        try:
            if self.failure is None:
                await self.flush()
        finally:
            if self._timer is not None:
                self._timer.cancel()
            self._writer.shutdown()
            self._journal.close()
            self._files.close()
            os.close(self._lock)


def _forget(stored: asyncio.Future[list[Stored]]) -> None:
    if not stored.cancelled():
        stored.exception()


def _lock(folder: Path) -> int:
    """Take the ledger for this process alone."""
    descriptor = os.open(folder / "lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o640)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        os.close(descriptor)
        raise LedgerLockedError(
            "another quietcell writes this ledger",
            subject=str(folder),
            hint="Stop the other one, or give this one a folder of its own",
        ) from error
    return descriptor
