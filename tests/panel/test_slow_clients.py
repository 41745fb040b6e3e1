"""Over real sockets: who sends in drops or takes nothing is cut off, who comes too late is refused."""

import asyncio
import socket
from collections.abc import AsyncIterator
from contextlib import suppress
from pathlib import Path

import pytest
import uvicorn

from quietcell.panel.access import Access
from quietcell.panel.app import panel_app
from quietcell.panel.protocol import ImpatientProtocol
from tests.panel.test_http import BEARER, TOKEN, FakeSource
from tests.support.until import until

OPEN = b"GET /api/events HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"


class Served:
    """The page on a port of its own, in this loop."""

    def __init__(self, source: FakeSource) -> None:
        self.source = source
        app = panel_app(source, Access(token=TOKEN, names=(), host="127.0.0.1"))
        self.server = uvicorn.Server(
            uvicorn.Config(
                app, port=0, http=ImpatientProtocol, log_level="error", timeout_graceful_shutdown=1
            )
        )
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self._task = asyncio.create_task(self.server.serve([self._listener]))
        self._writers: list[asyncio.StreamWriter] = []

    async def open(self, text: bytes) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
        """Connect and send something."""
        await until(lambda: self.server.started)
        reader, writer = await asyncio.open_connection("127.0.0.1", self.port)
        self._writers.append(writer)
        writer.write(text)
        return reader, writer

    @property
    def connections(self) -> int:
        """How many connections it holds."""
        return len(self.server.server_state.connections)

    async def close(self) -> None:
        """End it."""
        for writer in self._writers:
            writer.close()
            with suppress(ConnectionError):
                await writer.wait_closed()
        self.server.should_exit = True
        await self._task


async def to_the_end(reader: asyncio.StreamReader) -> bytes:
    """Return everything that comes until the connection ends, however it ends."""
    answer = b""
    with suppress(ConnectionError):
        while part := await reader.read(1000):
            answer += part
    return answer


@pytest.fixture
async def served(tmp_path: Path) -> AsyncIterator[Served]:
    served = Served(FakeSource(tmp_path))
    yield served
    await served.close()


@pytest.mark.parametrize(
    "text",
    [
        b"",
        b"GET /api/live HTTP/1.1\r\nHost: 127.",
        b"POST /api/commands/note HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 99\r\n"
        + f"Authorization: {BEARER['authorization']}\r\n\r\n{{".encode(),
    ],
)
async def test_a_request_that_comes_in_drops_is_cut_off(
    served: Served, text: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("quietcell.panel.protocol.REQUEST_S", 0.2)
    reader, writer = await served.open(text)

    async def drip() -> int:
        for drops in range(99):
            if writer.is_closing():
                return drops
            writer.write(b"x")
            await asyncio.sleep(0.02)
        return 99

    drops, answer = await asyncio.gather(drip(), to_the_end(reader))
    assert drops < 99
    assert answer == b""
    assert served.source.asked == []
    await until(lambda: not served.connections)


async def test_a_whole_request_keeps_its_connection(served: Served, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("quietcell.panel.protocol.REQUEST_S", 0.2)
    reader, writer = await served.open(OPEN)
    assert (await reader.readuntil(b"\r\n\r\n")).startswith(b"HTTP/1.1 200")
    await asyncio.sleep(0.5)  # well past the deadline of the request
    assert await reader.readuntil(b"data: ")
    assert served.connections == 1
    writer.close()
    await until(lambda: not served.connections)


async def test_a_client_that_takes_nothing_is_cut_off(
    served: Served, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("quietcell.panel.protocol.ANSWER_S", 0.2)
    monkeypatch.setattr("quietcell.panel.streams.LOOK_S", 0.001)
    assert served.source.answer is not None
    served.source.answer["padding"] = "x" * 100_000
    await until(lambda: served.server.started)
    with socket.socket() as deaf:
        deaf.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        deaf.setblocking(False)
        loop = asyncio.get_running_loop()
        await loop.sock_connect(deaf, ("127.0.0.1", served.port))
        await loop.sock_sendall(deaf, OPEN)
        await until(lambda: served.connections == 1)
        await until(lambda: not served.connections)


async def test_one_stream_too_many_is_refused(served: Served, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("quietcell.panel.streams.MOST_STREAMS", 3)
    told = []
    for _ in range(4):
        reader, _writer = await served.open(OPEN)
        told.append((await reader.readuntil(b"\r\n\r\n")).split(b"\r\n")[0])
    assert told == [*3 * [b"HTTP/1.1 200 OK"], b"HTTP/1.1 503 Service Unavailable"]


async def test_headers_without_end_are_refused(served: Served) -> None:
    reader, _ = await served.open(b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX: " + b"x" * 200_000)
    assert (await to_the_end(reader))[:12] in {
        b"HTTP/1.1 400",
        b"",
    }  # told so, or cut off in the middle of it
    await until(lambda: not served.connections)
