"""A broker that misbehaves on demand: just enough MQTT 5 and 3.1.1 for a publishing client.

Packets after the OASIS standard "MQTT Version 5.0", section 3; 3.1.1 differs by its missing properties.
"""

import asyncio
import json
import socket
import struct
from collections.abc import Awaitable, Callable
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Self

from quietcell.core.records import Json
from tests.support.until import until

CONNECT, CONNACK, PUBLISH, PUBACK, SUBSCRIBE, SUBACK = 1, 2, 3, 4, 8, 9
PINGREQ, PINGRESP, DISCONNECT = 12, 13, 14
NOT_AUTHORISED, TAKEN_OVER, PACKET_TOO_LARGE = 0x87, 0x8E, 0x95


@dataclass(frozen=True, slots=True, kw_only=True)
class Publish:
    """One publish as it came."""

    topic: str
    payload: dict[str, Json]
    qos: int
    retain: bool
    again: bool
    """The flag that marks a repeat within one session."""
    packet: int
    connection: int


@dataclass(slots=True)
class Peer:
    """One client's connection; what a script may do to it."""

    number: int
    reader: asyncio.StreamReader
    writer: asyncio.StreamWriter
    version: int = 5
    client_id: str = ""
    clean: bool = False
    disconnected: bool = False
    """True once the client said goodbye in words."""

    def send(self, kind: int, body: bytes = b"") -> None:
        """Send one packet."""
        if not self.writer.is_closing():
            self.writer.write(bytes([kind << 4]) + _length(len(body)) + body)

    def accept(self, reason: int = 0, properties: bytes = b"") -> None:
        """Greet the client, or turn it away."""
        tail = _length(len(properties)) + properties if self.version == 5 else b""
        self.send(CONNACK, bytes([0, reason]) + tail)

    def acknowledge(self, publish: Publish, reason: int = 0) -> None:
        """Acknowledge a publish, or refuse it."""
        tail = bytes([reason]) if reason else b""
        self.send(PUBACK, struct.pack("!H", publish.packet) + tail)

    def take_over(self) -> None:
        """End the connection as if another client had come by the same client id."""
        self.send(DISCONNECT, bytes([TAKEN_OVER, 0]))
        self.close()

    def close(self) -> None:
        """Close the connection in order (FIN)."""
        self.writer.close()

    def reset(self) -> None:
        """Reset the connection (RST)."""
        self.writer.get_extra_info("socket").setsockopt(
            socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0)
        )
        self.writer.transport.abort()


async def accept(peer: Peer) -> None:
    """Greet every client."""
    peer.accept()


async def acknowledge(peer: Peer, publish: Publish) -> None:
    """Acknowledge every publish."""
    peer.acknowledge(publish)


async def values_only(peer: Peer, publish: Publish) -> None:
    """Acknowledge retained values, no records."""
    if publish.retain:
        peer.acknowledge(publish)


@dataclass(slots=True)
class ScriptedBroker:
    """Listens on a free port of the loopback and does what its two scripts say.

    What a script changes while the broker runs holds from the next packet on.
    """

    on_connect: Callable[[Peer], Awaitable[None]] = accept
    on_publish: Callable[[Peer, Publish], Awaitable[None]] = acknowledge
    answers_pings: bool = True
    granted: bytes = bytes([1, 1, 1])
    """Codes that answer a subscription, one a topic."""
    port: int = 0
    peers: list[Peer] = field(default_factory=list)
    published: list[Publish] = field(default_factory=list)
    """Everything that came, repeats and all."""
    _server: asyncio.Server | None = None
    _tasks: set[asyncio.Task[None]] = field(default_factory=set)

    async def __aenter__(self) -> Self:
        self._server = await asyncio.start_server(self._greet, "127.0.0.1", self.port)
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(self, *_: object) -> None:
        assert self._server is not None
        await self._all_have_arrived()
        self._server.close()
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        for peer in self.peers:
            peer.writer.close()

    def records(self, topic: str = "/determination") -> list[int]:
        """Return the numbers of the records that came on topics with this ending, repeats and all."""
        return [publish.payload["seq"] for publish in self.published if publish.topic.endswith(topic)]

    async def _all_have_arrived(self) -> None:
        """Come last: connections arrive in turn, and one half made when a server closes is lost to all."""
        _, last = await asyncio.open_connection("127.0.0.1", self.port)
        address = last.get_extra_info("sockname")
        await until(lambda: any(peer.writer.get_extra_info("peername") == address for peer in self.peers))
        last.close()

    def _greet(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Note the client at once: a task that is cancelled before it began could close nothing."""
        peer = Peer(len(self.peers) + 1, reader, writer)
        self.peers.append(peer)
        task = asyncio.create_task(self._listen(peer))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _listen(self, peer: Peer) -> None:
        with suppress(asyncio.IncompleteReadError, ConnectionError):
            while True:
                kind, flags, body = await _packet(peer.reader)
                await self._take(peer, kind, flags, body)
        peer.close()

    async def _take(self, peer: Peer, kind: int, flags: int, body: bytes) -> None:
        if kind == CONNECT:
            peer.version = 5 if body[6] == 5 else 4
            peer.clean = bool(body[7] & 2)
            at = _skip_properties(body, 10) if peer.version == 5 else 10
            peer.client_id = _text(body, at)[0]
            await self.on_connect(peer)
        elif kind == PUBLISH:
            publish = _publish(peer, flags, body)
            self.published.append(publish)
            if publish.qos:
                await self.on_publish(peer, publish)
        elif kind == SUBSCRIBE:
            peer.send(SUBACK, body[:2] + (b"\0" if peer.version == 5 else b"") + self.granted)
        elif kind == PINGREQ and self.answers_pings:
            peer.send(PINGRESP)
        elif kind == DISCONNECT:
            peer.disconnected = True
            peer.close()


def _publish(peer: Peer, flags: int, body: bytes) -> Publish:
    topic, at = _text(body, 0)
    qos = flags >> 1 & 3
    packet = 0
    if qos:
        (packet,) = struct.unpack_from("!H", body, at)
        at += 2
    if peer.version == 5:
        at = _skip_properties(body, at)
    return Publish(
        topic=topic,
        payload=json.loads(body[at:] or b"{}"),  # an empty one clears what stood on a topic
        qos=qos,
        retain=bool(flags & 1),
        again=bool(flags & 8),
        packet=packet,
        connection=peer.number,
    )


async def _packet(reader: asyncio.StreamReader) -> tuple[int, int, bytes]:
    """Read one packet: its kind, its flags and what follows the fixed header."""
    (first,) = await reader.readexactly(1)
    length = shift = 0
    while True:
        (digit,) = await reader.readexactly(1)
        length |= (digit & 127) << shift
        shift += 7
        if not digit & 128:
            return first >> 4, first & 15, await reader.readexactly(length)


def _length(number: int) -> bytes:
    """Return a variable byte integer."""
    digits = bytearray()
    while True:
        number, digit = divmod(number, 128)
        digits.append(digit | (128 if number else 0))
        if not number:
            return bytes(digits)


def _text(body: bytes, at: int) -> tuple[str, int]:
    (size,) = struct.unpack_from("!H", body, at)
    return body[at + 2 : at + 2 + size].decode(), at + 2 + size


def _skip_properties(body: bytes, at: int) -> int:
    """Return where the properties end; none that a test needs to read are sent."""
    length = shift = 0
    while True:
        digit = body[at]
        at += 1
        length |= (digit & 127) << shift
        shift += 7
        if not digit & 128:
            return at + length
