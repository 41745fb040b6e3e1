"""Readings that wait to be fetched, and the word that no more will come."""

import asyncio
from collections.abc import Sequence

from quietcell.core.readings import Reading, ReadingRows, Row
from quietcell.errors import DriverError

MOST_WAITING = 4096
"""Readings at which a driver stops taking input: minutes of any meter, a megabyte of memory."""


class WaitingReadings:
    """A queue filled on the event loop and fetched by one task.

    Nothing is awaited between taking readings out and returning them, so a cancelled `fetch` loses
    none.
    """

    def __init__(self) -> None:
        self._rows: list[Row] = []
        self._error: DriverError | None = None
        self._changed = asyncio.Event()

    def __len__(self) -> int:
        return len(self._rows)

    @property
    def is_full(self) -> bool:
        """Whether no more should be put in for now."""
        return len(self._rows) >= MOST_WAITING

    def put(self, reading: Reading) -> None:
        """Add a reading."""
        self.put_rows(ReadingRows.of([reading]).rows)

    def put_rows(self, rows: Sequence[Row]) -> None:
        """Add readings as rows."""
        if rows:
            self._rows.extend(rows)
            self._changed.set()

    def fail(self, error: DriverError) -> None:
        """Raise `error` to whoever fetches once all readings are fetched; the first error stays."""
        self._error = self._error or error
        self._changed.set()

    def take(self, and_then: Sequence[Row] = ()) -> Sequence[Reading]:
        """Return all readings there are, perhaps none, and some that need not wake up who fetches."""
        rows, self._rows = self._rows, []
        rows.extend(and_then)
        return ReadingRows(rows)

    async def fetch(self) -> Sequence[Reading]:
        """Wait for readings and return all there are."""
        while not self._rows:
            if self._error is not None:
                raise self._error
            self._changed.clear()
            await self._changed.wait()
        return self.take()
