"""HTTP with little patience: who sends a request in drops, or takes nothing of an answer, is cut off."""

import asyncio
from typing import Any, cast

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

REQUEST_S = 10.0
"""A request must be whole by then."""
ANSWER_S = 20.0
"""So long an answer may stand still because the client takes nothing."""


class ImpatientProtocol(H11Protocol):
    """One connection."""

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self._deadlines: dict[str, asyncio.TimerHandle] = {}

    def _expect(self, what: str, within_s: float) -> None:
        if what not in self._deadlines:
            self._deadlines[what] = self.loop.call_later(within_s, self.transport.abort)

    def _settled(self, what: str) -> None:
        if (deadline := self._deadlines.pop(what, None)) is not None:
            deadline.cancel()

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Expect a request."""
        super().connection_made(cast("asyncio.Transport", transport))
        self._expect("request", REQUEST_S)

    def data_received(self, data: bytes) -> None:
        """Take a part of a request."""
        super().data_received(data)
        if self.conn.their_state in {h11.IDLE, h11.SEND_BODY}:
            self._expect("request", REQUEST_S)
        else:
            self._settled("request")

    def pause_writing(self) -> None:
        """Wait for the client to take what was sent."""
        super().pause_writing()
        self._expect("answer taken", ANSWER_S)

    def resume_writing(self) -> None:
        """Go on."""
        self._settled("answer taken")
        super().resume_writing()

    def connection_lost(self, exc: Exception | None) -> None:
        """Wait for nothing more."""
        for what in list(self._deadlines):
            self._settled(what)
        super().connection_lost(exc)
