"""One connection to a broker behind a narrow interface: send, and know what became of it.

Nothing here waits longer than it says.
"""

import asyncio
import math
from collections.abc import Callable, Sequence
from types import TracebackType
from typing import Any, Self

import aiomqtt
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from quietcell.errors import OutletError
from quietcell.outlets.mqtt_library import (
    WINDOW,
    Answer,
    Broker,
    Heard,
    LibraryClient,
    PublishRefusedError,
    in_words,
)

ANSWER_S = 10.0
"""A broker that leaves a message or a connection unanswered for so long counts as lost."""
_FAILURE = 0x80
"""Answers from here on are refusals."""
_SECOND = (
    "A second daemon of this site needs a site name of its own; any other client, or this one, a client id"
)


class BrokerLostError(OutletError):
    """The connection is gone; what was in flight may or may not have arrived."""

    closed = False
    """True where the other end closed it, rather than falling silent."""
    rival = False
    """True where it did so because another client connected by the same client id."""

    def again_and_again(self) -> "BrokerLostError":
        """Return this error as it is told once it has come often, each time soon after connecting."""
        again = BrokerLostError(
            f"{self.message}, again and again soon after connecting",
            subject=self.subject,
            hint=self.hint or "The broker's log may say why",
        )
        again.closed = self.closed
        return again


class BrokerConnection:
    """A connection for one `async with`.

    Never entered twice: the library would send again what an earlier connection gave up.

    Parameters
    ----------
    broker : Broker
        Where to.
    will : (topic, payload)
        Published retained by the broker when the connection is lost.
    """

    def __init__(self, broker: Broker, *, will: tuple[str, str]) -> None:
        self._broker = broker
        self._client = LibraryClient(broker, will=will)
        self._free = asyncio.Semaphore(WINDOW)

    async def __aenter__(self) -> Self:
        """Connect.

        Raises
        ------
        BrokerLostError
            If the broker cannot be reached, does not answer or refuses the connection.
        """
        try:
            try:
                await self._client.open(ANSWER_S)
            except BaseException:
                await self._client.end()
                raise
        except TimeoutError as error:
            raise BrokerLostError(
                f"no answer for {ANSWER_S:.0f} s",
                subject=str(self._broker),
                hint=f"Check that an MQTT {self._broker.protocol} broker listens there, and what lets the "
                "service reach it: a firewall, IPAddressAllow= of its unit",
            ) from error
        except (aiomqtt.MqttError, OSError, ValueError) as error:
            raise BrokerLostError(
                f"cannot connect: {in_words(error)}",
                subject=str(self._broker),
                hint="Check host, port, protocol, tls, credentials, certificates and that the broker runs",
            ) from error
        self._free = asyncio.Semaphore(self._client.window)
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Let go of the connection; without `disconnect` before, the broker publishes the will."""
        await self._client.end()

    @property
    def gone(self) -> asyncio.Future[None]:
        """Done when the connection is lost."""
        return self._client.gone

    def lost(self) -> BrokerLostError:
        """Return the error that tells why the connection is lost."""
        subject, client_id = str(self._broker), self._broker.client_id
        if self._client.taken_over:
            error = BrokerLostError(
                f"another client connected by the client id {client_id}",
                subject=subject,
                hint=_SECOND,
            )
            error.rival = True
            return error
        error = BrokerLostError(
            f"connection lost: {self._client.why_gone()}",
            subject=subject,
            hint=""
            if self._client.explained
            else f"If that goes on: does another client use the client id {client_id}? {_SECOND}",
        )
        error.closed = True
        return error

    async def listen(self, topics: Sequence[str], hear: Callable[[Heard], None]) -> str | None:
        """Subscribe to topics; what the broker keeps of old messages is not asked for.

        Returns
        -------
        str or None
            Why nothing may come on one of them.

        Raises
        ------
        BrokerLostError
            If it does not answer.
        """
        self._client.hear = hear
        options = SubscribeOptions(qos=1, noLocal=True, retainHandling=SubscribeOptions.RETAIN_DO_NOT_SEND)
        asked: list[tuple[str, Any]] = [
            (topic, options if self._broker.protocol == "5" else 1) for topic in topics
        ]
        try:
            # The library's own time-out loses a cancellation that comes with the answer (Python 3.11).
            async with asyncio.timeout(ANSWER_S):
                codes = await self._client.subscribe(asked, timeout=math.inf)
        except TimeoutError as error:
            raise BrokerLostError(
                f"a subscription was not answered for {ANSWER_S:.0f} s", subject=str(self._broker)
            ) from error
        except aiomqtt.MqttError as error:
            raise BrokerLostError(
                f"cannot subscribe: {in_words(error)}", subject=str(self._broker)
            ) from error
        if len(codes) != len(topics):
            return f"the broker answers a subscription to {len(topics)} topics with {len(codes)} codes"
        values = [code.value if isinstance(code, ReasonCode) else code for code in codes]
        refused = [topic for topic, value in zip(topics, values, strict=True) if value >= _FAILURE]
        return f"the broker refuses {', '.join(refused)}" if refused else None

    async def send(
        self, topic: str, payload: str, *, retain: bool = False, correlation: bytes | None = None
    ) -> Answer:
        """Wait for room in the window and hand a message over (QoS 1).

        Returns
        -------
        Answer
            Comes later; messages are answered in the order they were sent.

        Raises
        ------
        PublishRefusedError
            If the message is larger than the broker takes, or its topic is none.
        """
        await self._free.acquire()
        try:
            answer = self._client.begin(topic, payload, qos=1, retain=retain, correlation=correlation)
        except ValueError as error:
            self._free.release()
            raise PublishRefusedError(str(error), subject=topic) from error
        except PublishRefusedError:
            self._free.release()
            raise
        answer.add_done_callback(lambda _: self._free.release())
        return answer

    async def answered(self, answer: Answer) -> None:
        """Wait for an answer.

        Raises
        ------
        BrokerLostError
            If the connection went away or no answer came: the outcome is unknown.
        """
        if not answer.done():
            await asyncio.wait({answer}, timeout=ANSWER_S)
        if not answer.done():
            raise BrokerLostError(
                f"{answer.topic} was not acknowledged for {ANSWER_S:.0f} s; the outcome is unknown",
                subject=str(self._broker),
            )
        if answer.lost:
            raise self.lost()

    def tell(self, topic: str, payload: str) -> None:
        """Hand over a message nobody acknowledges (QoS 0); dropped where the connection is lost."""
        self._client.begin(topic, payload, qos=0)

    async def disconnect(self) -> None:
        """End the connection on purpose: no will is published."""
        await self._client.disconnect_in_order()
