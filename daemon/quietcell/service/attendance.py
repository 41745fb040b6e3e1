"""Who works at which cell: `attend`, `attended`, `reference`, `leave`.

Whoever works at a cell attends it first; the cell then measures what it is asked to and nothing else.
An attendance that nobody is heard of for long ends by itself. What is measured meanwhile is kept whatever
becomes of it.
"""

import asyncio
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass
from itertools import islice
from typing import Literal

from pydantic import Field

from quietcell.config.fields import Text
from quietcell.core.bench_records import AttendanceBody, Purpose, ReferenceRequestBody, Work
from quietcell.core.inputs import Attendance, ReferenceRequest, Request
from quietcell.core.records import Body, Json
from quietcell.core.settings import CellSettings
from quietcell.errors import CommandError
from quietcell.ledger.ledger import Ledger
from quietcell.service.cell import CellTask
from quietcell.service.commands import Commands, OfCell, checked, no_cell, work_ended
from quietcell.service.in_force import InForce, in_force
from quietcell.service.records import DaemonIds

SILENT_S = 120.0
"""An attendance ends when nobody was heard of for so long, s of the machine."""
RECENT_RESULTS = 20
"""The expected pH lies where so many results do."""
FAR_BACK = 1000
"""No result among so many determinations counts as none; years of them are not read at each prompt."""


class AttendArguments(OfCell):
    """Someone begins to work at a cell."""

    work: Literal["calibration", "check", "measure", "flow-test"] = Field(description="What for.")
    supersede: bool = Field(default=False, description="End what someone asked for and is being measured.")


class AttendedArguments(OfCell):
    """Someone who works at a cell is still there, and asks how it stands."""

    attendance: Text = Field(description="Id of the attendance's record.")
    measurement: Text | None = Field(default=None, description="Id of a request, whose outcome is asked for.")


class ReferenceArguments(AttendedArguments):
    """Asks for the potential of a solution of known pH."""

    purpose: Purpose
    solution: Text


class LeaveArguments(AttendedArguments):
    """Someone ends work at a cell."""

    outcome: Literal["done", "aborted"]


@dataclass(slots=True)
class _Place:
    """Who works at one cell."""

    attendance: str
    work: Work
    operator: str | None
    heard: asyncio.TimerHandle | None = None


class Attendances:
    """Who works at which cell.

    Parameters
    ----------
    cells : mapping
        The cells at work, by name; read at each command.
    ledger : Ledger
        Keeps what they do.
    ids : DaemonIds
        For the records.
    fixed : callable
        Whether the configuration fixes the calibration of a cell.
    """

    def __init__(
        self,
        cells: Mapping[str, CellTask],
        ledger: Ledger,
        ids: DaemonIds,
        *,
        fixed: Callable[[str], bool] = lambda _cell: False,
    ) -> None:
        self.cells = cells
        self._ledger = ledger
        self._ids = ids
        self.fixed = fixed
        self._places: dict[str, _Place] = {}
        self._ending: set[asyncio.Task[None]] = set()

    def commands(self) -> Commands:
        """Return the command functions by name."""
        return {
            "attend": self.attend,
            "attended": self.attended,
            "reference": self.reference,
            "leave": self.leave,
        }

    async def attend(self, request: dict[str, Json]) -> dict[str, Json]:
        """Begin to work at a cell; a continuous determination ends for it, a person's only if told to.

        Returns
        -------
        dict
            ``attendance`` (id), what is in force and what the results let expect.

        Raises
        ------
        CommandError
            If someone works at the cell already, or a determination someone asked for is under way.
        """
        asked = checked(AttendArguments, request)
        task = self.cell(asked.cell)
        self.require_free(task, supersede=asked.supersede)
        place = _Place("", asked.work, asked.operator)
        self._places[asked.cell] = place  # before any await: two at once must not both be first
        try:
            (stored, *_) = await task.give(lambda *when: self._attendance(asked.cell, place, *when))
        except BaseException:
            self._places.pop(asked.cell, None)
            raise
        if self._places.get(asked.cell) is not place:
            raise work_ended(asked.cell)  # before it was durable
        self._heard(asked.cell)
        return {"attendance": stored.body()["id"], **await self._situation(task)}

    def require_free(self, task: CellTask, *, supersede: bool = False) -> None:
        """Raise a CommandError if someone works at a cell, or asked for what is being measured.

        Parameters
        ----------
        task : CellTask
            The cell.
        supersede : bool
            What someone asked for does not count.
        """
        held = self._place(task)
        if held is not None and held.work == "sanitisation":
            raise CommandError(
                "is being sanitised", subject=task.name, hint="Wait until that ends, or end it if it is over"
            )
        if held is not None:
            who = f"{held.operator} is" if held.operator else "someone is"
            raise CommandError(
                f"{who} at work here ({held.work})",
                subject=task.name,
                hint="Wait until that is done; what nobody is heard of ends by itself after two minutes",
            )
        if isinstance(task.asked, Request) and not supersede:
            sample = f" of {task.asked.sample_id}" if task.asked.sample_id else ""
            raise CommandError(
                f"a determination{sample} that someone asked for is under way",
                subject=task.name,
                hint="Wait until it has ended; calibrate, check and measure with --supersede end it",
            )

    def _place(self, task: CellTask) -> _Place | None:
        """Return who works at a cell; an attendance ends with its segment when the cell is reconfigured."""
        place = self._places.get(task.name)
        if place is not None and place.attendance and task.attendance is None:
            self.forget(task.name)
            return None
        return place

    def _attendance(
        self, cell: str, place: _Place, segment: int, ms: int, at: str
    ) -> tuple[Attendance, Body]:
        body = AttendanceBody(
            id=self._ids.next(),
            cell=cell,
            at=at,
            segment=segment,
            ms=ms,
            state="began",
            work=place.work,
            operator=place.operator,
        )
        place.attendance = body.id
        return Attendance(ms=ms, id=body.id, state="began", work=place.work), body

    async def _situation(self, task: CellTask) -> dict[str, Json]:
        """Return what someone who begins to work should know."""
        settings = task.settings
        expected = await self._ledger.run(lambda: self._expected_ph(task.name))
        found = await self.in_force(settings)
        return {
            "continuous": settings.mode == "continuous",
            "ph_decimals": settings.ph_decimals,
            "electrode": settings.electrode,
            "meter": settings.meter,
            "calibrated": settings.calibrated,
            "calibration": found.calibration,
            "slope_pct": settings.line.slope_pct,
            "zero_mv": settings.line.zero_mv,
            "good_at": found.good_since("buffer"),
            "failed_check": settings.failed_check_id,
            "fixed": self.fixed(task.name),
            "kcl_adjusted": settings.kcl_adjusted,
            "hold_up_ml": settings.hold_up_ml,
            "expected_ph": expected,
            "criterion": asdict(settings.criterion),
            "buffer_criterion": asdict(settings.buffer_criterion),
        }

    def _expected_ph(self, cell: str) -> tuple[float, float] | None:
        values: list[float] = []
        for record in islice(self._ledger.journal.latest(cell, "determination"), FAR_BACK):
            body = record.body()
            if body["verdict"] in ("accepted", "qualified") and body["ph"] is not None:
                values.append(body["ph"])
            if len(values) == RECENT_RESULTS:
                break
        return (min(values), max(values)) if values else None

    async def attended(self, request: dict[str, Json]) -> dict[str, Json]:
        """Tell that someone is still there; returns the indication and what became of a measurement.

        Raises
        ------
        CommandError
            If the attendance has ended.
        """
        asked = checked(AttendedArguments, request)
        task = self.attending(asked)
        ended: dict[str, Json] | None = None
        if asked.measurement is not None:
            ended = await self._ledger.run(lambda: self._answer(asked.cell, asked.measurement or ""))
        return {"indication": asdict(task.indication()), "ended": ended}

    def _answer(self, cell: str, request: str) -> dict[str, Json] | None:
        kinds = ("reference-measurement", "determination")
        asked = self._ledger.journal.with_id(request)
        if asked is None:
            return None
        for record in self._ledger.journal.of_cell(cell, kinds=kinds, after=asked.seq):
            body = record.body()
            if body.get("request") == request:
                return body
        return None

    async def reference(self, request: dict[str, Json]) -> dict[str, Json]:
        """Begin to measure a solution of known pH; returns ``request`` (id of its record).

        Raises
        ------
        CommandError
            If the attendance has ended.
        """
        asked = checked(ReferenceArguments, request)
        task = self.attending(asked)

        def make(segment: int, ms: int, at: str) -> tuple[ReferenceRequest, Body]:
            body = ReferenceRequestBody(
                id=self._ids.next(),
                cell=asked.cell,
                at=at,
                segment=segment,
                ms=ms,
                purpose=asked.purpose,
                solution=asked.solution,
                operator=asked.operator,
            )
            return ReferenceRequest(
                ms=ms,
                id=body.id,
                purpose=body.purpose,
                solution=body.solution,
                operator=body.operator,
            ), body

        (stored, *_) = await task.give(make)
        return {"request": stored.body()["id"]}

    async def leave(self, request: dict[str, Json]) -> dict[str, Json]:
        """End work at a cell; the electrode is back in the water.

        Raises
        ------
        CommandError
            If the attendance has ended already.
        """
        asked = checked(LeaveArguments, request)
        task = self.attending(asked)
        await self._end(task, asked.outcome)
        return {}

    async def sanitised(self, cell: str, *, under_way: bool) -> None:
        """Let a cell measure nothing while it is sanitised, and measure again behind that.

        To be told again and again: who works there goes on until they leave, and a cell that begins anew
        forgets.
        """
        task = self.cells.get(cell)
        place = None if task is None else self._place(task)
        with suppress(CommandError):  # not measuring now
            if task is not None and under_way and place is None:
                place = self._places[cell] = _Place("", "sanitisation", None)
                try:
                    await task.give(lambda *when: self._attendance(cell, place, *when))
                except BaseException:
                    self._places.pop(cell, None)
                    raise
            elif task is not None and not under_way and place is not None and place.work == "sanitisation":
                await self._end(task, "done")

    async def _end(self, task: CellTask, outcome: Literal["done", "aborted", "abandoned"]) -> None:
        place = self.forget(task.name)
        if place is None or task.attendance is None:
            return

        def make(segment: int, ms: int, at: str) -> tuple[Attendance, Body]:
            body = AttendanceBody(
                id=self._ids.next(),
                cell=task.name,
                at=at,
                segment=segment,
                ms=ms,
                state="ended",
                work=place.work,
                operator=place.operator,
                outcome=outcome,
            )
            return Attendance(ms=ms, id=body.id, state="ended", work=place.work), body

        await task.give(make)

    def attending(self, asked: AttendedArguments) -> CellTask:
        """Return the cell of someone who attends it, and note that they are there.

        Raises
        ------
        CommandError
            If the attendance has ended.
        """
        task = self.cell(asked.cell)
        place = self._place(task)
        if place is None or place.attendance != asked.attendance:
            raise work_ended(asked.cell)
        self._heard(asked.cell)
        return task

    def _heard(self, cell: str) -> None:
        place = self._places[cell]
        if place.heard is not None:
            place.heard.cancel()
        place.heard = asyncio.get_running_loop().call_later(SILENT_S, self._abandoned, cell)

    def _abandoned(self, cell: str) -> None:
        task = self.cells.get(cell)
        if task is not None:
            ending = asyncio.create_task(self._abandon(task), name=f"{cell} abandoned")
            self._ending.add(ending)
            ending.add_done_callback(self._ending.discard)

    async def _abandon(self, task: CellTask) -> None:
        with suppress(CommandError):  # it measures no more, and its attendance ended with that
            await self._end(task, "abandoned")

    def forget(self, cell: str) -> _Place | None:
        """Let go of whoever works at a cell, whose segment ends with what they have done."""
        place = self._places.pop(cell, None)
        if place is not None and place.heard is not None:
            place.heard.cancel()
        return place

    async def in_force(self, settings: CellSettings) -> InForce:
        """Return what the ledger says a cell works with."""
        return await self._ledger.run(
            lambda: in_force(
                self._ledger.journal,
                settings.cell,
                electrode=settings.electrode,
                meter=settings.meter,
                fixed=self.fixed(settings.cell),
            )
        )

    def cell(self, name: str) -> CellTask:
        """Return a cell by name; a CommandError where there is none."""
        try:
            return self.cells[name]
        except KeyError:
            raise no_cell(name, self.cells) from None
