"""A meter, a clock a test moves and a ledger around one cell."""

import asyncio
from collections.abc import Awaitable, Callable, Mapping, Sequence
from pathlib import Path

from quietcell.core.engine import Engine
from quietcell.core.readings import Reading
from quietcell.core.records import Json
from quietcell.core.settings import CellSettings
from quietcell.core.times import rfc3339
from quietcell.ledger.ledger import Ledger, Stamp
from quietcell.service.cell import CellTask
from quietcell.service.checkpoint import checkpoint
from quietcell.service.records import DaemonIds
from quietcell.service.recovery import Recovered, next_segment, recover
from quietcell.service.stored_input import StoredInput
from tests.support.clocks import SteppedClock
from tests.support.scripted_driver import Loss, ScriptedDriver
from tests.support.streams import cell_settings, readings

BOOT_MS = 1_000_000


def meter_readings(seconds: int, *, start_s: int = 0, seed: int = 1) -> list[Reading]:
    block = readings(seconds, seed=seed, start_ms=start_s * 1000)
    return [
        Reading(boot_ms=BOOT_MS + int(ms), mv=float(mv), temperature_c=float(t))
        for ms, mv, t in zip(block.ms, block.mv, block.temperature_c, strict=True)
    ]


class Bench:
    """A ledger, a clock and a cell."""

    def __init__(self, folder: Path, driver: type[ScriptedDriver] = ScriptedDriver) -> None:
        self.driver = driver
        self.clock = SteppedClock(boot_ms=BOOT_MS)
        self.ledger = Ledger(folder, stamp=lambda: Stamp(self.clock.utc_ms(), "synchronised"))

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
        segment = next_segment(self.ledger.journal, "live-feed-room")
        task = CellTask(
            settings or cell_settings(),
            self.driver(script, self.clock),
            driver_name="scripted",
            clock=self.clock,
            scale=1.0,
            ledger=self.ledger,
            ids=DaemonIds(segment),
            segment=segment,
            engine=engine,
        )
        stop = asyncio.Event()
        running = asyncio.create_task(task.run(stop))
        for step in range(round(seconds * 20)):
            if step in due:
                happening = asyncio.ensure_future(due[step](task))
                await self._step()
                await happening
            else:
                await self._step()
        stop.set()
        async with asyncio.timeout(20):
            await running

    async def _step(self) -> None:
        """Let 50 ms pass, in which everything that begins also ends, commits included."""
        await self.clock.step(50)
        async with asyncio.timeout(20):
            await self.ledger.flush()
        await self.clock.step(0)

    def bodies(self) -> list[dict[str, Json]]:
        return [record.body() for record in self.ledger.journal.all()]

    def engine_bodies(self) -> list[dict[str, Json]]:
        """Those that are a function of the engine's input."""
        return [body for body in self.bodies() if not body["id"].startswith("daemon.")]

    def kinds(self) -> list[str]:
        return [body["record"] for body in self.bodies()]


def assert_recomputable(bench: Bench) -> None:
    """Everything the journal holds of the cell comes out again from the stored input, byte for byte."""
    engine = Engine(cell_settings())
    steps = StoredInput(bench.ledger.journal, bench.ledger.readings, "live-feed-room")
    items = [step.item for step in steps if step.item is not None]
    assert [body.as_json() for item in items for body in engine.take(item)] == bench.engine_bodies()


async def recovered(bench: Bench) -> Recovered:
    """Finish the last run as the daemon does at its start, in a run of its own."""
    found = recover(bench.ledger.journal, bench.ledger.readings, "live-feed-room")
    assert found is not None
    ids = DaemonIds(98)
    if found.missing:
        await bench.ledger.record([*found.missing, checkpoint(found.engine, id=ids.next(), at=rfc3339(0))])
    return found
