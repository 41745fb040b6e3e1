"""One connection to a broker behind a narrow interface: send, and know what became of it.

Nothing here waits longer than it says, and nothing outlives its connection: no socket, no task, no late
answer that would bring an abandoned client back to life beside its successor.
"""

import asyncio
import logging
import ssl
import threading
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from types import TracebackType
from typing import Any, Self

import aiomqtt
from paho.mqtt.client import ConnectFlags
from paho.mqtt.client import MQTTMessage as Message
from paho.mqtt.enums import MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from quietcell.errors import OutletError

WINDOW = 20
"""Messages in flight at once; fewer where the broker's Receive Maximum says so."""
ANSWER_S = 10.0
"""A broker that leaves a message or a connection unanswered for so long counts as lost."""
DISCONNECT_S = 0.5
"""So long an orderly end may take."""
LARGEST_HEARD_BYTES = 64 * 1024
"""A broker that knows MQTT 5 passes on nothing larger."""
_HEADER_BYTES = 16
"""More than a publish adds to topic, payload and correlation data: fixed header, lengths, packet id."""
_FAILURE = 0x80
"""Answers from here on are refusals."""


class BrokerLostError(OutletError):
    """The connection is gone; what was in flight may or may not have arrived."""

    closed = False
    """True where the other end closed it, rather than falling silent."""


class PublishRefusedError(OutletError):
    """The broker takes this message never; sending it again would not help."""

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

    def __str__(self) -> str:
        """Return host and port."""
        return f"broker {self.host}:{self.port}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """A message somebody else published."""

    topic: str
    payload: bytes
    retained: bool
    response_topic: str | None = None
    correlation: bytes | None = None
    """What the sender wants back with an answer."""
    done: Callable[[], None] = lambda: None
    """To be called once it has been dealt with: the broker holds back what is too much at once."""


class Answer(asyncio.Future[ReasonCode | None]):
    """What the broker says to one message; None when the connection was lost before it said anything."""

    def __init__(self, topic: str) -> None:
        super().__init__()
        self.topic = topic

    @property
    def lost(self) -> bool:
        """True when nobody knows whether the message arrived."""
        return self.done() and self.result() is None

    @property
    def refusal(self) -> str | None:
        """Why the broker refuses the message, or None (told by MQTT 5 only)."""
        reason = self.result() if self.done() else None
        if reason is None or not reason.is_failure:
            return None
        return f"{self.topic}: the broker answers {reason}"


class _LastError(logging.Handler):
    """Keeps the library's last complaint, which no exception carries (a certificate asked for, say)."""

    text = ""

    def emit(self, record: logging.LogRecord) -> None:
        self.text = record.getMessage()


class _Client(aiomqtt.Client):
    """The library's client for one connection, opened and closed here and not by its own `async with`.

    That one lets a connection attempt live on after a time-out, waits on a pool that a stop would have
    to wait for as well, and takes up to ten seconds to leave. Four callbacks are overridden because the
    library drops what they tell: the reason in an acknowledgement, the limits in the broker's greeting,
    the closing of the socket; and because it watches a socket for writing one turn of the loop late, by
    when its number may belong to another file. Tests fail if any of them is no longer called.
    """

    def __init__(self, broker: Broker, *, will: tuple[str, str]) -> None:
        self.complaints = _LastError(logging.ERROR)
        logger = logging.Logger("mqtt connection")  # noqa: LOG001 # one a connection, in no tree: nothing is printed
        logger.setLevel(self.complaints.level)  # a line for every packet would be built for nobody
        logger.addHandler(self.complaints)
        super().__init__(
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
            properties=_greeting() if broker.protocol == "5" else None,
            max_inflight_messages=4 * WINDOW,  # the window is kept here; the library must not queue
            logger=logger,
        )
        self._client.manual_ack_set(True)  # noqa: FBT003 # the library's
        self.answers: dict[int, Answer] = {}
        self.hear: Callable[[Heard], None] | None = None
        """Told of every message that comes in."""
        self.window = WINDOW
        self.largest_bytes: int | None = None
        """Largest packet the broker takes, where it says."""
        self.gone: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        """Done when the connection is lost or closed."""
        self._disconnected.add_done_callback(self._set_gone)

    # --- overridden callbacks ------------------------------------------------------------------

    def _on_connect(
        self,
        client: Any,
        userdata: Any,
        flags: ConnectFlags,
        reason_code: ReasonCode,
        properties: Properties | None = None,
    ) -> None:
        self.window = min(WINDOW, getattr(properties, "ReceiveMaximum", WINDOW))
        self.largest_bytes = getattr(properties, "MaximumPacketSize", None)
        super()._on_connect(client, userdata, flags, reason_code, properties)

    def _on_publish(
        self, client: Any, userdata: Any, mid: int, reason_code: ReasonCode, properties: Properties
    ) -> None:
        answer = self.answers.pop(mid, None)
        if answer is not None and not answer.done():
            answer.set_result(reason_code)
        super()._on_publish(client, userdata, mid, reason_code, properties)

    def _on_message(self, client: Any, userdata: Any, message: Message) -> None:  # noqa: ARG002 # the library's signature
        def done() -> None:
            if message.qos and not self.gone.done():
                self._client.ack(message.mid, message.qos)

        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = ""
        if self.hear is None or not topic:
            done()
            return
        properties = getattr(message, "properties", None)
        self.hear(
            Heard(
                topic=topic,
                payload=bytes(message.payload),
                retained=message.retain,
                response_topic=getattr(properties, "ResponseTopic", None),
                correlation=getattr(properties, "CorrelationData", None),
                done=done,
            )
        )

    def _on_socket_close(self, client: Any, userdata: Any, sock: Any) -> None:
        super()._on_socket_close(client, userdata, sock)
        self._set_gone(self._disconnected)

    def _on_socket_register_write(self, client: Any, userdata: Any, sock: Any) -> None:  # noqa: ARG002 # the library's signature
        def watch() -> None:
            if sock.fileno() >= 0:
                self._loop.add_writer(sock.fileno(), self._write)

        try:
            asyncio.get_running_loop()
        except RuntimeError:  # in the thread that connects
            self._loop.call_soon_threadsafe(watch)
        else:
            watch()

    # --- a connection's life -------------------------------------------------------------------

    def _write(self) -> None:
        try:
            self._client.loop_write()
        except Exception as error:  # noqa: BLE001 # whatever it is, the connection is of no more use
            self.complaints.text = str(error)
            self.drop()

    def _set_gone(self, told: asyncio.Future[None]) -> None:
        if told.done():
            told.exception()  # seen, whether anybody asks or not
        if not self.gone.done():
            self.gone.set_result(None)
        for answer in self.answers.values():
            if not answer.done():
                answer.set_result(None)
        self.answers.clear()

    async def open(self) -> None:
        """Connect and wait for the broker's greeting.

        Raises
        ------
        OSError, ValueError, aiomqtt.MqttError
            If the broker cannot be reached or refuses the connection.
        TimeoutError
            If it does not answer.
        """
        await _in_own_thread(self._client_connect, undo=self.drop)
        waiting: set[asyncio.Future[None]] = {self._connected, self.gone}
        await asyncio.wait(waiting, timeout=ANSWER_S, return_when=asyncio.FIRST_COMPLETED)
        if self._connected.done():
            self._connected.result()
        elif self.gone.done():
            raise ConnectionError(f"closed by the broker before it answered {self.complaints.text}".rstrip())
        else:
            raise TimeoutError

    def why_gone(self) -> str:
        """Return why the connection is gone, in words."""
        told = self._disconnected.exception() if self._disconnected.done() else None
        return str(told) if told is not None else self.complaints.text or "closed"

    def begin(
        self, topic: str, payload: str, *, qos: int, retain: bool = False, correlation: bytes | None = None
    ) -> Answer:
        """Hand a message to the socket; done at once where no answer can come."""
        answer = Answer(topic)
        if self.gone.done():
            answer.set_result(None)
            return answer
        size = len(topic.encode()) + len(payload.encode()) + len(correlation or b"") + _HEADER_BYTES
        if self.largest_bytes is not None and size > self.largest_bytes:
            raise PublishRefusedError(
                f"{size} bytes are more than the {self.largest_bytes} the broker takes", subject=topic
            )
        properties = None
        if correlation is not None:
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call] # the library's own
            properties.CorrelationData = correlation
        info = self._client.publish(topic, payload, qos, retain, properties)
        if qos == 0 or info.rc != MQTTErrorCode.MQTT_ERR_SUCCESS:
            answer.set_result(None)
        else:
            # No await since the message was handed over: its answer can't have been dispatched yet.
            self.answers[info.mid] = answer
        return answer

    async def disconnect_in_order(self) -> None:
        """Say that the connection ends on purpose, so that the broker drops the will."""
        self._client.disconnect()
        await asyncio.wait({self.gone}, timeout=DISCONNECT_S)

    def drop(self) -> None:
        """Close the socket without a word, whatever state it is in; the broker then publishes the will."""
        self._client._sock_close()  # noqa: SLF001 # nothing public closes a socket that takes no bytes
        self._set_gone(self._disconnected)

    async def end(self) -> None:
        """Drop what is left of the connection and wait for the library's task."""
        self.drop()
        if self._connected.done():
            self._connected.exception()  # seen
        if self._misc_task is not None:
            self._misc_task.cancel()
            await asyncio.wait({self._misc_task})


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
        self._client = _Client(broker, will=will)
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
                await self._client.open()
            except BaseException:
                await self._client.end()
                raise
        except TimeoutError as error:
            raise BrokerLostError(
                f"no answer for {ANSWER_S:.0f} s",
                subject=str(self._broker),
                hint=f"Check that an MQTT {self._broker.protocol} broker listens there",
            ) from error
        except (aiomqtt.MqttError, OSError, ValueError) as error:
            raise BrokerLostError(
                f"cannot connect: {error}",
                subject=str(self._broker),
                hint="Check host, port, credentials, certificates and that the broker runs",
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
        error = BrokerLostError(f"connection lost: {self._client.why_gone()}", subject=str(self._broker))
        error.closed = True
        return error

    async def listen(self, topics: Sequence[str], hear: Callable[[Heard], None]) -> str | None:
        """Subscribe to topics; what the broker keeps of old messages is not asked for.

        Returns
        -------
        str or None
            Why the broker refuses one of them.

        Raises
        ------
        BrokerLostError
            If it does not answer.
        """
        self._client.hear = hear
        options = SubscribeOptions(qos=1, noLocal=True, retainHandling=SubscribeOptions.RETAIN_DO_NOT_SEND)
        try:
            if self._broker.protocol == "5":
                codes = await self._client.subscribe([(t, options) for t in topics], timeout=ANSWER_S)
            else:
                codes = await self._client.subscribe([(t, 1) for t in topics], timeout=ANSWER_S)
        except aiomqtt.MqttError as error:
            raise BrokerLostError(f"cannot subscribe: {error}", subject=str(self._broker)) from error
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


def _greeting() -> Properties:
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call] # the library's own
    properties.MaximumPacketSize = LARGEST_HEARD_BYTES
    properties.ReceiveMaximum = WINDOW
    return properties


async def _in_own_thread(work: Callable[[], None], *, undo: Callable[[], None]) -> None:
    """Run something that may block for long (a name server, a handshake) and can be left at any time.

    A pool's thread would have to end before the program can. When left, the work ends by itself and is
    then undone.
    """
    loop = asyncio.get_running_loop()
    done: asyncio.Future[None] = loop.create_future()

    def finish(error: Exception | None) -> None:
        if done.cancelled():
            undo()
        elif error is None:
            done.set_result(None)
        else:
            done.set_exception(error)

    def run() -> None:
        error: Exception | None = None
        try:
            work()
        except Exception as caught:  # noqa: BLE001 # handed to the one who waits
            error = caught
        try:
            loop.call_soon_threadsafe(finish, error)
        except RuntimeError:  # the loop has ended
            with suppress(RuntimeError, OSError):
                undo()

    threading.Thread(target=run, name="broker connect", daemon=True).start()
    await done
