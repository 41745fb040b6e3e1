"""The ledger as the service sees it: journal first, one writer thread, group commit.

Everything queued while a commit runs goes into the next one. Readings are committed before the
records that rest on them; readings alone wait up to `readings_commit_s`.
"""

import asyncio
import fcntl
import os
import sqlite3
from collections import deque
from collections.abc import Callable, Sequence
from contextlib import suppress
from functools import partial
from itertools import islice
from pathlib import Path
from typing import Any, NamedTuple, TypeVar
from uuid import uuid4

import structlog

from quietcell import __version__
from quietcell.core.records import ENGINE_VERSION, Body, SegmentBody
from quietcell.core.times import rfc3339
from quietcell.errors import LedgerError, LedgerLockedError
from quietcell.ledger.canonical import canonical_body
from quietcell.ledger.chain import Envelope, Stored
from quietcell.ledger.file_system import refuse_network
from quietcell.ledger.journal import Journal
from quietcell.ledger.readings_files import ReadingsFiles, SegmentReadings
from quietcell.ledger.storage import Reserve, Space, is_damage, is_full, may_pass
from quietcell.ledger.waiting import Batch, Bodies, Waiting
from quietcell.ledger.worker import Worker, tell

T = TypeVar("T")
RESERVE_BYTES = 4 * 1024 * 1024
RETRY_S = 2.0
"""Time until a disk that fails is tried again."""
NEWEST = 200
"""So many records stay at hand for those who follow: they need not wait for the file behind a commit."""
MOST_READINGS = 200_000
"""So many readings wait for a disk that fails; then the oldest are dropped."""


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
        refuse_network(folder)
        self.folder = folder
        self._stamp = stamp
        self.readings_commit_s = readings_commit_s
        self._lock = _lock(folder)
        self._journal = Journal(folder, new_id=str(uuid4()))
        self._files = ReadingsFiles(folder)
        self._space = Space(Reserve(folder, reserve_bytes), lambda: stamp().utc_ms)
        self._writer, self._messenger = Worker("ledger"), Worker("ledger messenger")
        self._waiting = Waiting()
        self._timer: asyncio.TimerHandle | None = None
        """Runs out when readings have waited long enough, or the disk is to be tried again."""
        self._idle, self._failing, self._closing = asyncio.Event(), False, False
        self._idle.set()
        self._grown = asyncio.Event()
        self._newest: deque[Stored] = deque(maxlen=NEWEST)
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
        self._waiting.keep(readings)
        self._wait()

    async def record(self, bodies: Sequence[Body]) -> list[Stored]:
        """Commit bodies as the next records; durable when this returns.

        A disk that fails is tried again until it works.

        Raises
        ------
        LedgerError
            If the commit failed in a way that does not pass, or an earlier one did.
        rfc8785.CanonicalizationError
            If a body has no canonical form; nothing of these is stored.
        """
        return await self._queue(bodies, patient=True) if bodies else []

    async def submit(self, bodies: Sequence[Body]) -> None:
        """Queue bodies as the next records; wait until they are durable, but not for a disk that fails.

        So measuring goes on meanwhile; they are stored, in order, once the disk works again.

        Raises
        ------
        LedgerError, rfc8785.CanonicalizationError
            As `record`.
        """
        if bodies:
            await self._queue(bodies, patient=False)

    def _queue(self, bodies: Sequence[Body], *, patient: bool) -> asyncio.Future[list[Stored]]:
        """Queue bodies, in their stored form already: the writer's thread may be busy with others."""
        if self.failure is not None:
            raise self.failure
        texts = [(canonical_body(body), body.schema) for body in bodies]
        stored: asyncio.Future[list[Stored]] = asyncio.get_running_loop().create_future()
        opening = any(body.kind == SegmentBody.kind for body in bodies)
        self._waiting.queue(Bodies(texts, stored, patient, opening))
        self._start()
        if self._failing and not patient:
            stored.set_result([])
        return stored

    def give_ids(self, next_id: Callable[[], str]) -> None:
        """Take ids for the ledger's own records, about its disk, from here."""
        self._space.next_id = next_id

    @property
    def interruptions(self) -> int:
        """How many times the disk failed and works again; readings may be missing behind each."""
        return self._space.interruptions

    @property
    def failing(self) -> bool:
        """Whether the disk fails: what is queued waits until it works."""
        return self._failing

    @property
    def trouble(self) -> str:
        """What the disk does wrong now, empty when it works."""
        return self._space.trouble

    def _wait(self) -> None:
        """Let readings wait for a record to come along, but not for long."""
        if self._waiting.readings and self._timer is None and self._idle.is_set():
            loop = asyncio.get_running_loop()
            self._timer = loop.call_later(self.readings_commit_s, self._commit_readings)

    def _commit_readings(self) -> None:
        self._waiting.hurry()
        self._start()

    def _start(self) -> None:
        """Set the writer's thread to work, unless it is and will find what was queued."""
        if self._idle.is_set():
            self._idle.clear()
            self._go_on()

    def _go_on(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        self._writer.put(partial(self._store, asyncio.get_running_loop()))

    def _store(self, loop: asyncio.AbstractEventLoop, said: Callable[..., None] = tell) -> None:
        """Commit what is due, again and again until nothing is; in the writer's thread.

        The event loop gets the next ready while a commit waits for the disk, and others may use the files
        between two of them.
        """
        batch = self._waiting.take()
        if batch is None:
            said(loop, self._rest)
            return
        try:
            records = self._commit(batch.texts(), batch.readings)
        except Exception as error:  # noqa: BLE001 # nobody may wait for ever, whatever it is
            self._space.drop(self._waiting.put_back(batch, most_readings=MOST_READINGS))
            said(loop, self._failed, error)
            return
        ends = not self._waiting.due
        if not ends:
            said = self._tell_aside
            self._writer.put(partial(self._store, loop, said))
        said(loop, partial(self._stored, batch, records, ends=ends))

    def _tell_aside(self, *values: Any) -> None:
        """Tell the event loop from a thread that may wait for it: the writer goes on at once."""
        self._messenger.put(partial(tell, *values))

    def _stored(self, batch: Batch, records: list[Stored], *, ends: bool) -> None:
        """Tell everybody that a commit is durable."""
        if self._failing:
            self._failing = False
            structlog.get_logger().info("the disk of the ledger works again")
        at = len(records) - sum(len(each.texts) for each in batch.bodies)  # the ledger's own come first
        for each in batch.bodies:
            if not each.stored.done():
                each.stored.set_result(records[at : at + len(each.texts)])
            at += len(each.texts)
        if records:
            self._newest.extend(records)
            self._grown.set()
            self._grown = asyncio.Event()
        if ends:
            self._rest()

    def _rest(self) -> None:
        """Stop working, unless more was queued meanwhile."""
        if self._waiting.due and self.failure is None:
            self._go_on()
        else:
            self._idle.set()
            self._wait()

    def _failed(self, error: Exception) -> None:
        """Try a disk that fails again later, while whoever only submits goes on; or give up."""
        waiting = self._waiting.bodies()
        if may_pass(error) and not self._closing:
            if not self._failing:
                self._failing = True
                structlog.get_logger().error("the disk of the ledger fails", text=str(error))
            for each in waiting:
                if not each.patient and not each.stored.done():
                    each.stored.set_result([])
            self._timer = asyncio.get_running_loop().call_later(RETRY_S, self._go_on)
            return
        self.failure = LedgerError(f"commit failed: {error}", subject=str(self.folder))
        for each in waiting:
            if not each.stored.done():
                each.stored.set_exception(self.failure)
        self._rest()

    def _commit(self, bodies: list[tuple[str, int]], readings: list[SegmentReadings]) -> list[Stored]:
        space = self._space
        if space.look():
            structlog.get_logger().info("the disk of the ledger has room again")
            self._journal.save_space(tight=False)
        try:
            if space.full:
                space.drop(readings)
            elif readings:
                self._store_readings(readings)
            readings.clear()  # dealt with: where the records fail, only they are tried again
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

    def _append(self, bodies: list[tuple[str, int]]) -> list[Stored]:
        bodies = [*((canonical_body(own), own.schema) for own in self._space.own_records()), *bodies]
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

    async def flush(self) -> None:
        """Wait until everything queued is durable."""
        while self._waiting.due or self._waiting.readings or not self._idle.is_set():
            self._commit_readings()
            await self._idle.wait()
            if self.failure is not None:
                raise self.failure

    # --- following -----------------------------------------------------------------------------

    async def after(self, seq: int, *, limit: int = 500) -> list[Stored]:
        """Wait until there are records behind `seq`, then return up to `limit` of them in order."""
        while (self._newest[-1].seq if self._newest else self.seq) <= seq:
            await self._grown.wait()
        if self._newest and (first := seq + 1 - self._newest[0].seq) >= 0:
            return list(islice(self._newest, first, first + limit))
        return await self.run(lambda: self._journal.after(seq, limit=limit))

    async def run(self, work: Callable[[], T]) -> T:
        """Run something that needs the ledger's files in the writer thread."""
        return await self._writer.run(work)

    @property
    def journal(self) -> Journal:
        """The journal, for use inside `run` or before the service starts."""
        return self._journal

    @property
    def readings(self) -> ReadingsFiles:
        """The readings, for use inside `run` or before the service starts."""
        return self._files

    def wait_no_longer(self) -> None:
        """Try a disk that fails once more and then give up."""
        self._closing = True
        if self._failing and self._timer is not None:
            self._go_on()

    async def close(self) -> None:
        """Make everything durable and release the files; a disk that fails is tried once more."""
        self.wait_no_longer()
        try:
            if self.failure is None:
                await self.flush()
        finally:
            if self._timer is not None:
                self._timer.cancel()
            self._writer.close()
            self._messenger.close()
            self._journal.close()
            self._files.close()
            os.close(self._lock)


def _lock(folder: Path) -> int:
    """Make the folder if there is none, and take it for this process alone."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        descriptor = os.open(folder / "lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    except OSError as error:
        closed = "[store] folder and all in it must be writable for the daemon's user and its service"
        raise LedgerError(
            f"nothing can be written: {error.strerror}",
            subject=str(error.filename or folder),
            hint="Free some (`df`, `df -i`)" if is_full(error) else closed,
        ) from error
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
