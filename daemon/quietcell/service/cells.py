"""All cells at work: each in a task of its own, begun anew when it breaks; the others do not notice."""

import asyncio
from collections.abc import Awaitable, Callable, Collection, Coroutine, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

import structlog

from quietcell.contracts import Clock, DriverSettings, DriverTable, MeterDriver
from quietcell.core.settings import CellSettings
from quietcell.core.times import rfc3339
from quietcell.errors import CommandError, ContractError, LedgerError, printable
from quietcell.ledger.ledger import Ledger
from quietcell.outlets.follower import Backoff
from quietcell.service.cell import CellTask
from quietcell.service.drivers import make_driver
from quietcell.service.records import LONGEST_FAULT, CellFaultBody, DaemonIds
from quietcell.service.recovery import next_segment
from quietcell.service.resume import resume

RESTART_FIRST_S, RESTART_LONGEST_S = 1.0, 60.0
"""Pauses before a broken cell begins anew: doubled each time, capped, jittered by a fifth."""
WORKED_S = 600.0
"""After so long at work pauses begin anew."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Meter:
    """Which driver a cell has, and its settings."""

    driver: str
    settings: DriverSettings


Planned = tuple[CellSettings, Meter]
"""What a cell judges by, and what it measures with."""
FEW, APART_S = 4, 0.061
"""More cells than a few begin so long after each other, several times what a determination takes from the
decisive reading to the broker: their looks, every second, and their determinations, at equal intervals from
the beginning on, should not all fall into one instant for ever."""


@dataclass(slots=True, kw_only=True)
class _Kept:
    """A cell that is kept running."""

    meter: Meter
    task: CellTask
    stop: asyncio.Event = field(default_factory=asyncio.Event)
    at_work: bool = True
    """False while it waits to begin anew."""
    keeping: asyncio.Task[None] | None = None


class Cells(Mapping[str, CellTask]):
    """The cells by name, those that have begun; changes show at once.

    Parameters
    ----------
    drivers : DriverTable
        Drivers by name.
    clock : Clock
        Time.
    scale : float
        Seconds of `clock` for each second of the machine.
    ledger : Ledger
        Takes readings and bodies.
    ids : DaemonIds
        For records about ports.
    planned : callable
        Returns what a cell judges by and measures with now; None for one that is to be no more.
    """

    def __init__(
        self,
        *,
        drivers: DriverTable,
        clock: Clock,
        scale: float,
        ledger: Ledger,
        ids: DaemonIds,
        planned: Callable[[str], Awaitable[Planned | None]],
    ) -> None:
        self._drivers = drivers
        self._clock = clock
        self._scale = scale
        self._ledger = ledger
        self._ids = ids
        self._planned = planned
        self._kept: dict[str, _Kept] = {}
        self._group: asyncio.TaskGroup | None = None
        self._stopping = False

    def __getitem__(self, name: str) -> CellTask:
        """Return a cell."""
        return self._kept[name].task

    def __iter__(self) -> Iterator[str]:
        """Iterate over names."""
        return iter(self._kept)

    def __len__(self) -> int:
        """Return the number of cells."""
        return len(self._kept)

    def meter_of(self, name: str) -> Meter:
        """Return what a cell measures with."""
        return self._kept[name].meter

    def steps(self) -> dict[str, int | None]:
        """Return for each cell how many steps it has done; None while it waits to begin anew."""
        return {name: kept.task.steps if kept.at_work else None for name, kept in self._kept.items()}

    async def run(
        self,
        cells: Collection[str],
        stop: asyncio.Event,
        *,
        begun: Callable[[], None],
    ) -> None:
        """Keep cells running until `stop` is set; then end them in order.

        Raises
        ------
        LedgerError
            If the ledger takes no more; all cells end.
        """
        try:
            async with asyncio.TaskGroup() as self._group:
                for name in cells:
                    await self.add(name)
                    if len(cells) > FEW:
                        await asyncio.sleep(APART_S)
                begun()
                await stop.wait()
                self._stopping = True
                for kept in self._kept.values():
                    kept.stop.set()
        except BaseExceptionGroup as group:
            raise group.exceptions[0] from group

    async def add(self, name: str) -> None:
        """Begin with another cell.

        Raises
        ------
        ContractError
            If cells are not being kept running.
        CommandError
            If they are being ended.
        """
        if self._group is None:
            raise ContractError("cells are added while they run", subject=name)
        kept = await self._begun(name)
        if kept is None:
            return
        if self._stopping:  # nobody would end this one
            raise CommandError("the daemon is stopping", subject=name)
        self._kept[name] = kept
        kept.keeping = self._group.create_task(self._keep(kept), name=name)

    async def remove(self, name: str) -> None:
        """End a cell in order."""
        kept = self._kept.pop(name)
        kept.stop.set()
        if kept.keeping is not None:
            await asyncio.wait({kept.keeping})

    async def change(self, name: str, settings: CellSettings, meter: Meter) -> None:
        """Let a cell go on by other settings; its port is opened again only for another meter.

        One that broke, now or just before, begins anew by what is then planned.
        """
        kept = self._kept[name]
        driver = None if meter == kept.meter else (meter.driver, self._driver(meter))
        kept.meter = meter
        try:
            await kept.task.reconfigure(settings, meter=driver)
        except LedgerError:
            raise
        except Exception:  # noqa: BLE001 # whatever broke it, it begins anew
            return

    def _driver(self, meter: Meter) -> MeterDriver:
        return make_driver(self._drivers, meter.driver, meter.settings, self._clock)

    async def _begun(self, name: str) -> _Kept | None:
        """Return a cell ready to run behind its last segment; None where it is to be no more."""
        engine = await resume(self._ledger, self._ids, name, utc_ms=self._clock.utc_ms())
        segment = await self._ledger.run(lambda: next_segment(self._ledger, name))
        # Last, and nothing is waited for behind it: what is planned may have changed meanwhile.
        planned = await self._planned(name)
        if planned is None:
            return None
        settings, meter = planned
        task = CellTask(
            settings,
            self._driver(meter),
            driver_name=meter.driver,
            clock=self._clock,
            scale=self._scale,
            ledger=self._ledger,
            ids=self._ids,
            segment=segment,
            engine=engine,
        )
        return _Kept(meter=meter, task=task)

    async def _keep(self, kept: _Kept) -> None:
        """Run a cell until it is stopped; begin anew when it breaks."""
        backoff = Backoff(RESTART_FIRST_S, RESTART_LONGEST_S)
        loop = asyncio.get_running_loop()
        while True:
            began_s = loop.time()
            try:
                await kept.task.run(kept.stop)
            except LedgerError:
                raise
            except Exception as error:  # noqa: BLE001 # a mistake in one cell must not end the others
                kept.at_work = False
                await self._pick_up(kept.task.name, error)
            else:
                return
            if loop.time() - began_s > WORKED_S:
                backoff.worked()
            await _first(backoff.pause(), kept.stop.wait())
            if kept.stop.is_set():
                return
            begun = await self._begun(kept.task.name)
            if begun is None:  # whoever plans so is about to stop it
                await kept.stop.wait()
                return
            kept.task, kept.meter, kept.at_work = begun.task, begun.meter, True

    async def _pick_up(self, cell: str, error: Exception) -> None:
        """Record that a cell broke, and finish what it left open from what it stored."""
        text = printable(f"{type(error).__name__}: {error}")[:LONGEST_FAULT]
        structlog.get_logger().error("cell broke, beginning it anew", cell=cell, text=text, exc_info=error)
        fault = CellFaultBody(
            id=self._ids.next(),
            cell=cell,
            at=rfc3339(self._clock.utc_ms()),
            text=text,
        )
        await self._ledger.record([fault])
        await resume(self._ledger, self._ids, cell, utc_ms=self._clock.utc_ms())


async def _first(*work: Coroutine[Any, Any, object]) -> None:
    """Wait until one of several things is done, and leave the others."""
    tasks = [asyncio.ensure_future(each) for each in work]
    try:
        await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
    finally:
        for task in tasks:
            task.cancel()
