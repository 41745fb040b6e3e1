"""Work at the bench: `attend`, `attended`, `reference`, `leave`, `calibrate`, `check`.

Whoever works at a cell attends it first; the cell then measures what it is asked to and nothing else.
An attendance that nobody is heard of for long ends by itself. What is measured meanwhile is kept whatever
becomes of it; what is in force changes only with the record of a calibration or check.
"""

import asyncio
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, replace
from datetime import UTC, date, datetime, timedelta
from typing import Annotated, Any, Literal

from pydantic import Field

from quietcell.config.fields import Text
from quietcell.contracts import Clock
from quietcell.core.bench_records import (
    AttendanceBody,
    CheckBody,
    Purpose,
    ReferenceRequestBody,
    Work,
)
from quietcell.core.calibration_record import (
    AS_FOUND_LIMIT_PH,
    Before,
    Bottle,
    Judged,
    calibration_body,
    described_buffer,
    judge_calibration,
    with_calibration,
)
from quietcell.core.electrode.uncertainty import COVERAGE_FACTOR
from quietcell.core.inputs import Attendance, ReferenceRequest, Request
from quietcell.core.records import Body, DoubtBody, Json
from quietcell.core.settings import CellSettings
from quietcell.core.times import rfc3339
from quietcell.errors import CommandError, DomainError
from quietcell.ledger.ledger import Ledger
from quietcell.service.cell import CellTask
from quietcell.service.checks import CheckArguments, judged_check
from quietcell.service.commands import Commands, LongText, OfCell, checked
from quietcell.service.in_force import InForce, in_force, results_since, with_in_force
from quietcell.service.records import DaemonIds

SILENT_S = 120.0
"""An attendance ends when nobody was heard of for so long, s of the machine."""
RECENT_RESULTS = 20
"""The expected pH is the middle of so many results."""


class AttendArguments(OfCell):
    """Someone begins to work at a cell."""

    work: Work = Field(description="What for.")


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


class CalibrateArguments(AttendedArguments):
    """Makes a calibration of reference measurements; without `use` it is only judged."""

    points: Annotated[list[dict[str, Any]], Field(min_length=1, max_length=5)] = Field(
        description="One object a buffer: set and name, or name, ph and standard_uncertainty_ph; lot, "
        "expires; measurement, the id of the reference measurement."
    )
    use: bool | None = Field(default=None, description="Use it, or keep it without use; absent: judge only.")
    expected_ph: Annotated[list[float], Field(min_length=2, max_length=2)] | None = Field(
        default=None, description="Where the sample is expected, lowest and highest pH."
    )
    valid_d: Annotated[float, Field(gt=0, le=3660)] | None = Field(
        default=None, description="Days until it expires; absent: it does not."
    )
    as_found_limit_ph: Annotated[float, Field(gt=0, le=14)] = AS_FOUND_LIMIT_PH
    comment: LongText | None = None


@dataclass(slots=True)
class _Place:
    """Who works at one cell."""

    attendance: str
    work: Work
    operator: str | None
    heard: asyncio.TimerHandle | None = None


class Bench:
    """What people do at the cells with their own hands.

    Parameters
    ----------
    cells : mapping
        The cells at work, by name; read at each command.
    ledger : Ledger
        Keeps what they do.
    ids : DaemonIds
        For the records.
    clock : Clock
        Dates them.
    fixed : callable
        Whether the configuration fixes the calibration of a cell.
    """

    def __init__(
        self,
        cells: Mapping[str, CellTask],
        ledger: Ledger,
        ids: DaemonIds,
        clock: Clock,
        *,
        fixed: Callable[[str], bool] = lambda _cell: False,
    ) -> None:
        self._cells = cells
        self._ledger = ledger
        self._ids = ids
        self._clock = clock
        self._fixed = fixed
        self._places: dict[str, _Place] = {}
        self._ending: set[asyncio.Task[None]] = set()

    def commands(self) -> Commands:
        """Return the command functions by name."""
        return {
            "attend": self.attend,
            "attended": self.attended,
            "reference": self.reference,
            "leave": self.leave,
            "calibrate": self.calibrate,
            "check": self.check,
        }

    # --- attending -----------------------------------------------------------------------------

    async def attend(self, request: dict[str, Json]) -> dict[str, Json]:
        """Begin to work at a cell; a continuous determination ends for it, a person's does not.

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
        task = self._cell(asked.cell)
        self._require_free(task)
        place = _Place("", asked.work, asked.operator)
        self._places[asked.cell] = place  # before any await: two at once must not both be first
        try:
            (stored, *_) = await task.give(lambda *when: self._attendance(asked, place, *when))
        except BaseException:
            self._places.pop(asked.cell, None)
            raise
        self._heard(asked.cell)
        return {"attendance": stored.body()["id"], **await self._situation(task)}

    def _require_free(self, task: CellTask) -> None:
        held = self._place(task)
        if held is not None:
            who = f"{held.operator} is" if held.operator else "someone is"
            raise CommandError(
                f"{who} at work here ({held.work})",
                subject=task.name,
                hint="Wait until that is done; what nobody is heard of ends by itself after two minutes",
            )
        if isinstance(task.asked, Request):
            sample = f" of {task.asked.sample_id}" if task.asked.sample_id else ""
            raise CommandError(
                f"a determination{sample} that someone asked for is under way",
                subject=task.name,
                hint="Wait until it has ended",
            )

    def _place(self, task: CellTask) -> _Place | None:
        """Return who works at a cell; an attendance ends with its segment when the cell is reconfigured."""
        place = self._places.get(task.name)
        if place is not None and place.attendance and task.attendance is None:
            self._forget(task.name)
            return None
        return place

    def _attendance(
        self, asked: AttendArguments, place: _Place, segment: int, ms: int, at: str
    ) -> tuple[Attendance, Body]:
        body = AttendanceBody(
            id=self._ids.next(),
            cell=asked.cell,
            at=at,
            segment=segment,
            ms=ms,
            state="began",
            work=asked.work,
            operator=asked.operator,
        )
        place.attendance = body.id
        return Attendance(ms=ms, id=body.id, state="began", work=asked.work), body

    async def _situation(self, task: CellTask) -> dict[str, Json]:
        """Return what someone who begins to work should know."""
        settings = task.settings
        expected = await self._ledger.run(lambda: self._expected_ph(task.name))
        found = await self._in_force(settings)
        return {
            "electrode": settings.electrode,
            "meter": settings.meter,
            "calibrated": settings.calibrated,
            "calibration": found.calibration,
            "slope_pct": settings.line.slope_pct,
            "zero_mv": settings.line.zero_mv,
            "good_at": found.good_at,
            "failed_check": settings.failed_check_id,
            "fixed": self._fixed(task.name),
            "expected_ph": expected,
            "criterion": asdict(settings.criterion),
            "buffer_criterion": asdict(settings.buffer_criterion),
        }

    def _expected_ph(self, cell: str) -> tuple[float, float] | None:
        values: list[float] = []
        for record in self._ledger.journal.of_cell(cell, kinds=("determination",)):
            body = record.body()
            if body["verdict"] in ("accepted", "qualified") and body["ph"] is not None:
                values.append(body["ph"])
        recent = sorted(values[-RECENT_RESULTS:])
        return (recent[0], recent[-1]) if recent else None

    async def attended(self, request: dict[str, Json]) -> dict[str, Json]:
        """Tell that someone is still there; returns the indication and what became of a measurement.

        Raises
        ------
        CommandError
            If the attendance has ended.
        """
        asked = checked(AttendedArguments, request)
        task = self._attending(asked)
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
        task = self._attending(asked)

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
        task = self._attending(asked)
        await self._end(task, asked.outcome)
        return {}

    async def _end(self, task: CellTask, outcome: Literal["done", "aborted", "abandoned"]) -> None:
        place = self._forget(task.name)
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

    def _attending(self, asked: AttendedArguments) -> CellTask:
        """Return the cell of someone who attends it, and note that they are there."""
        task = self._cell(asked.cell)
        place = self._place(task)
        if place is None or place.attendance != asked.attendance:
            raise CommandError(
                "your work here has ended: the cell was reconfigured, the daemon restarted, or nobody was "
                "heard of for two minutes",
                subject=asked.cell,
                hint="Begin again; what was measured is kept",
            )
        self._heard(asked.cell)
        return task

    def _heard(self, cell: str) -> None:
        place = self._places[cell]
        if place.heard is not None:
            place.heard.cancel()
        place.heard = asyncio.get_running_loop().call_later(SILENT_S, self._abandoned, cell)

    def _abandoned(self, cell: str) -> None:
        task = self._cells.get(cell)
        if task is not None:
            ending = asyncio.create_task(self._end(task, "abandoned"), name=f"{cell} abandoned")
            self._ending.add(ending)
            ending.add_done_callback(self._ending.discard)

    def _forget(self, cell: str) -> _Place | None:
        place = self._places.pop(cell, None)
        if place is not None and place.heard is not None:
            place.heard.cancel()
        return place

    # --- calibration ---------------------------------------------------------------------------

    async def calibrate(self, request: dict[str, Json]) -> dict[str, Json]:
        """Judge a calibration; with ``use`` keep it, and with True work with it from here on.

        Returns
        -------
        dict
            ``body`` as the record has it or would have it, ``questions``, ``recorded``, ``in_use``.

        Raises
        ------
        CommandError
            If an argument is wrong or the points can fix no line.
        """
        asked = checked(CalibrateArguments, request)
        task = self._attending(asked)
        settings = task.settings
        found = await self._in_force(settings)
        try:
            judged = await self._judged(asked, settings, found)
        except DomainError as error:
            raise CommandError(error.message, subject=error.subject, hint=error.hint) from error
        now_ms = self._clock.utc_ms()
        valid_ms = None if asked.valid_d is None else now_ms + round(asked.valid_d * 86_400_000)
        body = calibration_body(
            judged,
            settings,
            body_id="" if asked.use is None else self._ids.next(),
            at=rfc3339(now_ms),
            operator=asked.operator,
            use=bool(asked.use),
            expires=None if valid_ms is None else rfc3339(valid_ms),
            comment=asked.comment,
        )
        answer: dict[str, Json] = {
            "questions": [asdict(one) for one in judged.questions],
            "recorded": asked.use is not None,
            "in_use": False,
            "doubt": None,
        }
        if asked.use is None:
            return {**answer, "body": body.as_json()}
        doubts = await self._as_found_doubts(body.id, judged, task.name, body.at)
        plain = body.as_json()
        if body.verdict == "accepted" and not self._fixed(task.name):
            fresh = replace(with_calibration(settings, plain), failed_check_id=None)
            self._forget(task.name)
            await task.reconfigure(fresh, because=[body, *doubts])
            answer["in_use"] = True
        else:
            await self._ledger.record([body, *doubts])
        return {**answer, "body": plain, "doubt": doubts[0].as_json() if doubts else None}

    async def _judged(self, asked: CalibrateArguments, settings: CellSettings, found: InForce) -> Judged:
        bottles = []
        for point in asked.points:
            measurement = str(point.get("measurement", ""))
            stored = await self._ledger.run(lambda name=measurement: self._ledger.journal.with_id(name))  # type: ignore[misc] # mypy can't infer a default's type in a lambda
            body = None if stored is None else stored.body()
            if body is None or (body["record"], body["cell"]) != ("reference-measurement", asked.cell):
                raise CommandError(f"no reference measurement {measurement!r} of {asked.cell}")
            bottles.append(Bottle(buffer=described_buffer(point), measurement=body))
        before = None
        if settings.calibrated:
            calibrated = settings.calibrated_utc_ms
            before = Before(
                line=settings.line,
                id=settings.calibration_id,
                at=None if calibrated is None else rfc3339(calibrated),
                good_since=found.good_at,
            )
        return judge_calibration(
            bottles,
            before=before,
            on=_day(self._clock.utc_ms()),
            expected_ph=None if asked.expected_ph is None else (asked.expected_ph[0], asked.expected_ph[1]),
            temperature_standard_uncertainty_c=settings.temperature_uncertainty_c / COVERAGE_FACTOR,
            isopotential_ph=settings.line.isopotential_ph,
            as_found_limit_ph=asked.as_found_limit_ph,
        )

    async def _as_found_doubts(self, about: str, judged: Judged, cell: str, now: str) -> list[DoubtBody]:
        as_found = judged.as_found
        if as_found is None or not as_found.out_of_limit or not as_found.believed:
            return []
        text = (
            f"Before it was calibrated the electrode was {as_found.worst_deviation_ph:+.3f} pH off in a "
            f"buffer, limit {as_found.limit_ph:g}: results since the last good check are in doubt."
        )
        return [await self._doubt(cell, about, "as-found-calibration", as_found.since, now, text)]

    async def _doubt(
        self,
        cell: str,
        about: str,
        cause: Literal["check-failed", "as-found-calibration"],
        since: str | None,
        now: str,
        text: str,
    ) -> DoubtBody:
        ids = await self._ledger.run(lambda: tuple(results_since(self._ledger.journal, cell, since, now)))
        began = await self._ledger.run(lambda: since or _first_at(self._ledger, cell, now))
        return DoubtBody(
            id=self._ids.next(),
            cell=cell,
            at=now,
            cause=cause,
            about=about,
            since=began,
            until=now,
            determinations=ids,
            text=text,
        )

    # --- checks --------------------------------------------------------------------------------

    async def check(self, request: dict[str, Json]) -> dict[str, Json]:
        """Hold a cell against something known; a failed check puts a doubt on the results since the last.

        Returns
        -------
        dict
            ``body`` of the check's record, ``doubt``.

        Raises
        ------
        CommandError
            If an argument is wrong.
        """
        asked = checked(CheckArguments, request)
        task = self._cell(asked.cell)
        if asked.attendance is not None:
            self._attending(AttendedArguments(via=asked.via, cell=asked.cell, attendance=asked.attendance))
        else:
            self._require_free(task)
        settings = task.settings
        found = await self._in_force(settings)
        now = rfc3339(self._clock.utc_ms())
        measured = [await self._measured(asked.cell, name) for name in asked.measurements]
        try:
            body = judged_check(
                asked,
                measured,
                settings,
                body_id=self._ids.next(),
                at=now,
                since=found.good_at,
                temperature_c=task.indication().temperature_c,
            )
        except DomainError as error:
            raise CommandError(error.message, subject=error.subject, hint=error.hint) from error
        doubts = []
        if body.verdict == "failed":
            text = f"A check failed: {body.refusals[0].text}. Results since the last good check are in doubt."
            doubts = [await self._doubt(asked.cell, body.id, "check-failed", found.good_at, now, text)]
        fresh = with_in_force(settings, self._after(found, body), fixed=True)
        if fresh == settings:
            await self._ledger.record([body, *doubts])
        else:
            self._forget(asked.cell)
            await task.reconfigure(fresh, because=[body, *doubts])
        return {"body": body.as_json(), "doubt": doubts[0].as_json() if doubts else None}

    @staticmethod
    def _after(found: InForce, body: CheckBody) -> InForce:
        """Return what counts after a check."""
        plain = body.as_json()
        if body.verdict == "failed":
            return replace(found, failed_check=plain)
        low_ionic = plain if body.method == "low-ionic" else found.low_ionic
        return replace(found, failed_check=None, low_ionic=low_ionic, good_at=body.at)

    async def _measured(self, cell: str, name: str) -> dict[str, Json]:
        stored = await self._ledger.run(lambda: self._ledger.journal.with_id(name))
        body = None if stored is None else stored.body()
        kinds = ("reference-measurement", "determination")
        if body is None or body["record"] not in kinds or body["cell"] != cell:
            raise CommandError(f"no measurement {name!r} of {cell}", subject="measurements")
        return body

    async def _in_force(self, settings: CellSettings) -> InForce:
        return await self._ledger.run(
            lambda: in_force(
                self._ledger.journal, settings.cell, electrode=settings.electrode, meter=settings.meter
            )
        )

    def _cell(self, name: str) -> CellTask:
        try:
            return self._cells[name]
        except KeyError:
            raise CommandError(f"no cell {name}; there is {', '.join(self._cells)}", subject="cell") from None


def _day(now_ms: int) -> date:
    return (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=now_ms)).date()


def _first_at(ledger: Ledger, cell: str, otherwise: str) -> str:
    """Return when the cell began to measure."""
    for record in ledger.journal.of_cell(cell, kinds=("segment",)):
        at: str = record.body()["at"]
        return at
    return otherwise
