"""Alarms at work: the journal and the live state watched, steps journalled, people's acts taken.

A follower of the journal like the outlets, but it also writes: what an alarm does is a record of its
own. Watching ends before the run does, so that nothing follows the run's last record.
"""

import asyncio
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import asdict, replace
from typing import Annotated, Protocol, Self

from pydantic import Field

from quietcell.config import Config
from quietcell.config.alarms import alarm_table
from quietcell.config.fields import DAY_S, Name, Text
from quietcell.contracts import Clock
from quietcell.core.alarms.body import AlarmBody
from quietcell.core.alarms.cell_facts import concerns
from quietcell.core.alarms.cell_watch import CellWatch
from quietcell.core.alarms.engine import AlarmEngine, AlarmRefusedError, AlarmUnknownError, Person, urgency
from quietcell.core.alarms.moment import Moment
from quietcell.core.indication import Indication
from quietcell.core.records import Json
from quietcell.core.times import rfc3339, utc_ms
from quietcell.errors import ArgumentError, CommandError
from quietcell.ledger.journal import Journal
from quietcell.ledger.ledger import Ledger
from quietcell.outlets.follower import Outlet, supervise
from quietcell.service.alarm_memory import care_notes, cell_limits, last_of_alarms, standing_facts
from quietcell.service.commands import Arguments, Commands, OfCell, checked, no_cell
from quietcell.service.daemon_watch import DaemonWatch
from quietcell.service.records import DaemonIds

DAEMON = "daemon"
LOOK_S = 1.0
"""Time between looks at the live state, in the machine's own time."""


class ListArguments(Arguments):
    """Asks for the alarms people should see."""


class ActArguments(OfCell):
    """Does something to one alarm."""

    cell: Name = Field(description="Whose alarm: a cell, or daemon.")
    alarm: Name = Field(description="Name in the alarm table.")
    reason: Text = Field(description="Why, in the words of whoever does it.")


class ShelveArguments(ActArguments):
    """Puts an alarm aside for a while."""

    for_s: Annotated[float, Field(gt=0, le=7 * DAY_S)] = Field(description="For how long, s; a week at most.")


class SanitisationArguments(OfCell):
    """Puts a cell into sanitisation, prolongs it, or takes the cell out."""

    reason: Text = Field(description="Why, in the words of whoever does it.")
    for_s: Annotated[float, Field(gt=0, le=DAY_S)] | None = Field(
        default=None, description="For how long from now, s; left out: end it now."
    )


class Sanitised(Protocol):
    """Lets a cell measure nothing while it is sanitised."""

    async def __call__(self, cell: str, *, under_way: bool) -> None:
        """Take note."""
        ...


class Alarms:
    """Watches all cells and the daemon.

    Parameters
    ----------
    config : Config
        The alarm table and each cell's limits.
    ledger : Ledger
        What to follow and where steps are recorded.
    ids : DaemonIds
        For their records.
    clock : Clock
        Delays and dates.
    cells : callable
        Gives the live state of every cell, for people to see.
    glances : callable
        Gives as much of it as alarms need.
    outlets : callable
        Gives the outlets: brokers and folders may not take records.
    sanitised : callable
        Told again and again of each cell whether it is being sanitised.
    """

    def __init__(
        self,
        config: Config,
        ledger: Ledger,
        ids: DaemonIds,
        clock: Clock,
        *,
        cells: Callable[[], list[Indication]],
        glances: Callable[[], list[Indication]],
        outlets: Callable[[], Sequence[Outlet]],
        sanitised: Sanitised,
    ) -> None:
        self._ledger = ledger
        self._clock = clock
        self._cells = cells
        self._glances = glances
        self._outlets = outlets
        self._sanitised = sanitised
        self._config = config
        self._ids = ids
        self._seq = 0
        self.watches: dict[str, CellWatch] = {}
        self._left: dict[str, AlarmEngine] = {}
        """Of cells that are measured no more: what stood there returns and waits to be acknowledged."""
        self.daemon = self._new_daemon_watch()
        self._turn = asyncio.Lock()
        """Held by whoever moves alarms or replaces their watches: no step falls between two of these."""
        self._tasks: list[asyncio.Task[None]] = []

    async def __aenter__(self) -> Self:
        """Take up where the last run left off, then watch."""
        self._seq = self._ledger.seq
        await self.adopt(self._config)
        self._tasks = [
            asyncio.create_task(supervise(self._follow, "alarms"), name="alarms following"),
            asyncio.create_task(supervise(self._watch, "alarms"), name="alarms watching"),
        ]
        return self

    async def __aexit__(self, *_: object) -> None:
        """Watch no longer."""
        for task in self._tasks:
            task.cancel()
        for task in self._tasks:
            with suppress(asyncio.CancelledError):
                await task

    def _now(self) -> Moment:
        return Moment(ms=self._clock.boot_ms(), utc_ms=self._clock.utc_ms())

    # --- taking up -----------------------------------------------------------------------------

    async def adopt(self, config: Config) -> None:
        """Watch by this configuration from now on; every alarm goes on from where its records left it."""
        measured = [name for name, cell in config.cells.items() if cell.driver is not None]
        async with self._turn:
            self._config = config
            self.watches, self._left, self.daemon = await self._ledger.run(
                lambda: self._taken_up(self._ledger.journal, measured)
            )

    def _taken_up(
        self, journal: Journal, cells: Sequence[str]
    ) -> tuple[dict[str, CellWatch], dict[str, AlarmEngine], DaemonWatch]:
        """Learn from the journal what holds, and put the alarms back where they were."""
        now = self._now()
        rows, _ = alarm_table(self._config.alarms)
        watches, care, engines = {}, care_notes(journal), self._engines()
        for cell in cells:
            engine = AlarmEngine(cell, rows, self._ids.next)
            before = self.watches.get(cell)
            began_utc_ms = now.utc_ms if before is None else before.began_utc_ms
            watch = watches[cell] = CellWatch(cell, engine, cell_limits(self._config, cell), began_utc_ms)
            for body in (*standing_facts(journal, cell), *(each for each in care if concerns(each, cell))):
                watch.learn(body)
            watch.restore(last_of_alarms(journal, cell), now, before=engines.get(cell))
        left = {}
        for cell in set(journal.cells()) - set(cells):
            if bodies := last_of_alarms(journal, cell):
                unwatched = [replace(row, enabled=False) for row in rows]
                left[cell] = AlarmEngine(cell, unwatched, self._ids.next)
                left[cell].restore(bodies, now, before=engines.get(cell))
        daemon = self._new_daemon_watch()
        daemon.engine.restore(last_of_alarms(journal, DAEMON), now, before=engines[DAEMON])
        return watches, left, daemon

    def _new_daemon_watch(self) -> DaemonWatch:
        _, rows = alarm_table(self._config.alarms)
        return DaemonWatch(AlarmEngine(DAEMON, rows, self._ids.next), self._ledger, self._outlets)

    # --- watching ------------------------------------------------------------------------------

    async def _follow(self) -> None:
        """Learn from every record as it is stored."""
        while True:
            concerned = set()
            for record in await self._ledger.after(self._seq):
                self._seq = record.seq
                body = record.body()
                concerned.add(body["cell"])
                async with self._turn:
                    bodies = self.daemon.learn(self._now(), body)
                    for cell, watch in self.watches.items():
                        if concerns(body, cell):
                            watch.learn(body)
                    await self._ledger.record(bodies)
            cells = self._glances() if concerned & self.watches.keys() else []
            await self._look([live for live in cells if live.cell in concerned])

    async def _watch(self) -> None:
        """Look at the live state again and again."""
        while True:
            cells = self._glances()
            if {live.cell for live in cells} & set(self._config.cells) - set(self.watches):
                await self.adopt(self._config)  # a cell joined
            # First, and all at once: the records of a look wait for a disk that fails.
            await asyncio.gather(*(self._tell_sanitised(cell) for cell in self.watches))
            await self._look(cells)
            await asyncio.sleep(LOOK_S)

    async def _tell_sanitised(self, cell: str) -> None:
        if (watch := self.watches.get(cell)) is not None:
            await self._sanitised(cell, under_way=watch.sanitisation is not None)

    async def _look(self, cells: Sequence[Indication]) -> None:
        async with self._turn:
            now = self._now()
            bodies: list[AlarmBody] = self.daemon.look(now)
            for live in cells:
                if (watch := self.watches.get(live.cell)) is not None:
                    bodies += watch.look(now, live)
            for engine in self._left.values():
                bodies += engine.advance(now)
            await self._ledger.record(bodies)

    # --- views ---------------------------------------------------------------------------------

    def shown(self) -> list[dict[str, Json]]:
        """Return every alarm people should see, most urgent first.

        One about an open episode has ``episode``, its id, by which it can be judged, and ``confirmed``.
        """
        shown = [alarm for engine in self._engines().values() for alarm in engine.shown()]
        episodes = {id_: e for watch in self.watches.values() for id_, e in watch.facts.episodes.items()}
        for alarm in shown:
            if (episode := episodes.get(alarm["about"])) is not None:
                alarm |= {"episode": alarm["about"], "confirmed": episode["confirmed"]}
        return sorted(shown, key=urgency)

    def _engines(self) -> dict[str, AlarmEngine]:
        """Return all alarms by owner."""
        watched = {cell: watch.engine for cell, watch in self.watches.items()}
        return {**watched, **self._left, DAEMON: self.daemon.engine}

    def conditions(self) -> dict[str, str]:
        """Return the NE 107 signal of each cell and of the daemon."""
        told = {cell: watch.condition().value for cell, watch in self.watches.items()}
        return {**told, DAEMON: self.daemon.engine.condition().value}

    def _told(self, live: Indication, now: Moment) -> dict[str, Json]:
        """Return what one cell shows; a result is current only while it is young enough."""
        watch, configured = self.watches.get(live.cell), self._config.cells.get(live.cell)
        result = None if watch is None else watch.facts.result
        told: dict[str, Json] = {
            **asdict(live),
            "result": None,
            "result_is_current": False,
            "continuous": watch is None or watch.facts.continuous,
            "ph_decimals": 2 if configured is None else configured.ph_decimals,
            "sanitisation_until": None,
        }
        if watch is not None and watch.sanitisation is not None:
            told["sanitisation_until"] = watch.sanitisation.until
        if watch is None or result is None:
            return told
        keys = ("id", "ended", "verdict", "ph_reported", "ph_expanded_uncertainty", "ph_25c", "temperature_c",
                "qualifiers")  # fmt: skip
        doubt, episodes = watch.facts.doubt, watch.facts.episodes
        return {
            **told,
            "result": {
                **{key: result[key] for key in keys},
                "age_s": (now.utc_ms - utc_ms(result["ended"])) / 1000,
                "suspected": [episodes[e]["diagnosis"] for e in result.get("episodes", ()) if e in episodes],
                "doubt": None if doubt is None else doubt["text"],
            },
            "result_is_current": watch.has_current_result(now),
        }

    # --- commands ------------------------------------------------------------------------------

    def commands(self) -> Commands:
        """Return the command functions by name."""
        return {
            "alarms": self.list,
            "live": self.live,
            "alarm-acknowledge": self.acknowledge,
            "alarm-shelve": self.shelve,
            "alarm-unshelve": self.unshelve,
            "sanitisation": self.sanitisation,
        }

    async def list(self, request: dict[str, Json]) -> dict[str, Json]:
        """Return ``alarms`` (record bodies, most urgent first) and ``conditions`` by owner."""
        checked(ListArguments, request)
        return {"alarms": self.shown(), "conditions": self.conditions()}

    async def live(self, request: dict[str, Json]) -> dict[str, Json]:
        """Return everything one glance needs: ``now``, ``cells`` with result and condition, ``alarms``."""
        checked(ListArguments, request)
        now, conditions = self._now(), self.conditions()
        cells = [
            {**self._told(live, now), "condition": conditions.get(live.cell, "none")}
            for live in self._cells()
        ]
        outlets = [
            {"name": o.name, "behind": self._ledger.seq - o.seq, "state": o.state, "working": o.working}
            for o in self._outlets()
        ]
        return {
            "site": self._config.site.name,
            "now": rfc3339(now.utc_ms),
            "seq": self._ledger.seq,
            "cells": cells,
            "alarms": self.shown(),
            "conditions": conditions,
            "outlets": outlets,
        }

    async def acknowledge(self, request: dict[str, Json]) -> dict[str, Json]:
        """Note that someone knows of an alarm.

        Raises
        ------
        CommandError
            If an argument is wrong or there is nothing to acknowledge.
        """
        asked = checked(ActArguments, request)
        return await self._act(asked, lambda e, now, by: e.acknowledge(now, asked.alarm, by))

    async def shelve(self, request: dict[str, Json]) -> dict[str, Json]:
        """Put an alarm aside until a stated time.

        Raises
        ------
        CommandError
            If an argument is wrong.
        """
        asked = checked(ShelveArguments, request)

        def shelve(engine: AlarmEngine, now: Moment, by: Person) -> Sequence[AlarmBody]:
            return engine.shelve(now, asked.alarm, by, until_utc_ms=now.utc_ms + round(asked.for_s * 1000))

        return await self._act(asked, shelve)

    async def unshelve(self, request: dict[str, Json]) -> dict[str, Json]:
        """Take an alarm from the shelf.

        Raises
        ------
        CommandError
            If an argument is wrong or it is not shelved.
        """
        asked = checked(ActArguments, request)
        return await self._act(asked, lambda e, now, by: e.unshelve(now, asked.alarm, by))

    async def sanitisation(self, request: dict[str, Json]) -> dict[str, Json]:
        """Put a cell into sanitisation for a stated time, or prolong that, or take it out.

        Raises
        ------
        CommandError
            If an argument is wrong, or it is to be taken out and not in it.
        """
        asked = checked(SanitisationArguments, request)
        async with self._turn:
            watch = self.watches.get(asked.cell)
            if watch is None:
                raise no_cell(asked.cell, self.watches)
            now, by = self._now(), Person(operator=asked.operator, reason=asked.reason, via=asked.via)
            try:
                if asked.for_s is None:
                    bodies = watch.end_sanitisation(now, by)
                else:
                    until_utc_ms = now.utc_ms + round(asked.for_s * 1000)
                    bodies = watch.begin_sanitisation(now, by, until_utc_ms=until_utc_ms)
            except AlarmRefusedError as error:
                raise CommandError(str(error)) from error
            told = await self._recorded(bodies)
        await self._tell_sanitised(asked.cell)
        return told

    async def _act(
        self, asked: ActArguments, act: Callable[[AlarmEngine, Moment, Person], Sequence[AlarmBody]]
    ) -> dict[str, Json]:
        async with self._turn:
            engines = self._engines()
            engine = engines.get(asked.cell)
            if engine is None:
                raise no_cell(asked.cell, engines)
            by = Person(operator=asked.operator, reason=asked.reason, via=asked.via)
            try:
                bodies = act(engine, self._now(), by)
            except AlarmUnknownError as error:
                raise ArgumentError(str(error)) from error
            except AlarmRefusedError as error:
                raise CommandError(str(error)) from error
            return await self._recorded(bodies)

    async def _recorded(self, bodies: Sequence[AlarmBody]) -> dict[str, Json]:
        stored = await self._ledger.record(bodies)
        last = bodies[-1]
        return {"alarm": last.alarm, "state": last.state.value, "record": last.id, "seq": stored[-1].seq}
