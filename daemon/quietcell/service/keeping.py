"""What people keep track of: `note`, `thing` (electrode, meter, conductivity cell), `kept`.

A thing has a name of its own and moves between cells; notes about an electrode go with it. What is in a
cell decides which calibration counts there.
"""

import asyncio
from collections.abc import Awaitable, Callable, Mapping
from contextlib import suppress
from dataclasses import asdict
from typing import Literal, Self

from pydantic import Field, model_validator
from pydantic_core import PydanticCustomError

from quietcell.config import Config
from quietcell.config.fields import Name, Text
from quietcell.contracts import Clock
from quietcell.core.bench_records import CARE_OF_ELECTRODE, ElectrodeBody, Thing
from quietcell.core.electrode.condition import SEVERITY, Signal
from quietcell.core.electrode_history import condition_of
from quietcell.core.records import ABSENT, Json
from quietcell.core.settings import CellSettings
from quietcell.core.times import DAY_MS, rfc3339, utc_ms
from quietcell.errors import ArgumentError, CommandError
from quietcell.ledger.journal import Journal
from quietcell.ledger.ledger import Ledger
from quietcell.service.alarm_memory import CARE, last_care
from quietcell.service.attendance import Attendances
from quietcell.service.command_records import NoteBody, NoteWork
from quietcell.service.commands import Commands, LongText, OfCell, checked
from quietcell.service.electrodes import electrode_bodies, history, suspicions, whereabouts
from quietcell.service.in_force import names_of, things_of
from quietcell.service.records import DaemonIds


class NoteArguments(OfCell):
    """Keeps a note about a cell."""

    text: LongText | None = Field(default=None, description="In your own words.")
    work: NoteWork | None = Field(default=None, description="What was done; its interval begins anew.")

    @model_validator(mode="after")
    def _something(self) -> Self:
        if self.text is None and self.work is None:
            raise PydanticCustomError("nothing", "give a text, or what was done")
        return self


class ThingArguments(OfCell):
    """Puts an electrode, meter or conductivity cell into a cell, or takes it out."""

    thing: Thing
    name: Name = Field(description="Of the thing; it keeps it wherever it is used.")
    serial: Text | None = Field(default=None, description="As on its label.")
    state: Literal["in-use", "stored", "retired"] = "in-use"
    already_there: bool = Field(
        default=False,
        description="It was in the cell before it had a name; its calibration goes on counting.",
    )
    text: LongText | None = None


class KeptArguments(OfCell):
    """Asks what is in a cell, its condition and what is due."""

    history_of: Name | None = Field(default=None, description="A thing whose records are wanted too.")


class Keeping:
    """Keeps track of things and care.

    Parameters
    ----------
    attendances : Attendances
        Knows the cells and who works there.
    ledger : Ledger
        Keeps notes and moves.
    ids : DaemonIds
        For their records.
    clock : Clock
        Dates them.
    config : callable
        The configuration in force.
    settled : callable
        Returns by what each cell should judge now, from configuration and ledger.
    """

    def __init__(
        self,
        attendances: Attendances,
        ledger: Ledger,
        ids: DaemonIds,
        clock: Clock,
        *,
        config: Callable[[], Config],
        settled: Callable[[], Awaitable[Mapping[str, CellSettings]]],
    ) -> None:
        self._attendances = attendances
        self._ledger = ledger
        self._ids = ids
        self._clock = clock
        self._config = config
        self._settled = settled
        self._moving = asyncio.Lock()
        """Held while a thing moves: two at once would both find it where it was."""

    def commands(self) -> Commands:
        """Return the command functions by name."""
        return {"note": self.note, "thing": self.thing, "kept": self.kept}

    # --- notes ---------------------------------------------------------------------------------

    async def note(self, request: dict[str, Json]) -> dict[str, Json]:
        """Keep a note about a cell; returns ``note`` (id of its record) and ``seq``.

        Raises
        ------
        CommandError
            If an argument is wrong.
        """
        told = checked(NoteArguments, request)
        electrode = self._attendances.cell(told.cell).settings.electrode
        body = NoteBody(
            id=self._ids.next(),
            cell=told.cell,
            at=rfc3339(self._clock.utc_ms()),
            text=told.text or (told.work or "").replace("-", " "),
            operator=told.operator,
            via=told.via,
            work=ABSENT if told.work is None else told.work,
            electrode=electrode if electrode is not None and told.work in CARE_OF_ELECTRODE else ABSENT,
        )
        (stored,) = await self._ledger.record([body])
        return {"note": body.id, "seq": stored.seq}

    # --- things --------------------------------------------------------------------------------

    async def thing(self, request: dict[str, Json]) -> dict[str, Json]:
        """Put a thing into a cell or take it out; the cell goes on with the calibration that then counts.

        Returns
        -------
        dict
            ``body`` of the record, ``left`` (the cell it was in before, if any), ``calibrated``, and
            ``fixed``: by the configuration, whatever electrode is there.

        Raises
        ------
        CommandError
            If an argument is wrong, the configuration names another, or someone works at the cell.
        """
        told = checked(ThingArguments, request)
        async with self._moving:
            return await self._thing(told)

    async def _thing(self, told: ThingArguments) -> dict[str, Json]:
        task = self._attendances.cell(told.cell)
        self._attendances.require_free(task)
        self._require_not_fixed(told)
        here = await self._ledger.run(lambda: things_of(self._ledger.journal, told.cell))
        if told.state != "in-use" and here.get(told.thing) not in (told.name, None):
            raise CommandError(f"{told.name} is not in this cell; {here[told.thing]} is", subject=told.cell)
        if told.already_there and (told.state != "in-use" or told.thing in here):
            raise CommandError(
                f"{here.get(told.thing, told.name)} has its name already",
                subject=told.cell,
                hint="Leave that out",
            )
        left = await self._ledger.run(lambda: whereabouts(self._ledger.journal, told.thing, told.name))
        if told.state != "in-use" and left != told.cell and left in self._attendances.cells:
            raise CommandError(f"{told.name} is in {left}", subject=told.cell, hint="Name that cell")
        bodies = [await self._moved(told)]
        if told.state == "in-use" and left not in (None, told.cell):
            bodies.insert(0, await self._moved(told, out_of=left))
        await self._ledger.record(bodies)
        for cell in (told.cell, left):
            if cell is not None and cell in self._attendances.cells:
                await self._take_over(cell)
        configured = self._config().cells.get(told.cell)  # a reload may be about to end the cell
        return {
            "body": bodies[-1].as_json(),
            "left": left,
            "calibrated": (await self._settled()).get(told.cell, task.settings).calibrated,
            "fixed": configured is not None and configured.calibration is not None,
        }

    async def _take_over(self, cell: str) -> None:
        """Let a cell judge by what the ledger now says; one that waits to begin anew will by itself."""
        async with self._attendances.cells[cell].changing:
            settings = (await self._settled()).get(cell)
            task = self._attendances.cells.get(cell)  # another one, if it began anew meanwhile
            if task is not None and settings not in (None, task.settings):
                with suppress(CommandError):
                    await task.reconfigure(settings)

    def _require_not_fixed(self, told: ThingArguments) -> None:
        """Refuse what the configuration says otherwise: of this cell, or of another with the thing in it."""
        if told.thing == "conductivity-cell":
            return
        for name, configured in self._config().cells.items():
            named = configured.electrode if told.thing == "electrode" else configured.meter
            here = name == told.cell and named is not None and (told.name, told.state) != (named, "in-use")
            elsewhere = name != told.cell and named == told.name and told.state == "in-use"
            if here or elsewhere:
                raise CommandError(
                    f"the configuration says that {named} is in {'this cell' if here else name}: "
                    f"cells.{name}.{told.thing}",
                    subject=told.cell,
                    hint="Change or remove that key, then `quietcell reload`",
                )

    async def _moved(self, told: ThingArguments, *, out_of: str | None = None) -> ElectrodeBody:
        """Return the record of a thing that comes or goes."""

        def known() -> tuple[Signal | None, tuple[str, ...], str | None]:
            if told.thing != "electrode":
                return None, (), None
            bodies = electrode_bodies(self._ledger.journal, told.cell, told.name)
            names = {told.name, None} if told.already_there else {told.name}
            cared = last_care(self._ledger.journal, told.cell, names)
            found = condition_of(bodies)
            more = [s for s in suspicions(self._ledger.journal, told.name) if s not in found.reasons]
            signal = max(found.signal, Signal.MAINTENANCE_REQUIRED, key=SEVERITY.index)
            return (
                signal if more else found.signal,
                (*found.reasons, *more),
                cared.get("electrolyte-refilled"),
            )

        condition, reasons, refilled_at = await self._ledger.run(known)
        return ElectrodeBody(
            id=self._ids.next(),
            cell=told.cell if out_of is None else out_of,
            at=rfc3339(self._clock.utc_ms()),
            thing=told.thing,
            name=told.name,
            serial=told.serial,
            state=told.state if out_of is None else "stored",
            already_there=told.already_there and out_of is None,
            operator=told.operator,
            text=told.text if out_of is None else f"moved to {told.cell}",
            electrolyte_at=refilled_at,
            condition=condition,
            condition_reasons=reasons,
        )

    # --- how it stands -------------------------------------------------------------------------

    async def kept(self, request: dict[str, Json]) -> dict[str, Json]:
        """Return what is in a cell, its condition, what is due, and the records of a thing if one is named.

        Returns
        -------
        dict
            ``things``, ``condition`` (``signal`` and ``findings``), ``due`` (each with ``what``, ``due_at``,
            ``overdue``) and ``history``.

        Raises
        ------
        CommandError
            If an argument is wrong or there is no thing of that name.
        """
        asked = checked(KeptArguments, request)
        task = self._attendances.cell(asked.cell)
        journal, now = self._ledger.journal, self._clock.utc_ms()

        def found() -> dict[str, Json]:
            condition = condition_of(electrode_bodies(journal, asked.cell, task.settings.electrode))
            return {
                "things": {
                    "electrode": task.settings.electrode,
                    "meter": task.settings.meter,
                    **things_of(journal, asked.cell),
                },
                "condition": {
                    "signal": condition.signal.value,
                    "findings": [asdict(finding) for finding in condition.findings],
                },
                "due": self._due(journal, task.settings, now),
                "history": [] if asked.history_of is None else history(journal, asked.history_of),
            }

        answer = await self._ledger.run(found)
        if asked.history_of is not None and not answer["history"]:
            raise ArgumentError(f"no record names {asked.history_of}")
        return answer

    def _due(self, journal: Journal, settings: CellSettings, now_ms: int) -> list[dict[str, Json]]:
        """Return what is wanted at intervals, the next first."""
        configured = self._config().cells.get(settings.cell)
        found: list[tuple[str, int | None, str | None]] = []
        if settings.calibration_expires_utc_ms is not None:
            # Its last instant: the midnight behind it already belongs to a day on which nothing counts.
            found.append(("calibration", settings.calibration_expires_utc_ms - 1, None))
        limits = None if configured is None else configured.limits
        if limits is not None:
            last = last_care(journal, settings.cell, names_of(journal, settings.cell, settings.electrode))
            intervals = [("check", limits.check_every_d), *((w, getattr(limits, k)) for w, k in CARE)]
            for what, every_d in intervals:
                if every_d is not None:
                    at = last.get(what)
                    found.append((what, None if at is None else utc_ms(at) + round(every_d * DAY_MS), at))
        found.sort(key=lambda row: row[1] or 0)
        return [
            {
                "what": what,
                "last_at": at,
                "due_at": None if due_ms is None else rfc3339(due_ms),
                "overdue": due_ms is None or due_ms <= now_ms,
            }
            for what, due_ms, at in found
        ]
