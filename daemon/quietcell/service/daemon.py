"""The daemon: ledger first, then cells and outlets, one task each; an orderly stop."""

import asyncio
from collections.abc import Callable
from contextlib import closing, suppress
from dataclasses import asdict, dataclass, field, fields
from functools import partial

from quietcell.config import Config, effective_settings
from quietcell.contracts import Clock, DriverTable, MeterDriver
from quietcell.core.engine import Engine
from quietcell.core.indication import Indication
from quietcell.core.records import ABSENT, Json
from quietcell.core.times import rfc3339
from quietcell.errors import ConfigError
from quietcell.ledger.cursors import Cursors
from quietcell.ledger.ledger import Ledger, Stamp
from quietcell.outlets.follower import Outlet, supervise
from quietcell.outlets.mqtt import MqttOutlet
from quietcell.service.assembly import engine_settings
from quietcell.service.cell import CellTask
from quietcell.service.checkpoint import checkpoint
from quietcell.service.clock import time_quality
from quietcell.service.commands import Command, Commands
from quietcell.service.control import ControlSocket
from quietcell.service.outlets import file_outlets, mqtt_outlet
from quietcell.service.records import DaemonIds, RunBody
from quietcell.service.recovery import next_segment, recover
from quietcell.service.requests import Requests

LIVE_S = 1.0
"""Time between live values on MQTT."""
_STATE = ("phase", "waits_for")
_LIVE = tuple(f.name for f in fields(Indication) if f.name not in _STATE)
FAREWELL_S = 2.0
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
    outlets: list[Outlet] = field(default_factory=list)

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
            ids = DaemonIds(await ledger.run(lambda: ledger.journal.count("run")) + 1)
            await ledger.record([self._run_body(ids, "began")])
            engines = await self._recover(ledger, ids)
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
                        engine=engines.get(name),
                    )
                )
            await self._work(ledger, ids, stop, ready)
        finally:
            await ledger.close()

    async def _recover(self, ledger: Ledger, ids: DaemonIds) -> dict[str, Engine]:
        """Finish what the last run left open; return each cell's engine with what it knew."""
        engines = {}
        for name in ledger.journal.cells():
            found = await ledger.run(partial(recover, ledger.journal, ledger.readings, name))
            if found is None:
                continue
            engines[name] = found.engine
            if found.missing:
                known = checkpoint(found.engine, id=ids.next(), at=rfc3339(self.clock.utc_ms()))
                await ledger.record([*found.missing, known])
        return engines

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
        with closing(Cursors(ledger.folder)) as cursors:
            mqtt = mqtt_outlet(self.config, ledger, cursors)
            self.outlets = [*file_outlets(self.config, ledger, cursors), *([mqtt] if mqtt else [])]
            delivering = [asyncio.create_task(supervise(o.run, o.name), name=o.name) for o in self.outlets]
            if mqtt is not None:
                delivering.append(
                    asyncio.create_task(supervise(lambda: self._tell_live(mqtt), "live values"))
                )
            try:
                async with ControlSocket(ledger.folder, self._commands(ledger, ids)):
                    await self._measure(stop, ready)
                    await ledger.record([self._run_body(ids, "ended")])
                    await self._farewell(ledger)
            finally:
                for task in delivering:
                    task.cancel()
                await asyncio.gather(*delivering, return_exceptions=True)

    async def _measure(self, stop: asyncio.Event, ready: Callable[[], None]) -> None:
        """Run all cells until the stop, or until the ledger takes no more."""
        try:
            async with asyncio.TaskGroup() as group:
                for cell in self.cells:
                    group.create_task(cell.run(stop), name=cell.name)
                ready()
        except BaseExceptionGroup as group_error:
            raise group_error.exceptions[0] from group_error

    async def _farewell(self, ledger: Ledger) -> None:
        """Give the outlets that can deliver a moment for what is left."""
        with suppress(TimeoutError):
            async with asyncio.timeout(FAREWELL_S):
                while any(o.seq < ledger.seq for o in self.outlets if o.working):  # noqa: ASYNC110 # outlets know no stop
                    await asyncio.sleep(0.02)

    async def _tell_live(self, mqtt: MqttOutlet) -> None:
        """Publish live values; a state only when it changes."""
        told: dict[str, dict[str, Json]] = {}
        while True:
            await asyncio.sleep(LIVE_S)
            messages: list[tuple[str, dict[str, Json]]] = []
            for indication in self.indications():
                live = {name: getattr(indication, name) for name in _LIVE}
                state = {name: getattr(indication, name) for name in _STATE}
                messages.append((f"{indication.cell}/indication", live))
                if told.get(indication.cell) != state:
                    told[indication.cell] = state
                    messages.append((f"{indication.cell}/state", state))
            await mqtt.publish_live(messages)

    def _commands(self, ledger: Ledger, ids: DaemonIds) -> Commands:
        """Gather the commands of every area; each carrier offers all of them."""
        cells = {cell.name: cell for cell in self.cells}
        return {
            "status": self._status_of(ledger, ids),
            **Requests(cells, ledger, ids, self.clock).commands(),
        }

    def _status_of(self, ledger: Ledger, ids: DaemonIds) -> Command:
        async def status(_request: dict[str, Json]) -> dict[str, Json]:
            outlets = [{"name": o.name, "behind": ledger.seq - o.seq, "state": o.state} for o in self.outlets]
            return {
                "site": self.config.site.name,
                "run": ids.run,
                "ledger": ledger.id,
                "seq": ledger.seq,
                "outlets": outlets,
                "cells": [asdict(indication) for indication in self.indications()],
            }

        return status
