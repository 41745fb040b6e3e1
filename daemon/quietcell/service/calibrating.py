"""The command `calibrate`: what buffers say, judged, kept, and put in force."""

from collections.abc import Callable
from dataclasses import asdict
from datetime import UTC, date, datetime, timedelta
from typing import Annotated, Any

from pydantic import Field

from quietcell.contracts import Clock
from quietcell.core.calibration_record import (
    AS_FOUND_LIMIT_PH,
    Before,
    Bottle,
    Judged,
    calibration_body,
    judge_calibration,
)
from quietcell.core.electrode.described_buffer import described_buffer
from quietcell.core.electrode.uncertainty import COVERAGE_FACTOR
from quietcell.core.records import DoubtBody, Json
from quietcell.core.settings import CellSettings
from quietcell.core.times import DAY_MS, rfc3339
from quietcell.errors import CommandError, DomainError
from quietcell.ledger.ledger import Ledger
from quietcell.service.attendance import Attendances, AttendedArguments
from quietcell.service.commands import Commands, LongText, checked
from quietcell.service.doubts import doubt_since
from quietcell.service.electrodes import require_by, with_condition
from quietcell.service.in_force import InForce, with_in_force
from quietcell.service.records import DaemonIds


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


class Calibrating:
    """Makes calibrations of what was measured at the bench.

    Parameters
    ----------
    attendances : Attendances
        Who works at the cells.
    ledger : Ledger
        Keeps calibrations.
    ids : DaemonIds
        For their records.
    clock : Clock
        Dates them.
    fixed : callable
        Whether the configuration fixes the calibration of a cell.
    """

    def __init__(
        self,
        attendances: Attendances,
        ledger: Ledger,
        ids: DaemonIds,
        clock: Clock,
        *,
        fixed: Callable[[str], bool],
    ) -> None:
        self._attendances = attendances
        self._ledger = ledger
        self._ids = ids
        self._clock = clock
        self._fixed = fixed

    def commands(self) -> Commands:
        """Return the command functions by name."""
        return {"calibrate": self.calibrate}

    async def calibrate(self, request: dict[str, Json]) -> dict[str, Json]:
        """Judge a calibration; with ``use`` keep it, and with True work with it from here on.

        Returns
        -------
        dict
            ``body`` as the record has it or would have it, ``questions``, ``recorded``, ``in_use``.

        Raises
        ------
        CommandError
            If an argument is wrong, the points can fix no line, or it is to be used where the
            configuration fixes one.
        """
        asked = checked(CalibrateArguments, request)
        async with self._attendances.cell(asked.cell).changing:
            return await self._calibrate(asked)

    async def _calibrate(self, asked: CalibrateArguments) -> dict[str, Json]:
        task = self._attendances.attending(asked)
        if asked.use and self._fixed(task.name):
            raise CommandError(
                f"the configuration fixes this calibration: cells.{task.name}.calibration",
                subject=task.name,
                hint="Keep it without use (--no-use), or remove that table, `quietcell reload` and calibrate",
            )
        settings = task.settings
        found = await self._attendances.in_force(settings)
        try:
            judged = await self._judged(asked, settings, found)
        except DomainError as error:
            raise CommandError(error.message, subject=error.subject, hint=error.hint) from error
        now_ms = self._clock.utc_ms()
        valid_ms = None if asked.valid_d is None else now_ms + round(asked.valid_d * DAY_MS)
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
        body = await with_condition(self._ledger, body)
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
        if body.verdict == "accepted":
            fresh = with_in_force(task.settings, found.behind(plain, fixed=False), fixed=False)
            self._attendances.forget(task.name)
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
            require_by(settings, body)
            bottles.append(Bottle(buffer=described_buffer(point), measurement=body))
        before = None
        if settings.calibrated:
            calibrated = settings.calibrated_utc_ms
            before = Before(
                line=settings.line,
                id=settings.calibration_id,
                at=None if calibrated is None else rfc3339(calibrated),
                good_since=found.good_since("buffer"),
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
        doubt = await doubt_since(
            self._ledger,
            as_found.since,
            body_id=self._ids.next(),
            cell=cell,
            cause="as-found-calibration",
            about=about,
            now=now,
            text=text,
        )
        return [doubt]


def _day(now_ms: int) -> date:
    return (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=now_ms)).date()
