"""The command `check`: a cell held against something known, kept, and what follows from it."""

from itertools import islice

from quietcell.contracts import Clock
from quietcell.core.records import DoubtBody, Json
from quietcell.core.settings import CellSettings
from quietcell.core.times import rfc3339, utc_ms
from quietcell.errors import CommandError, DomainError
from quietcell.ledger.ledger import Ledger
from quietcell.service.attendance import Attendances, AttendedArguments
from quietcell.service.cell import CellTask
from quietcell.service.checks import CheckArguments, judged_check, tells_of_water
from quietcell.service.commands import Commands, checked
from quietcell.service.doubts import doubt_since
from quietcell.service.electrodes import require_by, with_condition
from quietcell.service.in_force import with_in_force
from quietcell.service.records import DaemonIds

FRESH_S = 60.0
"""An older reading tells nothing of what another thermometer shows now."""
FAR_BACK = 1000
"""No value among so many determinations counts as none."""


class Checking:
    """Keeps checks and lets them count.

    Parameters
    ----------
    attendances : Attendances
        Who works at the cells.
    ledger : Ledger
        Keeps checks.
    ids : DaemonIds
        For their records.
    clock : Clock
        Dates them.
    """

    def __init__(self, attendances: Attendances, ledger: Ledger, ids: DaemonIds, clock: Clock) -> None:
        self._attendances = attendances
        self._ledger = ledger
        self._ids = ids
        self._clock = clock

    def commands(self) -> Commands:
        """Return the command functions by name."""
        return {"check": self.check}

    async def check(self, request: dict[str, Json]) -> dict[str, Json]:
        """Hold a cell against something known; a failed check puts a doubt on the results since the last.

        Returns
        -------
        dict
            ``body`` of the check's record, ``doubt``; ``compared``, the determination a known pH was held
            against; ``still_failed``, an earlier check that nothing has cleared, if this one passed.

        Raises
        ------
        CommandError
            If an argument is wrong.
        """
        asked = checked(CheckArguments, request)
        task = self._attendances.cell(asked.cell)
        async with task.changing:
            return await self._check(asked, task)

    async def _check(self, asked: CheckArguments, task: CellTask) -> dict[str, Json]:
        if asked.attendance is not None:
            self._attendances.attending(
                AttendedArguments(via=asked.via, cell=asked.cell, attendance=asked.attendance)
            )
        else:
            self._attendances.require_free(task)
        settings = task.settings
        found = await self._attendances.in_force(settings)
        good_since = found.good_since(asked.method)
        now = rfc3339(self._clock.utc_ms())
        if asked.method == "comparison" and not asked.measurements:
            asked = asked.model_copy(update={"measurements": [await self._value_of_now(settings)]})
        measured = [await self._measured(asked.cell, name) for name in asked.measurements]
        for body_measured in measured:
            require_by(settings, body_measured, same_line=asked.method != "buffer")
        live = task.indication()
        fresh = live.age_s is not None and live.age_s <= FRESH_S
        try:
            body = judged_check(
                asked,
                measured,
                settings,
                body_id=self._ids.next(),
                at=now,
                since=good_since,
                temperature_c=live.temperature_c if fresh else None,
            )
        except DomainError as error:
            raise CommandError(error.message, subject=error.subject, hint=error.hint) from error
        body = await with_condition(self._ledger, body)
        doubts: list[DoubtBody] = []
        if body.verdict == "failed":
            text = f"A check failed: {body.refusals[0].text}. Results since the last good check are in doubt."
            doubt = await doubt_since(
                self._ledger,
                good_since,
                body_id=self._ids.next(),
                cell=asked.cell,
                cause="check-failed",
                about=body.id,
                now=now,
                text=text,
            )
            doubts = [doubt]
        found = found.behind(body.as_json(), fixed=True)
        behind = with_in_force(settings, found, fixed=True)
        if behind == settings:
            await self._ledger.record([body, *doubts])
        else:
            self._attendances.forget(asked.cell)
            await task.reconfigure(behind, because=[body, *doubts])
        answer = {"body": body.as_json(), "doubt": doubts[0].as_json() if doubts else None}
        if body.verdict == "passed" and (still := found.failed_check) is not None:
            answer["still_failed"] = {"id": still["id"], "method": still["method"]}
        if asked.method != "comparison":
            return answer
        return {**answer, "compared": {key: measured[0][key] for key in ("id", "ended", "verdict", "ph")}}

    async def _value_of_now(self, settings: CellSettings) -> str:
        """Return the id of the newest determination that tells of a cell's water, if it is of this cycle.

        While a failed check stands there is no result; one refused for that alone is what the cell finds.
        """

        def found() -> dict[str, Json] | None:
            for record in islice(self._ledger.journal.latest(settings.cell, "determination"), FAR_BACK):
                body = record.body()
                brought = settings.mode == "continuous" and "grab" in body
                if tells_of_water(body) and not brought:
                    return body
            return None

        last = await self._ledger.run(found)
        if last is None:
            raise CommandError(
                "the cell has no value to compare", subject=settings.cell, hint="Wait for a determination"
            )
        age_s = (self._clock.utc_ms() - utc_ms(last["ended"])) / 1000
        cycle_s = settings.every_s + settings.criterion.max_wait_s
        if age_s > cycle_s:
            anew = "Wait for the next" if settings.mode == "continuous" else "Measure again"
            raise CommandError(
                f"the last value to compare, {last['id']}, ended at {last['ended']}, {age_s / 3600:.1f} h "
                f"ago; older than {cycle_s / 60:.0f} min it does not tell of the water now",
                subject=settings.cell,
                hint=f"{anew}, or name the determination of the water the known pH is of, also a refused one "
                "that came to rest",
            )
        return str(last["id"])

    async def _measured(self, cell: str, name: str) -> dict[str, Json]:
        stored = await self._ledger.run(lambda: self._ledger.journal.with_id(name))
        body = None if stored is None else stored.body()
        kinds = ("reference-measurement", "determination")
        if body is None or body["record"] not in kinds or body["cell"] != cell:
            raise CommandError(f"no measurement {name!r} of {cell}", subject="measurements")
        return body
