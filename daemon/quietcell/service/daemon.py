"""The daemon: ledger first, then cells and outlets, one task each; an orderly stop."""

import asyncio
from collections.abc import Callable, Collection, Mapping, Sequence
from contextlib import closing, suppress
from dataclasses import asdict, dataclass, field, fields
from itertools import count
from math import ceil
from typing import TYPE_CHECKING, Literal

import structlog

from quietcell.config import Config, effective_settings
from quietcell.contracts import Clock, DriverTable, LineCounts
from quietcell.core.indication import Indication
from quietcell.core.records import ABSENT, Body, Json
from quietcell.core.settings import CellSettings
from quietcell.core.times import rfc3339
from quietcell.errors import ConfigError
from quietcell.ledger.cursors import Cursors
from quietcell.ledger.ledger import Ledger, Stamp
from quietcell.ledger.storage import StorageBody, lost_records
from quietcell.outlets.folder_lock import FolderLocks
from quietcell.outlets.follower import Outlet, supervise
from quietcell.service.alarms import Alarms
from quietcell.service.attendance import Attendances
from quietcell.service.bench import bench_commands
from quietcell.service.beside import kept_beside
from quietcell.service.cell import CellTask
from quietcell.service.cells import Cells, Planned
from quietcell.service.clock import time_quality
from quietcell.service.commands import Command, Commands, once_begun
from quietcell.service.control import PAGE_NAME, ControlSocket
from quietcell.service.episode_verdicts import EpisodeVerdicts
from quietcell.service.line_watch import watch_lines
from quietcell.service.mqtt_requests import MqttRequests, ParkedAgain
from quietcell.service.notify import Notifier
from quietcell.service.outlets import outlets_of, result_folders
from quietcell.service.page import Page
from quietcell.service.parking import Parking
from quietcell.service.records import DaemonIds, RunBody
from quietcell.service.reload import CellPlan, Reloader, planned_cells
from quietcell.service.requests import Requests
from quietcell.service.resume import resume
from quietcell.service.retention import expire_hourly
from quietcell.service.watchdog import feed_watchdog

if TYPE_CHECKING:
    from quietcell.outlets.mqtt import MqttOutlet

_STATE = ("phase", "waits_for")
_LIVE = tuple(f.name for f in fields(Indication) if f.name not in (*_STATE, "hindrance"))
_PLACES = {f.name: f.metadata["decimals"] for f in fields(Indication) if f.metadata}
"""As many decimals as a determination has; no meter resolves more."""
TOLD_AGAIN_S = 60.0
"""A state that does not change is published so often: it is not retained, and QoS 0 loses some."""
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
    reread: Callable[[], Config] | None = None
    """Reads and checks the configuration again, for a reload."""
    notifier: Notifier = field(default_factory=lambda: Notifier({}))
    """Tells the service manager."""
    cells: Mapping[str, CellTask] = field(default_factory=dict)
    """Those at work, by name; changes with a reload."""
    outlets: list[Outlet] = field(default_factory=list)
    reload_asked: asyncio.Event = field(default_factory=asyncio.Event)
    """Set by a signal; the outcome is in the log."""
    _delivering: list[asyncio.Task[None]] = field(default_factory=list)
    _kept_beside: dict[str, bytes] = field(default_factory=dict)
    """Hashes of secrets and certificates in force."""
    _begun: asyncio.Event = field(default_factory=asyncio.Event)
    """Set once every cell has begun."""

    def indications(self) -> list[Indication]:
        """Return the live state of every cell."""
        return [cell.indication() for cell in self.cells.values()]

    def glances(self) -> list[Indication]:
        """Return what alarms need of it."""
        return [cell.glance() for cell in self.cells.values()]

    async def run(self, stop: asyncio.Event, *, ready: Callable[[], None] = lambda: None) -> None:
        """Run until `stop` is set.

        Raises
        ------
        ConfigError
            If a cell lacks what it needs.
        LedgerError
            If the ledger cannot be opened or written.
        """
        plan = self._sound()
        store = self.config.store
        ledger = Ledger(
            store.folder,
            stamp=lambda: Stamp(self.clock.utc_ms(), time_quality()),
            readings_commit_s=store.readings_commit_s / 2,  # cells keep them back as long before
            reserve_bytes=store.reserve_mib * 1024 * 1024,
        )
        giving_up = asyncio.create_task(self._give_up_start(stop, ledger), name="give up start")
        try:
            with FolderLocks() as folders, closing(Cursors(ledger.folder)) as cursors:
                folders.take(result_folders(self.config))
                # Only now: a start that is refused is no run.
                ids = DaemonIds(await ledger.run(ledger.journal.last_run) + 1)
                ledger.give_ids(ids.next)
                began: list[Body] = [self._run_body(ids, "began")]
                if not ledger.seq:  # also where a disk that should be there is not mounted
                    structlog.get_logger().warning("a new ledger begins here", folder=str(ledger.folder))
                if ahead := cursors.go_back_to(ledger.seq):
                    text = lost_records(ahead, ledger.seq)
                    structlog.get_logger().error("records of the ledger are lost", text=text)
                    at = rfc3339(self.clock.utc_ms())
                    began.append(StorageBody(id=ids.next(), cell="daemon", at=at, state="damaged", text=text))
                await ledger.record(began)
                for name in set(ledger.journal.cells()) - set(plan):
                    # Finished, though not measured.
                    await resume(ledger, ids, name, utc_ms=self.clock.utc_ms())
                cells = Cells(
                    drivers=self.drivers,
                    clock=self.clock,
                    scale=self.scale,
                    ledger=ledger,
                    ids=ids,
                    planned=lambda name: self._planned(name, ledger),
                )
                self.cells = cells
                await self._work(ledger, ids, cells, list(plan), folders, cursors, stop, ready)
        finally:
            giving_up.cancel()
            await ledger.close()

    async def _give_up_start(self, stop: asyncio.Event, ledger: Ledger) -> None:
        """Let a start that shall end not wait for a disk that fails."""
        await stop.wait()
        if not self._begun.is_set():
            ledger.wait_no_longer()

    def _sound(self) -> CellPlan:
        """Return what the cells judge by as far as the configuration tells.

        Raises
        ------
        ConfigError
            Names every fault of cells and of what is kept beside the configuration.
        """
        faults: list[str] = []
        plan: CellPlan = {}
        try:
            plan = planned_cells(self.config)
        except ConfigError as error:
            faults += error.faults
        try:
            self._kept_beside = kept_beside(self.config)
        except ConfigError as error:
            faults += error.faults
        if faults:
            raise ConfigError(faults)
        return plan

    @staticmethod
    async def _plan(config: Config, ledger: Ledger) -> CellPlan:
        return await ledger.run(lambda: planned_cells(config, ledger.journal))

    async def _planned(self, name: str, ledger: Ledger) -> Planned | None:
        return (await self._plan(self.config, ledger)).get(name)

    def _run_body(self, ids: DaemonIds, state: Literal["began", "reloaded", "ended"]) -> RunBody:
        return RunBody(
            id=ids.next(),
            cell="daemon",
            at=rfc3339(self.clock.utc_ms()),
            run=ids.run,
            state=state,
            time_scale=self.scale if state == "began" else ABSENT,
            settings=ABSENT if state == "ended" else effective_settings(self.config),
        )

    async def _work(
        self,
        ledger: Ledger,
        ids: DaemonIds,
        cells: Cells,
        names: Sequence[str],
        folders: FolderLocks,
        cursors: Cursors,
        stop: asyncio.Event,
        ready: Callable[[], None],
    ) -> None:
        attendances = Attendances(self.cells, ledger, ids, fixed=self._fixes_calibration)
        commands = self._commands(ledger, ids, attendances)
        page = Page(self.config, ledger.folder)
        alarms = Alarms(
            self.config,
            ledger,
            ids,
            self.clock,
            cells=self.indications,
            glances=self.glances,
            outlets=lambda: self.outlets,
            sanitised=attendances.sanitised,
        )
        requests = MqttRequests(self.config.site.name, commands)
        self._deliver(ledger, ids, cursors, commands, alarms, requests)

        async def adopt(new: Config) -> Collection[str]:
            read = kept_beside(new)  # raises before anything is changed
            outlets_of(new, ledger, cursors)  # same
            page.prepared(new)  # same
            known = self._kept_beside
            renewed = {key for key in known.keys() & read if known[key] != read[key]}
            folders.take(result_folders(new))
            changed = new.outlets != self.config.outlets or any(k.startswith("outlets.") for k in renewed)
            self.config, self._kept_beside = new, read
            await ledger.record([self._run_body(ids, "reloaded")])
            if changed:
                await _end(self._delivering)
                self._deliver(ledger, ids, cursors, commands, alarms, requests)
            await alarms.adopt(new)
            await page.adopt(new)
            return renewed

        reloader = Reloader(
            self.config,
            self.reread,
            cells,
            plan=lambda new: self._plan(new, ledger),
            adopt=adopt,
            notifier=self.notifier,
        )
        beside = [
            asyncio.create_task(supervise(requests.run, "mqtt requests"), name="mqtt requests"),
            asyncio.create_task(self._watchdog(ledger, cells), name="watchdog"),
            asyncio.create_task(watch_lines(self.clock, self._line_counts), name="line counts"),
            asyncio.create_task(
                supervise(
                    lambda: expire_hourly(
                        ledger, ids, self.clock, keep=lambda: self.config.store.keep_readings_months
                    ),
                    "retention",
                ),
                name="retention",
            ),
        ]

        def begun() -> None:
            self._begun.set()
            beside.append(asyncio.create_task(reloader.whenever(self.reload_asked), name="reload"))
            self.notifier.ready(f"measuring {', '.join(cells)}")
            ready()

        try:
            commands.update(self._held({"reload": reloader.command, **alarms.commands()}))
            async with (
                ControlSocket(ledger.folder, commands),
                ControlSocket(ledger.folder, commands, name=PAGE_NAME, via="page"),
                page,
            ):
                async with alarms:
                    await cells.run(names, stop, begun=begun)
                self.notifier.stopping()
                # A disk that fails must not hold the stop.
                await ledger.submit([self._run_body(ids, "ended")])
                await self._farewell(ledger)
        finally:
            await _end([*beside, *self._delivering])

    def _line_counts(self) -> dict[str, LineCounts]:
        return {name: cell.counts for name, cell in self.cells.items()}

    async def _watchdog(self, ledger: Ledger, cells: Cells) -> None:
        await feed_watchdog(
            self.notifier,
            self.clock,
            writer_answers=lambda: ledger.run(lambda: None),
            steps=cells.steps,
        )

    def _deliver(
        self,
        ledger: Ledger,
        ids: DaemonIds,
        cursors: Cursors,
        commands: dict[str, Command],
        alarms: Alarms,
        requests: MqttRequests,
    ) -> None:
        """Begin to deliver to the outlets of the configuration."""
        files, mqtt = outlets_of(self.config, ledger, cursors)
        self.outlets = [*files, *([mqtt] if mqtt else [])]
        work = {o.name: o.run for o in self.outlets}
        commands["resend"] = ParkedAgain(mqtt).command
        requests.outlet, settings = mqtt, self.config.outlets.mqtt
        if mqtt is not None and settings is not None:
            parking = Parking(mqtt.name, ledger, ids, self.clock)
            mqtt.on_parked, mqtt.on_delivered = parking.parked, parking.delivered
            work["live values"] = lambda: self._tell_live(mqtt, alarms, settings.live_every_s)
            if settings.requests:
                mqtt.hear = requests.hear
        self._delivering = [
            asyncio.create_task(supervise(run, name), name=name) for name, run in work.items()
        ]

    async def _farewell(self, ledger: Ledger) -> None:
        """Give the outlets that can deliver a moment for what is left."""
        with suppress(TimeoutError):
            async with asyncio.timeout(FAREWELL_S):
                while any(o.seq < ledger.seq for o in self.outlets if o.working):  # noqa: ASYNC110 # outlets know no stop
                    await asyncio.sleep(0.02)

    async def _tell_live(self, mqtt: "MqttOutlet", alarms: Alarms, every_s: float) -> None:
        """Publish live values; states when they change, and now and then for who came since."""
        told: dict[str, dict[str, Json]] = {}
        for times in count():
            await asyncio.sleep(every_s)
            if not mqtt.connected:
                told.clear()
                continue
            if times % ceil(TOLD_AGAIN_S / every_s) == 0:
                told.clear()
            messages: list[tuple[str, dict[str, Json]]] = []
            slow: dict[str, dict[str, Json]] = {}
            for indication in self.indications():
                live = {name: getattr(indication, name) for name in _LIVE}
                rounded = {
                    name: round(live[name], _PLACES[name]) for name in _PLACES if live[name] is not None
                }
                messages.append((f"{indication.cell}/indication", live | rounded))
                slow[f"{indication.cell}/state"] = {name: getattr(indication, name) for name in _STATE}
            for owner, condition in alarms.conditions().items():
                slow[f"{owner}/condition"] = {"condition": condition}
            messages += [(topic, value) for topic, value in slow.items() if told.get(topic) != value]
            told = slow
            await mqtt.publish_live(messages)

    def _fixes_calibration(self, cell: str) -> bool:
        configured = self.config.cells.get(cell)
        return configured is not None and configured.calibration is not None

    def _commands(self, ledger: Ledger, ids: DaemonIds, attendances: Attendances) -> dict[str, Command]:
        """Gather the commands of every area; each carrier offers all of them."""

        async def settled() -> dict[str, CellSettings]:
            plan = await self._plan(self.config, ledger)
            return {name: settings for name, (settings, _) in plan.items()}

        of_cells = {
            **Requests(self.cells, ledger, ids).commands(),
            **EpisodeVerdicts(self.cells, ledger, ids).commands(),
            **bench_commands(
                attendances, ledger, ids, self.clock, config=lambda: self.config, settled=settled
            ),
        }
        return {"status": self._status_of(ledger, ids), **self._held(of_cells)}

    def _held(self, commands: Commands) -> dict[str, Command]:
        """Let commands wait for the cells they are about."""
        return {name: once_begun(command, self._begun) for name, command in commands.items()}

    def _status_of(self, ledger: Ledger, ids: DaemonIds) -> Command:
        async def status(_request: dict[str, Json]) -> dict[str, Json]:
            outlets = [{"name": o.name, "behind": ledger.seq - o.seq, "state": o.state} for o in self.outlets]
            return {
                "site": self.config.site.name,
                "run": ids.run,
                "ledger": ledger.id,
                "seq": ledger.seq,
                "disk": ledger.trouble or "works",
                "outlets": outlets,
                "cells": [asdict(indication) for indication in self.indications()],
            }

        return status


async def _end(tasks: Sequence[asyncio.Task[None]]) -> None:
    """Cancel tasks and wait for their end."""
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)
