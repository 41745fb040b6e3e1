"""Outlets follow the journal; one that fails waits and goes on from its cursor, alone."""

import asyncio
import random
import sqlite3
from typing import Protocol

import structlog

from quietcell.ledger.chain import Stored
from quietcell.ledger.ledger import Ledger

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
    def state(self) -> str:
        """How it stands, in a word or two."""
        ...

    async def run(self) -> None:
        """Deliver until cancelled."""
        ...


class Writer(Protocol):
    """Puts records somewhere on this machine."""

    name: str

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

    def __init__(self, ledger: Ledger, writer: Writer) -> None:
        self._ledger = ledger
        self._writer = writer
        self.state = "writing"

    @property
    def name(self) -> str:
        """Of the writer's cursor."""
        return self._writer.name

    @property
    def seq(self) -> int:
        """Number of the last record written."""
        return self._writer.seq

    async def run(self) -> None:
        """Write records as they come, until cancelled."""
        backoff = Backoff()
        log = structlog.get_logger().bind(outlet=self.name)
        while True:
            records = await self._ledger.after(self.seq)
            try:
                await asyncio.to_thread(self._writer.write, records)
            except (OSError, sqlite3.Error) as error:
                if self.state != str(error):
                    log.warning("files not written, trying again", text=str(error))
                self.state = str(error)
                await backoff.pause()
            else:
                if self.state != "writing":
                    log.info("files written again")
                self.state = "writing"
                backoff.worked()
