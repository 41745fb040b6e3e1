"""The library's client as one connection needs it, and what is told through it.

Nothing here outlives its connection: no socket, no task, no late answer that would bring an abandoned
client back to life beside its successor.
"""

import asyncio
import logging
import re
import socket
import ssl
import threading
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

import aiomqtt
from paho.mqtt.client import ConnectFlags
from paho.mqtt.client import MQTTMessage as Message
from paho.mqtt.enums import MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from quietcell.errors import OutletError, spoken

WINDOW = 20
"""Messages in flight at once; fewer where the broker's Receive Maximum says so."""
DISCONNECT_S = 0.5
"""So long an orderly end may take."""
LARGEST_HEARD_BYTES = 64 * 1024
"""A broker that knows MQTT 5 passes on nothing larger."""
_CONFIRM_AT_ONCE: int | None = getattr(socket, "TCP_QUICKACK", None)
"""An option of Linux."""
_UNSPECIFIED, _TAKEN_OVER = 0x80, 0x8E
_MACHINERY = re.compile(r"failed to \w+ on socket: |\[[^]]*\] ?| \(_ssl[^)]*\)")
"""Of what the library complains: where it happened, and numbers."""
_HEADER_BYTES = 16
"""More than a publish adds to topic, payload and correlation data: fixed header, lengths, packet id."""


# The library breaks the connection off at a refusal whose code the standard has for other packets, such as
# "Packet too large", with which mosquitto 2.0 acknowledges what is beyond its message_size_limit.
ReasonCode.names = {
    code: {name: [*packets, PacketTypes.PUBACK] for name, packets in names.items()}
    if code >= _UNSPECIFIED and len(names) == 1
    else names
    for code, names in getattr(ReasonCode, "names", {}).items()  # older ones keep them elsewhere
}


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
        self.text = _MACHINERY.sub("", record.getMessage())


class LibraryClient(aiomqtt.Client):
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
        self._confirm_at_once()

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

    def _confirm_at_once(self) -> None:
        """Let the system confirm what came in: a broker may hold its next answer back until it does.

        Left to itself it waits some 40 ms for something to send along. It forgets the wish after each packet.
        """
        if _CONFIRM_AT_ONCE is not None and isinstance(sock := self._client.socket(), socket.socket):
            with suppress(OSError):
                sock.setsockopt(socket.IPPROTO_TCP, _CONFIRM_AT_ONCE, 1)

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

    async def open(self, answer_s: float) -> None:
        """Connect and wait for the broker's greeting, `answer_s` at most.

        Raises
        ------
        OSError, ValueError, aiomqtt.MqttError
            If the broker cannot be reached or refuses the connection.
        TimeoutError
            If it does not answer.
        """
        self._client.connect_timeout = answer_s
        await _in_own_thread(self._client_connect, undo=self.drop)
        if isinstance(sock := self._client.socket(), socket.socket):
            # Else a result waits until the broker's machine has confirmed the packet before it: some 40 ms.
            sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        waiting: set[asyncio.Future[None]] = {self._connected, self.gone}
        await asyncio.wait(waiting, timeout=answer_s, return_when=asyncio.FIRST_COMPLETED)
        if self._connected.done():
            self._connected.result()
        elif self.gone.done():
            why = f", {self.complaints.text}" if self.complaints.text else ""
            raise ConnectionError(f"closed by the broker before it answered{why}")
        else:
            raise TimeoutError

    @property
    def taken_over(self) -> bool:
        """Whether the broker says that another client connected by the same client id (MQTT 5 only)."""
        return self._reason == _TAKEN_OVER

    @property
    def explained(self) -> bool:
        """Whether a reason is known why the connection is gone."""
        return self._reason not in (None, _UNSPECIFIED)

    @property
    def _reason(self) -> int | None:
        return _code(self._told) if isinstance(self._told, aiomqtt.MqttCodeError) else None

    @property
    def _told(self) -> BaseException | None:
        return self._disconnected.exception() if self._disconnected.done() else None

    def why_gone(self) -> str:
        """Return why the connection is gone, in words."""
        told = self._told
        return in_words(told) if told is not None else self.complaints.text or "closed"

    def begin(
        self, topic: str, payload: str, *, qos: int, retain: bool = False, correlation: bytes | None = None
    ) -> Answer:
        """Hand a message to the socket; done at once where no answer can come."""
        answer = Answer(topic)
        if self.gone.done():
            answer.set_result(None)
            return answer
        if self.largest_bytes is not None:
            size = len(topic.encode()) + len(payload.encode()) + len(correlation or b"") + _HEADER_BYTES
            if size > self.largest_bytes:
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


def in_words(error: BaseException) -> str:
    """Return what the library, the system or the handshake says is wrong, without numbers of theirs."""
    if isinstance(error, ssl.SSLCertVerificationError):
        return f"certificate verify failed, {error.verify_message.rstrip('.')}"
    if isinstance(error, ssl.SSLError) and error.reason:
        return f"the handshake of TLS failed, {error.reason.lower().replace('_', ' ')}"
    if isinstance(error, aiomqtt.MqttCodeError):
        # What the library makes of an end without a word.
        return "the broker closed it" if _code(error) == _UNSPECIFIED else str(error).partition("] ")[2]
    return spoken(error) if isinstance(error, Exception) else str(error)


def _code(error: aiomqtt.MqttCodeError) -> int | None:
    return error.rc.value if isinstance(error.rc, ReasonCode) else error.rc


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
