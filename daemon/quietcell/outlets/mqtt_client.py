"""One connection to a broker behind a narrow interface: publish and know what became of it."""

import asyncio
import ssl
from dataclasses import dataclass
from types import TracebackType
from typing import Any, Self

import aiomqtt
from paho.mqtt.enums import MQTTErrorCode
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from quietcell.errors import OutletError


class BrokerLostError(OutletError):
    """The connection is gone; what was in flight may or may not have arrived."""


class PublishRefusedError(OutletError):
    """The broker said no to one message; sending it again would not help."""

    retryable = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Broker:
    """Where and how to connect."""

    host: str
    port: int = 1883
    client_id: str = "quietcell"
    protocol: str = "5"
    """``5`` or ``3.1.1``; the older cannot tell a refused message from a delivered one."""
    username: str | None = None
    password: str | None = None
    tls: ssl.SSLContext | None = None
    keepalive_s: int = 30


class _AnsweringClient(aiomqtt.Client):
    """The library's client, made to tell what the broker answered.

    The library drops the reason code of an acknowledgement, so a refused message would look
    delivered. Overriding this one callback keeps it; a test against a refusing broker fails if that
    ever stops working.
    """

    def watch_answers(self) -> None:
        """Prepare to keep answers."""
        self.answers: dict[int, asyncio.Future[ReasonCode]] = {}

    def begin_publish(
        self, topic: str, payload: str, *, qos: int, retain: bool
    ) -> asyncio.Future[ReasonCode] | None:
        """Hand a message to the socket; the future holds the broker's answer (none for QoS 0)."""
        info = self._client.publish(topic, payload, qos, retain)
        if info.rc != MQTTErrorCode.MQTT_ERR_SUCCESS:
            raise BrokerLostError(f"not sent: {info.rc.name}", subject=topic)
        if qos == 0:
            return None
        # No await since the message was handed over: its answer can't have been dispatched yet.
        answer: asyncio.Future[ReasonCode] = asyncio.get_running_loop().create_future()
        self.answers[info.mid] = answer
        return answer

    def _on_publish(
        self, client: Any, userdata: Any, mid: int, reason_code: ReasonCode, properties: Properties
    ) -> None:
        answer = self.answers.pop(mid, None)
        if answer is not None and not answer.done():
            answer.set_result(reason_code)
        super()._on_publish(client, userdata, mid, reason_code, properties)


class BrokerConnection:
    """A connection for one `async with`.

    Never entered twice: the library would send again what an earlier connection gave up.

    Parameters
    ----------
    broker : Broker
        Where to.
    will : (topic, payload)
        Published retained by the broker when the connection is lost.
    publish_timeout_s : float
        After so long without an answer a publish counts as lost.
    """

    def __init__(self, broker: Broker, *, will: tuple[str, str], publish_timeout_s: float = 10.0) -> None:
        self._broker = broker
        self._timeout_s = publish_timeout_s
        self._client = _AnsweringClient(
            broker.host,
            broker.port,
            identifier=broker.client_id,
            protocol=aiomqtt.ProtocolVersion.V5 if broker.protocol == "5" else aiomqtt.ProtocolVersion.V311,
            username=broker.username,
            password=broker.password,
            tls_context=broker.tls,
            keepalive=broker.keepalive_s,
            will=aiomqtt.Will(will[0], will[1], qos=1, retain=True),
            clean_session=None if broker.protocol == "5" else True,
            max_inflight_messages=200,
        )
        self._client.watch_answers()
        self._watch: asyncio.Task[None] | None = None

    async def __aenter__(self) -> Self:
        """Connect.

        Raises
        ------
        BrokerLostError
            If the broker cannot be reached or refuses the connection.
        """
        try:
            await self._client.__aenter__()
        except (aiomqtt.MqttError, OSError, TimeoutError) as error:
            raise BrokerLostError(
                f"cannot connect: {error}",
                subject=f"broker {self._broker.host}:{self._broker.port}",
                hint="Check host, port, credentials and that the broker runs",
            ) from error
        self._watch = asyncio.create_task(self._until_lost(), name="broker watch")
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Disconnect in order, or let go of a lost connection."""
        if self._watch is not None:
            self._watch.cancel()
            await asyncio.gather(self._watch, return_exceptions=True)
        try:
            await self._client.__aexit__(None, None, None)
        except (aiomqtt.MqttError, OSError):
            return

    async def _until_lost(self) -> None:
        """End when the connection is lost: the library does not wake a waiting publish by itself."""
        try:
            async for _ in self._client.messages:
                pass
        except aiomqtt.MqttError:
            return

    async def publish(self, topic: str, payload: str, *, qos: int = 1, retain: bool = False) -> None:
        """Send one message; returns once the broker has acknowledged it.

        Raises
        ------
        BrokerLostError
            If the connection went away or no answer came: the outcome is unknown.
        PublishRefusedError
            If the broker refused it (told by MQTT 5 only).
        """
        watch = self._watch
        if watch is None or watch.done():
            raise BrokerLostError("connection lost", subject=topic)
        answer = self._client.begin_publish(topic, payload, qos=qos, retain=retain)
        if answer is None:
            return
        waiting: set[asyncio.Future[Any]] = {answer, watch}
        await asyncio.wait(waiting, return_when=asyncio.FIRST_COMPLETED, timeout=self._timeout_s)
        if not answer.done():
            answer.cancel()
            raise BrokerLostError("no acknowledgement came; the outcome is unknown", subject=topic)
        reason = answer.result()
        if reason.is_failure:
            raise PublishRefusedError(
                f"the broker refused the message: {reason}",
                subject=topic,
                hint="Check the broker's access rules for this topic and user",
            )
