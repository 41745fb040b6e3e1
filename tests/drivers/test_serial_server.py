"""Meters behind a real serial device server, which may go and come back."""

import asyncio
import socket
from pathlib import Path
from typing import Any
from unittest.mock import Mock

import pytest

from quietcell.contracts import MeterDriver
from quietcell.core.readings import Reading
from quietcell.errors import DriverBrokeError, DriverError, PortLostError, PortUnavailableError
from quietcell_drivers.line_poll import LinePoll, LinePollSettings
from quietcell_drivers.line_stream import LineStream, LineStreamSettings
from quietcell_drivers.machine_clock import MachineClock
from quietcell_drivers.port import PortListener, _SocketPort, open_port
from quietcell_drivers.port_settings import PortSettings
from quietcell_drivers.pseudo_terminal import PseudoTerminal
from tests.support.fetching import fetch
from tests.support.serial_server import SerialServer, needs_serial_server
from tests.support.until import PATIENCE_S
from tests.support.virtual_time import VirtualClock, run_virtually

FORMAT: dict[str, Any] = {"columns": ["mv", "temperature_c"]}


def streaming(port: str, **settings: Any) -> LineStream:
    return LineStream(LineStreamSettings.model_validate({"port": port, **FORMAT, **settings}), MachineClock())


async def talk(terminal: PseudoTerminal) -> None:
    """Send numbered lines for ever, as a meter that does not know whether anyone listens."""
    number = 0
    while True:
        try:
            terminal.write(f"-{number}.25;25.5\r\n".encode())
        except BlockingIOError:
            await asyncio.sleep(0)
        number += 1
        await asyncio.sleep(0.01)  # the meter's own pace


async def reopened(driver: MeterDriver) -> None:
    async with asyncio.timeout(PATIENCE_S):
        while True:
            try:
                await driver.open()
            except PortUnavailableError:
                await asyncio.sleep(0.05)
            else:
                return


@needs_serial_server
async def test_readings_through_a_serial_server_are_the_meter_s_and_go_on_after_it_was_killed(
    tmp_path: Path,
) -> None:
    terminal = PseudoTerminal(tmp_path)
    talking = asyncio.create_task(talk(terminal))
    with SerialServer(tmp_path, terminal.port) as server:
        driver = streaming(server.address)
        await driver.open()
        found: list[list[Reading]] = [await fetch(driver, 5)]
        for _ in range(2):
            server.kill()
            with pytest.raises(PortLostError, match="connection was closed"):
                await fetch(driver, 1000)
            await driver.close()
            with pytest.raises(PortUnavailableError, match="no connection"):
                await driver.open()
            server.start()
            await reopened(driver)
            found.append(await fetch(driver, 5))
        await driver.close()
    talking.cancel()
    await asyncio.wait({talking})
    terminal.unplug()
    for readings in found:
        assert all(reading.temperature_c == 25.5 for reading in readings)
        numbers = [-(reading.mv or 0) - 0.25 for reading in readings]
        assert numbers == [numbers[0] + n for n in range(len(numbers))]
    assert driver.counts.reasons == {}


@needs_serial_server
async def test_a_polled_meter_behind_a_serial_server_answers(tmp_path: Path) -> None:
    terminal = PseudoTerminal(tmp_path)
    asked = b""

    def answer() -> None:
        nonlocal asked
        asked += terminal.read()
        while b"?\r" in asked:
            _, asked = asked.split(b"?\r", 1)
            terminal.write(b"-59.25;25.5\r\n")

    asyncio.get_running_loop().add_reader(terminal.master, answer)
    with SerialServer(tmp_path, terminal.port) as server:
        given = {"port": server.address, "question": r"?\r", "interval_s": 0.02, "quiet_s": 0.05}
        driver = LinePoll(LinePollSettings.model_validate({**given, **FORMAT}), MachineClock())
        await driver.open()
        assert {reading.mv for reading in await fetch(driver, 3)} == {-59.25}
        await driver.close()
    asyncio.get_running_loop().remove_reader(terminal.master)
    terminal.unplug()


async def test_a_connection_that_went_dead_without_a_word_is_noticed() -> None:
    gone = asyncio.Event()

    async def accept(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(b"\n-1;25\n")
        await gone.wait()
        writer.close()

    server = await asyncio.start_server(accept, "127.0.0.1", 0)
    driver = streaming(f"socket://127.0.0.1:{server.sockets[0].getsockname()[1]}", max_silence_s=0.05)
    await driver.open()
    await fetch(driver, 1)
    with pytest.raises(PortLostError, match=r"nothing came over the connection for 0\.05 s"):
        await fetch(driver, 1)
    await driver.close()
    gone.set()
    server.close()
    await server.wait_closed()


async def test_tcp_itself_watches_over_every_connection() -> None:
    server = await asyncio.start_server(lambda _, writer: writer.close(), "127.0.0.1", 0)
    driver = streaming(f"socket://127.0.0.1:{server.sockets[0].getsockname()[1]}")
    await driver.open()
    assert driver._port is not None
    wire = driver._port._transport.get_extra_info("socket")  # type: ignore[attr-defined] # a socket's port
    assert wire.getsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE)
    longest_s = wire.getsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPIDLE) + wire.getsockopt(
        socket.IPPROTO_TCP, socket.TCP_KEEPINTVL
    ) * wire.getsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPCNT)
    assert longest_s <= 30
    await driver.close()
    server.close()
    await server.wait_closed()


async def test_a_mistake_in_taking_what_came_is_told_to_whoever_reads() -> None:
    class Mistaken:
        def __init__(self) -> None:
            self.told: asyncio.Future[DriverError] = asyncio.get_running_loop().create_future()

        def received(self, boot_ms: int, data: bytes) -> None:
            raise ValueError(f"{data!r} at {boot_ms}")

        def damaged(self, size: int) -> None:
            raise AssertionError(size)

        def lost(self, error: DriverError) -> None:
            self.told.set_result(error)  # a second time would be an error

    async def say(_reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(b"25.04")
        await gone.wait()
        writer.close()

    gone = asyncio.Event()
    server = await asyncio.start_server(say, "127.0.0.1", 0)
    listener = Mistaken()
    settings = PortSettings(port=f"socket://127.0.0.1:{server.sockets[0].getsockname()[1]}")
    port = await open_port(settings, MachineClock(), listener)
    error = await listener.told
    assert isinstance(error, DriverBrokeError)
    assert "the driver broke: ValueError: b'25.04'" in str(error)
    assert isinstance(error.__cause__, ValueError)
    port.close()
    gone.set()
    server.close()
    await server.wait_closed()


def test_a_server_that_sends_more_than_a_serial_line_carries_has_to_wait() -> None:
    async def flooded(clock: VirtualClock) -> None:
        transport, listener = Mock(spec=asyncio.Transport), Mock(spec=PortListener)
        taking = [True]
        transport.pause_reading.side_effect = taking.clear
        transport.resume_reading.side_effect = lambda: taking.append(True)
        transport.is_reading.side_effect = lambda: bool(taking)
        port = _SocketPort("socket://a:1", clock, listener, max_silence_s=0.5)
        port.connection_made(transport)
        port.data_received(b"7" * 50_000)  # what waited while we were busy
        assert transport.is_reading()
        port.data_received(b"7" * 250_000)
        port.resume()  # the driver wants more
        assert not transport.is_reading()
        await asyncio.sleep(1.9)
        assert not transport.is_reading()
        await asyncio.sleep(0.2)
        assert transport.is_reading()
        port.data_received(b"7" * 250_000)
        port.pause()
        await asyncio.sleep(10.0)
        assert not transport.is_reading()  # the driver does not want more
        port.resume()
        assert transport.is_reading()
        listener.lost.assert_not_called()
        port.close()

    run_virtually(flooded)
