"""Records of what an outlet set aside, and of what became of it."""

from typing import Literal

from quietcell.contracts import Clock
from quietcell.core.records import Json
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

    async def parked(self, record: Stored, why: str) -> None:
        """Record that a record was set aside."""
        await self._record(record, "parked", why)

    async def delivered(self, record: Stored) -> None:
        """Record that one set aside was taken after all."""
        await self._record(record, "delivered", "taken when it was sent again")

    async def _record(self, record: Stored, state: Literal["parked", "delivered"], text: str) -> None:
        parked = record.body()
        if await self._ledger.run(lambda: self._last_state(parked, record.seq)) == state:
            return  # told before a crash that came before the outlet's cursor moved
        body = ParkedBody(
            id=self._ids.next(),
            cell=parked["cell"],
            at=rfc3339(self._clock.utc_ms()),
            outlet=self._outlet,
            state=state,
            parked_seq=record.seq,
            text=text,
        )
        await self._ledger.record([body])

    def _last_state(self, parked: dict[str, Json], seq: int) -> str | None:
        for stored in self._ledger.journal.latest(parked["cell"], "parked"):
            body = stored.body()
            if (body["parked_seq"], body["outlet"]) == (seq, self._outlet):
                state: str = body["state"]
                return state
        return None
