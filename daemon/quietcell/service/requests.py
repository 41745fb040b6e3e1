"""Commands about determinations: `request`, `outcome`."""

import asyncio
from collections.abc import Mapping
from typing import Annotated, Self

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, model_validator
from pydantic_core import PydanticCustomError

from quietcell.config.fields import Text
from quietcell.core.inputs import Request
from quietcell.core.records import ABSENT, Absent, GrabSample, Json
from quietcell.errors import CommandError
from quietcell.ledger.chain import Stored
from quietcell.ledger.ledger import Ledger
from quietcell.service.cell import CellTask
from quietcell.service.command_records import RequestBody
from quietcell.service.commands import Commands, OfCell, checked, no_cell, work_ended
from quietcell.service.records import DaemonIds

LONGEST_WAIT_S = 60.0
"""Who waits longer asks again."""
Reference = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9._:/-]+$", max_length=100)]


class GrabArguments(BaseModel):
    """How a sample came from its point to the electrode."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, allow_inf_nan=False)

    portion: Annotated[int, Field(ge=1, le=100)] = 1
    container: Text | None = Field(default=None, description="Material of the container.")
    age_min: Annotated[float, Field(ge=0, le=1e6)] | None = Field(
        default=None, description="From filling it to now, min."
    )
    conductivity_us_cm: Annotated[float, Field(gt=0, le=1e6)] | None = Field(
        default=None, description="Of a separate portion, before the electrode went in, µS/cm."
    )
    conductivity_temperature_c: Annotated[float, Field(ge=-10, le=150)] | None = None
    open_to_air: bool = False
    kcl_adjusted: bool = False

    def sample(self) -> GrabSample:
        """Return it as the record keeps it."""
        return GrabSample(**self.model_dump())


class RequestArguments(OfCell):
    """Asks for a determination now."""

    sample_id: Text | None = Field(default=None, description="What is measured, as the asker names it.")
    from_buffer: bool = Field(
        default=False,
        description="The electrode was in a buffer before: hold the value until its junction has relaxed.",
    )
    reference: Reference | None = Field(
        default=None,
        description="The asker's own id for this request; the same again is a repeat and begins nothing.",
    )
    grab: GrabArguments | None = Field(default=None, description="How the sample was brought to the bench.")
    attendance: Text | None = Field(
        default=None, description="Id of the attendance's record, from whoever works at the cell."
    )
    response_topic: str | None = None
    correlation_data: str | None = None

    @model_validator(mode="after")
    def _coherent(self) -> Self:
        if self.via != "mqtt" and (self.response_topic, self.correlation_data) != (None, None):
            raise PydanticCustomError("not_here", "only a request by MQTT has an answer sent to a topic")
        return self


class OutcomeArguments(OfCell):
    """Asks what became of a request."""

    request: Text = Field(description="Id of the request's record.")
    wait_s: Annotated[float, Field(ge=0, le=LONGEST_WAIT_S)] = Field(
        default=0.0, description="Wait so long for the determination to end."
    )


class Requests:
    """What people ask of the cells.

    Parameters
    ----------
    cells : mapping
        The cells at work, by name; read at each command.
    ledger : Ledger
        Keeps requests and what becomes of them.
    ids : DaemonIds
        For their records.
    """

    def __init__(self, cells: Mapping[str, CellTask], ledger: Ledger, ids: DaemonIds) -> None:
        self._cells = cells
        self._ledger = ledger
        self._ids = ids
        self._one_at_a_time = asyncio.Lock()

    def commands(self) -> Commands:
        """Return the command functions by name."""
        return {"request": self.request, "outcome": self.outcome}

    async def request(self, request: dict[str, Json]) -> dict[str, Json]:
        """Begin a determination; a request with a reference seen before begins nothing.

        Returns
        -------
        dict
            ``request`` (id of its record), ``seq``, ``repeated``, ``state`` (``open`` or ``ended``) and
            ``determination``, the stored record of the outcome, None while open.

        Raises
        ------
        CommandError
            If an argument is wrong, the asker's work at the cell has ended, or the cell is not measuring.
        """
        asked = checked(RequestArguments, request)
        task = self._cell(asked.cell)
        async with self._one_at_a_time:  # else two repeats at once would both be the first
            if asked.reference is not None and (before := await self._known(asked)) is not None:
                return await self._told(before, repeated=True)
            there = task.attendance
            if asked.attendance is not None and (there is None or there.id != asked.attendance):
                raise work_ended(task.name)  # else whatever stands in the cell would pass for their sample
            stored, *made = await task.give(lambda segment, ms, at: self._asked(asked, segment, ms, at))
        return _answer(stored, _ended(stored, made), repeated=False)

    async def outcome(self, request: dict[str, Json]) -> dict[str, Json]:
        """Return what became of a request, perhaps after a wait; as `request` does.

        Raises
        ------
        CommandError
            If there is no such request.
        """
        asked = checked(OutcomeArguments, request)
        stored = await self._ledger.run(lambda: self._ledger.journal.with_id(asked.request))
        body = None if stored is None else stored.body()
        if stored is None or body is None or (body["record"], body["cell"]) != ("request", asked.cell):
            raise CommandError(f"no request {asked.request} for cell {asked.cell}", subject="request")
        try:
            async with asyncio.timeout(asked.wait_s):
                return _answer(stored, await self.wait_for(stored), repeated=False)
        except TimeoutError:
            return await self._told(stored, repeated=False)

    async def wait_for(self, request: Stored) -> Stored:
        """Wait until a request's determination has ended, and return its record."""
        seq = request.seq
        while True:
            for record in await self._ledger.after(seq):
                seq = record.seq
                if _ended(request, [record]) is not None:
                    return record

    def _cell(self, name: str) -> CellTask:
        try:
            return self._cells[name]
        except KeyError:
            raise no_cell(name, self._cells) from None

    async def _known(self, asked: RequestArguments) -> Stored | None:
        """Return the record of the request this one repeats.

        Raises
        ------
        CommandError
            If the reference stands for another request.
        """
        reference = asked.reference or ""
        before = await self._ledger.run(lambda: self._ledger.journal.with_reference(asked.cell, reference))
        if before is None:
            return None
        body = before.body()
        if (body["sample_id"], body["operator"]) != (asked.sample_id, asked.operator):
            raise CommandError(f"{reference} stands for another request", subject="reference")
        return before

    def _asked(self, asked: RequestArguments, segment: int, ms: int, at: str) -> tuple[Request, RequestBody]:
        def given(text: str | None) -> str | Absent:
            return ABSENT if text is None else text

        grab = None if asked.grab is None else asked.grab.sample()
        body = RequestBody(
            id=self._ids.next(),
            cell=asked.cell,
            at=at,
            segment=segment,
            ms=ms,
            sample_id=asked.sample_id,
            operator=asked.operator,
            from_buffer=asked.from_buffer,
            via=asked.via,
            grab=ABSENT if grab is None else grab,
            attendance=given(asked.attendance),
            reference=given(asked.reference),
            response_topic=given(asked.response_topic),
            correlation_data=given(asked.correlation_data),
        )
        item = Request(
            ms=ms,
            id=body.id,
            sample_id=body.sample_id,
            operator=body.operator,
            from_buffer=body.from_buffer,
            grab=grab,
            attendance=asked.attendance,
        )
        return item, body

    async def _told(self, request: Stored, *, repeated: bool) -> dict[str, Json]:
        ended = await self._ledger.run(lambda: self._ledger.journal.answer_to(request))
        return _answer(request, ended, repeated=repeated)


def _ended(request: Stored, records: list[Stored]) -> Stored | None:
    """Return the determination among the records that answers a request."""
    request_id = request.body()["id"]
    return next((record for record in records if record.body().get("request") == request_id), None)


def _answer(request: Stored, ended: Stored | None, *, repeated: bool) -> dict[str, Json]:
    return {
        "request": request.body()["id"],
        "seq": request.seq,
        "repeated": repeated,
        "state": "open" if ended is None else "ended",
        "determination": None if ended is None else ended.envelope(),
    }
