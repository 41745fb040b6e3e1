"""The daemon: ledger first, then cells and outlets, one task each; an orderly stop."""

import asyncio
from collections.abc import Callable
from contextlib import ExitStack, suppress
from dataclasses import asdict, dataclass, field

import structlog

from quietcell.config import Config, effective_settings
from quietcell.contracts import Clock, DriverTable, MeterDriver
from quietcell.core.engine import Indication
from quietcell.core.records import ABSENT
from quietcell.core.times import rfc3339
from quietcell.errors import ConfigError
from quietcell.ledger.cursors import Cursors
from quietcell.ledger.ledger import Ledger, Stamp
from quietcell.outlets.files import JSON_LINES, DailyFiles
from quietcell.outlets.mqtt import MqttOutlet
from quietcell.service.assembly import broker, engine_settings
from quietcell.service.cell import CellTask
from quietcell.service.clock import time_quality
from quietcell.service.records import DaemonIds, RunBody
from quietcell.service.recovery import next_segment, unfinished_bodies

LIVE_S = 1.0
"""Time between live values on MQTT."""
FAREWELL_S = 5.0
"""At a stop the outlets have this long to deliver what is left."""


@dataclass(slots=True, kw_only=True)
class Daemon:
    """A configured daemon, run once.

    Parameters
    ----------
    config : Config
        Checked configuration.
    drivers : DriverTable
        Drivers by name.
    clock : Clock
        Time; given here and nowhere else.
    scale : float
        Seconds of `clock` for each second of the machine; recorded when not 1.
    """

    config: Config
    drivers: DriverTable
    clock: Clock
    scale: float = 1.0
    cells: list[CellTask] = field(default_factory=list)
    _log: structlog.stdlib.BoundLogger = field(default_factory=structlog.get_logger)

    def indications(self) -> list[Indication]:
        """Return the live state of every cell."""
        return [cell.indication() for cell in self.cells]

    async def run(self, stop: asyncio.Event, *, ready: Callable[[], None] = lambda: None) -> None:
        """Run until `stop` is set.

        Raises
        ------
        ConfigError
            If a cell lacks what it needs.
        LedgerError
            If the ledger cannot be opened or written.
        """
        settings = {name: engine_settings(self.config, name) for name in self._measured()}
        store = self.config.store
        ledger = Ledger(
            store.folder,
            stamp=lambda: Stamp(self.clock.utc_ms(), time_quality()),
            readings_commit_s=store.readings_commit_s,
        )
        try:
            for name in ledger.journal.cells():
                await ledger.record(unfinished_bodies(ledger.journal, ledger.readings, name))
            ids = DaemonIds(await ledger.run(lambda: ledger.journal.count("run")) + 1)
            await ledger.record([self._run_body(ids, "began")])
            for name, cell in settings.items():
                driver_name, driver = self._driver(name)
                self.cells.append(
                    CellTask(
                        cell,
                        driver,
                        driver_name=driver_name,
                        clock=self.clock,
                        scale=self.scale,
                        ledger=ledger,
                        ids=ids,
                        segment=next_segment(ledger.journal, name),
                    )
                )
            await self._work(ledger, ids, stop, ready)
        finally:
            await ledger.close()

    def _measured(self) -> list[str]:
        """Return the cells that have a meter."""
        names = [name for name, cell in self.config.cells.items() if cell.driver is not None]
        if not names:
            raise ConfigError(["cells: no cell has a driver; there is nothing to measure"])
        return names

    def _driver(self, cell: str) -> tuple[str, MeterDriver]:
        """Return the name of a cell's driver and the driver, not yet open."""
        configured = self.config.cells[cell]
        if configured.driver is None or configured.settings is None:
            raise ConfigError([f"cells.{cell}.settings: missing; the driver needs its settings"])
        return configured.driver, self.drivers[configured.driver](configured.settings, self.clock)

    def _run_body(self, ids: DaemonIds, state: str) -> RunBody:
        began = state == "began"
        return RunBody(
            id=ids.next(),
            cell="daemon",
            at=rfc3339(self.clock.utc_ms()),
            run=ids.run,
            state="began" if began else "ended",
            time_scale=self.scale if began else ABSENT,
            settings=effective_settings(self.config) if began else ABSENT,
        )

    async def _work(
        self, ledger: Ledger, ids: DaemonIds, stop: asyncio.Event, ready: Callable[[], None]
    ) -> None:
        with ExitStack() as stack:
            cursors = Cursors(ledger.folder)
            stack.callback(cursors.close)
            outlets: list[asyncio.Task[None]] = []
            positions: list[Callable[[], int]] = []
            if self.config.outlets.files is not None:
                files = DailyFiles(self.config.outlets.files.folder, JSON_LINES, cursors)
                outlets.append(asyncio.create_task(_follow(ledger, files), name="files"))
                positions.append(lambda: files.seq)
            if self.config.outlets.mqtt is not None:
                site = self.config.site.name
                mqtt = MqttOutlet(site, broker(self.config.outlets.mqtt, site), ledger, cursors)
                outlets.append(asyncio.create_task(mqtt.run(), name="mqtt"))
                outlets.append(asyncio.create_task(self._tell_live(mqtt), name="live values"))
                positions.append(lambda: mqtt.seq if mqtt.connected else ledger.seq)
            try:
                async with asyncio.TaskGroup() as group:
                    for cell in self.cells:
                        group.create_task(cell.run(stop), name=cell.name)
                    group.create_task(_guard(outlets, stop), name="outlets")
                    ready()
                await ledger.record([self._run_body(ids, "ended")])
                await self._farewell(ledger, positions)
            finally:
                for task in outlets:
                    task.cancel()
                await asyncio.gather(*outlets, return_exceptions=True)

    async def _farewell(self, ledger: Ledger, positions: list[Callable[[], int]]) -> None:
        """Give the outlets a moment to deliver what is left."""
        with suppress(TimeoutError):
            async with asyncio.timeout(FAREWELL_S):
                while any(position() < ledger.seq for position in positions):  # noqa: ASYNC110 # outlets know no stop
                    await asyncio.sleep(0.02)

    async def _tell_live(self, mqtt: MqttOutlet) -> None:
        while True:
            await asyncio.sleep(LIVE_S)
            for indication in self.indications():
                live = asdict(indication)
                state = {key: live.pop(key) for key in ("phase", "waits_for")}
                name = indication.cell
                await mqtt.publish_live([(f"{name}/indication", live), (f"{name}/state", state)])


async def _follow(ledger: Ledger, files: DailyFiles) -> None:
    """Write records to daily files as they come; file work stays off the event loop."""
    while True:
        records = await ledger.after(files.seq)
        await asyncio.to_thread(files.write, records)


async def _guard(outlets: list[asyncio.Task[None]], stop: asyncio.Event) -> None:
    """End with the run; an outlet that breaks ends the run with its error."""
    stopping = asyncio.create_task(stop.wait())
    try:
        done, _ = await asyncio.wait({stopping, *outlets}, return_when=asyncio.FIRST_COMPLETED)
        for task in done - {stopping}:
            stop.set()
            await task
    finally:
        stopping.cancel()
