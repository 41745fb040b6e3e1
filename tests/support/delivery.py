"""A ledger with results in it, and the MQTT outlet that delivers them."""

import asyncio
from contextlib import suppress
from pathlib import Path
from typing import Any, Self

from quietcell.core.times import rfc3339
from quietcell.ledger.cursors import Cursors
from quietcell.outlets.follower import Backoff
from quietcell.outlets.mqtt import MqttOutlet
from quietcell.outlets.mqtt_library import Broker
from tests.support.ledgers import ResultBody, open_ledger
from tests.support.streams import ANCHOR_UTC_MS
from tests.support.until import PATIENCE_S, until

SITE = "merrow-sound"


class HeldBackoff(Backoff):
    """Pauses of no length, counted; none ends while held."""

    def __init__(self) -> None:
        super().__init__(0.0, 0.0)
        self.in_a_row = 0
        self.open = asyncio.Event()
        self.open.set()

    def worked(self) -> None:
        self.in_a_row = 0

    async def pause(self) -> None:
        self.in_a_row += 1
        await self.open.wait()
        await asyncio.sleep(0.001)


class Delivery:
    """Runs an outlet over a ledger in a folder; entered again, it goes on from the stored cursor."""

    def __init__(self, folder: Path, port: int, **broker: Any) -> None:
        self.ledger = open_ledger(folder)
        self.cursors = Cursors(folder)
        self.backoff = HeldBackoff()
        self._broker = Broker(host="127.0.0.1", port=port, client_id=f"quietcell-{SITE}", **broker)
        self._ordinal = self.ledger.seq
        self._begin()

    def _begin(self) -> None:
        self.outlet = MqttOutlet(SITE, self._broker, self.ledger, self.cursors, backoff=self.backoff)

    def start(self) -> None:
        """Let the outlet run."""
        self.running = asyncio.create_task(self.outlet.run(), name="outlet")

    async def stop(self) -> None:
        """Cancel the outlet and wait for its end."""
        self.running.cancel()
        with suppress(asyncio.CancelledError):
            async with asyncio.timeout(PATIENCE_S):
                await self.running

    async def start_anew(self) -> None:
        """Begin a new outlet from the stored cursor, as the next run of the program does."""
        await self.stop()
        self._begin()
        self.start()

    async def __aenter__(self) -> Self:
        self.start()
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.stop()
        await self.ledger.close()
        self.cursors.close()

    async def record(self, count: int = 1, *, verdict: str = "accepted", text: str = "") -> list[int]:
        """Record determinations and return their numbers."""
        bodies = []
        for _ in range(count):
            self._ordinal += 1
            bodies.append(
                ResultBody(
                    id=f"live-feed-room.1.{self._ordinal}",
                    cell="live-feed-room",
                    at=rfc3339(ANCHOR_UTC_MS + self._ordinal),
                    verdict=verdict,
                    text=text,
                )
            )
        return [stored.seq for stored in await self.ledger.record(bodies)]

    async def all_delivered(self) -> None:
        """Wait until the stored cursor has reached the ledger's head."""
        await until(lambda: self.cursors.get("mqtt").seq == self.ledger.seq)
