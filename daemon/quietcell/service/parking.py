"""Records of what an outlet set aside, and of what became of it."""

from typing import Literal

from quietcell.contracts import Clock
from quietcell.core.times import rfc3339
from quietcell.ledger.chain import Stored
from quietcell.ledger.ledger import Ledger
from quietcell.service.records import DaemonIds, ParkedBody


class Parking:
    """Journals what an outlet parks and delivers later, each once.

    Parameters
    ----------
    outlet : str
        Name of the outlet.
    ledger : Ledger
        Keeps the records.
    ids : DaemonIds
        For them.
    clock : Clock
        Dates them.
    """

    def __init__(self, outlet: str, ledger: Ledger, ids: DaemonIds, clock: Clock) -> None:
        self._outlet = outlet
        self._ledger = ledger
        self._ids = ids
        self._clock = clock
        self._known: dict[str, dict[int, str]] = {}
        """By cell and number, what was told last of each record."""

    async def parked(self, record: Stored, why: str) -> None:
        """Record that a record was set aside."""
        await self._record(record, "parked", why)

    async def delivered(self, record: Stored) -> None:
        """Record that one set aside was taken after all."""
        await self._record(record, "delivered", "taken when it was sent again")

    async def _record(self, record: Stored, state: Literal["parked", "delivered"], text: str) -> None:
        cell: str = record.body()["cell"]
        if cell not in self._known:
            # Once: where many are set aside, reading all of them for each takes hours.
            self._known[cell] = await self._ledger.run(lambda: self._told(cell))
        known = self._known[cell]
        if known.get(record.seq) == state:
            return  # told before a crash that came before the outlet's cursor moved
        body = ParkedBody(
            id=self._ids.next(),
            cell=cell,
            at=rfc3339(self._clock.utc_ms()),
            outlet=self._outlet,
            state=state,
            parked_seq=record.seq,
            text=text,
        )
        await self._ledger.record([body])
        known[record.seq] = state

    def _told(self, cell: str) -> dict[int, str]:
        """Return what became of each record of a cell that was set aside, as last told."""
        bodies = (stored.body() for stored in self._ledger.journal.of_cell(cell, kinds=("parked",)))
        return {body["parked_seq"]: body["state"] for body in bodies if body["outlet"] == self._outlet}
