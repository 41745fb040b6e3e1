"""Live values to every open page: one look a second for all of them, and nobody can hold it up."""

import asyncio
import json
from collections.abc import AsyncIterator
from contextlib import suppress

from quietcell.core.records import Json
from quietcell.errors import QuietcellError
from quietcell.panel.source import Source

MOST_STREAMS = 200
LOOK_S = 1.0
ROOM = 4
"""Messages that may wait for a client; one that lets more wait is told nothing further."""


class Streams:
    """Fans one look out to at most 200 clients.

    Parameters
    ----------
    source : Source
        Looked at once a second while anybody listens.
    """

    def __init__(self, source: Source) -> None:
        self._source = source
        self._clients: set[asyncio.Queue[str | None]] = set()
        self._looking: asyncio.Task[None] | None = None

    @property
    def full(self) -> bool:
        """True while no further stream is taken."""
        return len(self._clients) >= MOST_STREAMS

    async def look(self) -> dict[str, Json]:
        """Return the live state, or that the daemon does not answer."""
        try:
            live = await self._source.ask("live")
        except QuietcellError as error:
            return {"ok": False, "error": str(error)}
        return live

    async def _look_on(self) -> None:
        while self._clients:
            message = f"data: {json.dumps(await self.look(), ensure_ascii=False)}\n\n"
            for queue in list(self._clients):
                if queue.full():
                    self._clients.discard(queue)
                    queue.get_nowait()
                    queue.put_nowait(None)
                else:
                    queue.put_nowait(message)
            await asyncio.sleep(LOOK_S)
        self._looking = None

    async def listen(self) -> AsyncIterator[str]:
        """Yield server-sent events until the client goes, or falls behind."""
        queue: asyncio.Queue[str | None] = asyncio.Queue(ROOM)
        self._clients.add(queue)
        if self._looking is None:
            self._looking = asyncio.create_task(self._look_on(), name="panel looking")
        try:
            while (message := await queue.get()) is not None:
                yield message
        finally:
            self._clients.discard(queue)

    async def close(self) -> None:
        """Look no more."""
        if self._looking is not None:
            self._looking.cancel()
            with suppress(asyncio.CancelledError):
                await self._looking
