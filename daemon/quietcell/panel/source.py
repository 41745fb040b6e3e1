"""What the page knows: the daemon's live state by its socket, the ledger's files read-only."""

import asyncio
import re
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path
from typing import TypeVar

from quietcell.core.records import Json
from quietcell.errors import QuietcellError
from quietcell.ledger.journal import Journal
from quietcell.panel.trend import Trends
from quietcell.service.control import PAGE_NAME, ask

T = TypeVar("T")
MOST_MARKS = 3000
BLOCKS_A_STEP = 10
"""Some tenths of a second of work."""


class Source:
    """Reads one ledger and talks to the daemon that writes it.

    Parameters
    ----------
    folder : Path
        Of the ledger.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._journal: Journal | None = None
        self._records = ThreadPoolExecutor(1, thread_name_prefix="records")
        self._readings = ThreadPoolExecutor(1, thread_name_prefix="readings")
        self._trends = Trends(folder)

    async def ask(self, command: str, request: Mapping[str, Json] | None = None) -> dict[str, Json]:
        """Let the daemon do something."""
        wanted = {**(request or {}), "command": command}
        return await ask(self._folder, wanted, name=PAGE_NAME)

    async def _from_journal(self, work: Callable[[Journal], T]) -> T:
        def run() -> T:
            if self._journal is None:
                self._journal = Journal(self._folder)
            return work(self._journal)

        return await asyncio.get_running_loop().run_in_executor(self._records, run)

    async def records(self, *, cell: str | None, kind: str | None, before: int, limit: int) -> list[Json]:
        """Return stored records, the newest first."""
        return await self._from_journal(
            lambda journal: [
                record.envelope()
                for record in journal.newest(cell=cell, kind=kind, before=before, limit=limit)
            ]
        )

    async def record(self, name: str) -> Json | None:
        """Return one stored record, by its number or by its body's id."""
        if re.fullmatch(r"[0-9]{1,15}", name):
            found = await self._from_journal(lambda journal: journal.get(int(name)))
        else:
            found = await self._from_journal(lambda journal: journal.with_id(name))
        return None if found is None else found.envelope()

    async def trend(
        self, cell: str, from_ms: int, to_ms: int, *, with_attended: bool = False
    ) -> dict[str, Json]:
        """Return the traces of a span and what happened on it."""

        def drawn() -> dict[str, Json]:
            traces = self._trends.traces(cell, from_ms, to_ms, with_attended=with_attended)
            return {"traces": traces, "attended": self._trends.attended(cell, from_ms, to_ms)}

        found = await asyncio.get_running_loop().run_in_executor(self._readings, drawn)
        marks = await self._from_journal(lambda journal: journal.marks(cell, from_ms, to_ms, most=MOST_MARKS))
        return {**found, "marks": marks}

    async def warm(self) -> None:
        """Boil readings down in small steps, so that requests find their turn in between."""
        with suppress(QuietcellError):  # no ledger yet: the first look does it
            loop = asyncio.get_running_loop()
            more = True
            while more:
                more = await loop.run_in_executor(self._readings, lambda: self._trends.boil(BLOCKS_A_STEP))
                await asyncio.sleep(0.05)

    def close(self) -> None:
        """Release threads and files."""
        self._records.shutdown(wait=False, cancel_futures=True)
        self._readings.shutdown(wait=False, cancel_futures=True)
