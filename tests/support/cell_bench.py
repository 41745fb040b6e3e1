"""A meter, a clock a test moves and a ledger around one cell, and people who talk to it."""

import asyncio
from collections.abc import Awaitable, Callable, Mapping, Sequence
from pathlib import Path
from typing import Self

from quietcell.core.engine import Engine
from quietcell.core.readings import Reading, ReadingBlock, ReadingRows, row_of
from quietcell.core.records import Json
from quietcell.core.settings import CellSettings
from quietcell.core.times import rfc3339
from quietcell.ledger.ledger import Ledger, Stamp
from quietcell.service.cell import CellTask
from quietcell.service.checkpoint import checkpoint
from quietcell.service.records import DaemonIds
from quietcell.service.recovery import Recovered, next_segment, recover
from quietcell.service.requests import Requests
from quietcell.service.stored_input import StoredInput
from tests.support.clocks import SteppedClock
from tests.support.scripted_driver import Loss, ScriptedDriver
from tests.support.streams import cell_settings, readings

BOOT_MS = 1_000_000
CELL = "live-feed-room"


def said(block: ReadingBlock) -> list[Reading]:
    """Return the readings of a block as a meter says them."""
    times = (BOOT_MS + block.ms).tolist()
    return list(ReadingRows([row_of(block[at : at + 1], ms) for at, ms in enumerate(times)]))


def meter_readings(seconds: int, *, start_s: int = 0, seed: int = 1) -> list[Reading]:
    return said(readings(seconds, seed=seed, start_ms=start_s * 1000))


class CellSide:
    """A ledger, a clock and what belongs to a cell beside them."""

    def __init__(self, folder: Path, driver: type[ScriptedDriver] = ScriptedDriver) -> None:
        self.driver = driver
        self.clock = SteppedClock(boot_ms=BOOT_MS)
        self.ledger = Ledger(folder, stamp=lambda: Stamp(self.clock.utc_ms(), "synchronised"))

    def task(
        self,
        script: Sequence[Reading | Loss | Exception],
        settings: CellSettings,
        ids: DaemonIds,
        engine: Engine | None = None,
    ) -> CellTask:
        """Return the cell at a meter that says its script."""
        return CellTask(
            settings,
            self.driver(script, self.clock),
            driver_name="scripted",
            clock=self.clock,
            scale=1.0,
            ledger=self.ledger,
            ids=ids,
            segment=next_segment(self.ledger, CELL),
            engine=engine,
        )

    async def step(self) -> None:
        """Let 50 ms pass, in which everything that begins also ends, commits included."""
        await self.clock.step(50)
        async with asyncio.timeout(20):
            await self.ledger.flush()
        await self.clock.step(0)

    def bodies(self, kind: str = "") -> list[dict[str, Json]]:
        """Return the bodies so far, of one kind if named."""
        bodies = [record.body() for record in self.ledger.journal.all()]
        return [body for body in bodies if kind in ("", body["record"])]


class Bench(CellSide):
    """A cell that is run from time to time."""

    async def run(
        self,
        script: Sequence[Reading | Loss | Exception],
        seconds: float,
        *,
        settings: CellSettings | None = None,
        events: Mapping[float, Callable[[CellTask], Awaitable[None]]] | None = None,
        engine: Engine | None = None,
    ) -> None:
        """Run a cell for `seconds` of held time; `events` happen at their second."""
        due = {round(at_s * 20): event for at_s, event in (events or {}).items()}
        ids = DaemonIds(next_segment(self.ledger, CELL))
        task = self.task(script, settings or cell_settings(), ids, engine)
        stop = asyncio.Event()
        running = asyncio.create_task(task.run(stop))
        for step in range(round(seconds * 20)):
            if step in due:
                happening = asyncio.ensure_future(due[step](task))
                await self.step()
                await happening
            else:
                await self.step()
        stop.set()
        async with asyncio.timeout(20):
            await running

    def engine_bodies(self) -> list[dict[str, Json]]:
        """Those that are a function of the engine's input."""
        return [body for body in self.bodies() if not body["id"].startswith("daemon.")]

    def kinds(self) -> list[str]:
        return [body["record"] for body in self.bodies()]


class Measuring(CellSide):
    """One cell with a steady meter, its ledger, and the commands about it."""

    def __init__(
        self, folder: Path, *, seconds: int = 200, block: ReadingBlock | None = None, **settings: Json
    ) -> None:
        super().__init__(folder)
        ids = DaemonIds(self.ledger.journal.last_run() + 1)
        script = said(readings(seconds) if block is None else block)
        self.cell = self.task(script, cell_settings(**settings), ids)
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
        """Let time pass."""
        for _ in range(round(seconds * 20)):
            await self.step()

    async def ask(self, **request: Json) -> dict[str, Json]:
        """Ask for a determination as a client of the socket does."""
        return await self.requests.request({"command": "request", "via": "socket", "cell": CELL, **request})


def assert_recomputable(bench: Bench) -> None:
    """Everything the journal holds of the cell comes out again from the stored input, byte for byte."""
    engine = Engine(cell_settings())
    steps = StoredInput(bench.ledger.journal, bench.ledger.readings, CELL)
    items = [step.item for step in steps if step.item is not None]
    assert [body.as_json() for item in items for body in engine.take(item)] == bench.engine_bodies()


async def recovered(bench: Bench) -> Recovered:
    """Finish the last run as the daemon does at its start, in a run of its own."""
    found = recover(bench.ledger.journal, bench.ledger.readings, CELL)
    assert found is not None
    ids = DaemonIds(98)
    if found.missing:
        await bench.ledger.record([*found.missing, checkpoint(found.engine, id=ids.next(), at=rfc3339(0))])
    return found
