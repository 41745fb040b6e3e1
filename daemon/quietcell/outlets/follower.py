"""Outlets follow the journal; one that fails waits and goes on from its cursor, alone."""

import asyncio
import random
import sqlite3
from collections.abc import Callable, Coroutine, Sequence
from pathlib import Path
from typing import Any, Protocol, TypeVar

import structlog

from quietcell.errors import spoken
from quietcell.ledger.chain import Stored
from quietcell.ledger.ledger import Ledger

T = TypeVar("T")
RETRY_FIRST_S, RETRY_LONGEST_S = 0.5, 60.0
"""Pauses between attempts: doubled each time, capped, jittered by a fifth."""


class Backoff:
    """Pauses that grow until something worked."""

    def __init__(self, first_s: float = RETRY_FIRST_S, longest_s: float = RETRY_LONGEST_S) -> None:
        self._first_s = first_s
        self._longest_s = longest_s
        self._next_s = first_s

    def worked(self) -> None:
        """Begin again with the shortest pause."""
        self._next_s = self._first_s

    async def pause(self) -> None:
        """Wait, longer each time."""
        await asyncio.sleep(self._next_s * random.uniform(0.8, 1.2))  # noqa: S311 # only spreads attempts
        self._next_s = min(2 * self._next_s, self._longest_s)


async def finish(work: Coroutine[Any, Any, T]) -> T:
    """Do something to its end even when cancelled meanwhile; then cancellation goes on."""
    task = asyncio.ensure_future(work)
    try:
        return await asyncio.shield(task)
    except asyncio.CancelledError:
        await asyncio.wait({task})
        if not task.cancelled():
            task.exception()  # seen; whoever cancelled wants no result
        raise


async def supervise(run: Callable[[], Coroutine[Any, Any, None]], name: str) -> None:
    """Run something for as long as the service lives; a mistake in it is logged and it starts anew."""
    backoff = Backoff()
    while True:
        began_s = asyncio.get_running_loop().time()
        try:
            await run()
        except Exception:  # noqa: BLE001 # a mistake in an outlet must not end the measuring
            structlog.get_logger().exception("outlet broke, starting it anew", outlet=name)
        if asyncio.get_running_loop().time() - began_s > RETRY_LONGEST_S:
            backoff.worked()
        await backoff.pause()


class Outlet(Protocol):
    """Delivers records for as long as the service runs."""

    @property
    def name(self) -> str:
        """Of its cursor."""
        ...

    @property
    def seq(self) -> int:
        """Number of the last record delivered or parked."""
        ...

    @property
    def parked(self) -> Sequence[int]:
        """Numbers of records set aside because the receiver refused them."""
        ...

    @property
    def state(self) -> str:
        """How it stands, in words."""
        ...

    @property
    def working(self) -> bool:
        """True while records can be delivered."""
        ...

    async def run(self) -> None:
        """Deliver until cancelled."""
        ...


class Writer(Protocol):
    """Puts records somewhere on this machine."""

    name: str
    folder: Path

    @property
    def seq(self) -> int:
        """Number of the last record written."""
        ...

    def write(self, records: list[Stored]) -> None:
        """Write records and move the cursor."""
        ...


class FileOutlet:
    """Follows the ledger with a writer; file work stays off the event loop.

    A folder or disk that does not take the records is told once and tried again; measuring goes on.
    """

    def __init__(self, ledger: Ledger, writer: Writer, *, backoff: Backoff | None = None) -> None:
        self._ledger = ledger
        self._writer = writer
        self._backoff = backoff or Backoff()
        self._fault = ""

    @property
    def name(self) -> str:
        """Of the writer's cursor."""
        return self._writer.name

    @property
    def seq(self) -> int:
        """Number of the last record written."""
        return self._writer.seq

    @property
    def parked(self) -> Sequence[int]:
        """None: a folder refuses no single record."""
        return ()

    @property
    def state(self) -> str:
        """How it stands, in words."""
        return self._fault or "writing"

    @property
    def working(self) -> bool:
        """True while records can be delivered."""
        return not self._fault

    async def run(self) -> None:
        """Write records as they come, until cancelled; what is being written is written to its end."""
        log = structlog.get_logger().bind(outlet=self.name)
        while True:
            records = await self._ledger.after(self.seq)
            try:
                await finish(asyncio.to_thread(self._writer.write, records))
            except (OSError, sqlite3.Error) as error:
                if self._fault != (fault := self._told(error)):
                    self._fault = fault
                    log.warning("files not written, trying again", text=self._fault)
                await self._backoff.pause()
            else:
                if self._fault:
                    self._fault = ""
                    log.info("files written again")
                self._backoff.worked()

    def _told(self, error: Exception) -> str:
        """Return an error in words; a full disk does not say where."""
        nameless = isinstance(error, OSError) and error.filename is None
        return f"{self._writer.folder}: {spoken(error)}" if nameless else spoken(error)
