"""A cell at work that people talk to, on a clock the test moves."""

import asyncio
from pathlib import Path
from typing import Self

import numpy as np

from quietcell.core.readings import Reading, ReadingBlock
from quietcell.core.records import Json
from quietcell.ledger.ledger import Ledger, Stamp
from quietcell.service.cell import CellTask
from quietcell.service.records import DaemonIds
from quietcell.service.recovery import next_segment
from quietcell.service.requests import Requests
from tests.support.clocks import SteppedClock
from tests.support.scripted_driver import ScriptedDriver
from tests.support.streams import cell_settings, readings

BOOT_MS = 1_000_000
CELL = "live-feed-room"


class Measuring:
    """One cell with a steady meter, its ledger, and the commands about it."""

    def __init__(
        self, folder: Path, *, seconds: int = 200, block: ReadingBlock | None = None, **settings: Json
    ) -> None:
        self.clock = SteppedClock(boot_ms=BOOT_MS)
        self.ledger = Ledger(folder, stamp=lambda: Stamp(self.clock.utc_ms(), "synchronised"))
        ids = DaemonIds(self.ledger.journal.last_run() + 1)
        block = readings(seconds) if block is None else block
        columns = (block.ms, block.mv, block.temperature_c, block.flow_ml_min)
        script = [
            Reading(
                boot_ms=BOOT_MS + int(ms),
                mv=float(mv),
                temperature_c=float(t),
                flow_ml_min=None if np.isnan(flow) else float(flow),
            )
            for ms, mv, t, flow in zip(*columns, strict=True)
        ]
        self.cell = CellTask(
            cell_settings(**settings),
            ScriptedDriver(script, self.clock),
            driver_name="scripted",
            clock=self.clock,
            scale=1.0,
            ledger=self.ledger,
            ids=ids,
            segment=next_segment(self.ledger.journal, CELL),
        )
        self.requests = Requests({CELL: self.cell}, self.ledger, ids)
        self._stop = asyncio.Event()

    async def __aenter__(self) -> Self:
        self._running = asyncio.create_task(self.cell.run(self._stop))
        await self.clock.step(0)
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.stop()
        await self.ledger.close()

    async def stop(self) -> None:
        """Stop measuring; the ledger stays open."""
        self._stop.set()
        async with asyncio.timeout(20):
            await self._running

    async def run(self, seconds: float) -> None:
        """Let time pass, 50 ms at once, in which everything that begins also ends."""
        for _ in range(round(seconds * 20)):
            await self.clock.step(50)
            async with asyncio.timeout(20):
                await self.ledger.flush()
            await self.clock.step(0)

    async def ask(self, **request: Json) -> dict[str, Json]:
        """Ask for a determination as a client of the socket does."""
        return await self.requests.request({"command": "request", "via": "socket", "cell": CELL, **request})

    def bodies(self, kind: str = "") -> list[dict[str, Json]]:
        """Return the bodies so far, of one kind if named."""
        bodies = [record.body() for record in self.ledger.journal.all()]
        return [body for body in bodies if kind in ("", body["record"])]
