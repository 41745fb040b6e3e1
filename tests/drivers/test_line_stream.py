"""The streaming driver over a pseudo-terminal and over TCP."""

import asyncio
import contextlib
import errno
import grp
import os
import subprocess
from pathlib import Path
from typing import Any
from unittest.mock import Mock

import pytest
import serial
from pydantic import ValidationError

from quietcell.contracts import MeterDriver
from quietcell.core.readings import NO_FLAG, Flag, Reading
from quietcell.errors import PortLostError, PortUnavailableError
from quietcell_drivers import port as port_module
from quietcell_drivers.line_stream import TOO_MANY, LineStream, LineStreamSettings
from quietcell_drivers.machine_clock import MachineClock
from quietcell_drivers.port import Port
from quietcell_drivers.pseudo_terminal import PseudoTerminal
from quietcell_drivers.waiting_readings import MOST_WAITING
from tests.support.clocks import HeldClock
from tests.support.fetching import fetch, mv_and_temperature
from tests.support.until import PATIENCE_S, until
from tests.support.virtual_time import VirtualClock, run_virtually

LINES = b"-102.31;25.04\n-102.30;25.05\n-102.29;25.06\n"


def make(port: str, clock: HeldClock | MachineClock | None = None, **settings: Any) -> LineStream:
    settings = {"columns": ["mv", "temperature_c"], **settings}
    return LineStream(LineStreamSettings(port=port, **settings), clock or MachineClock())


def fed(*chunks: tuple[float, bytes], **settings: Any) -> LineStream:
    """Return a driver that took each chunk so many seconds after the one before; no port involved."""
    clock = HeldClock()
    driver = make("unused", clock, **settings)
    for seconds, data in chunks:
        clock.advance(seconds)
        driver.received(clock.boot_ms(), data)
    return driver


async def flags_of(driver: LineStream) -> list[Flag]:
    driver._port = port_module._SocketPort("unused", HeldClock(), driver)
    return [reading.flags for reading in await driver.read()]


async def test_lines_become_readings(terminal: PseudoTerminal) -> None:
    driver: MeterDriver = make(terminal.port)
    await driver.open()
    try:
        terminal.write(b"04\n" + LINES)
        readings = await fetch(driver, 3)
    finally:
        await driver.close()
    assert mv_and_temperature(readings) == [(-102.31, 25.04), (-102.30, 25.05), (-102.29, 25.06)]
    assert driver.counts.readings == 3
    assert driver.counts.discarded_bytes == 3


@pytest.mark.parametrize("offset", range(1, len(LINES) - 1))
async def test_opening_at_any_offset_yields_no_cut_line(offset: int) -> None:
    driver = fed((0.1, LINES[offset:]))
    whole = [(-102.31, 25.04), (-102.30, 25.05), (-102.29, 25.06)]
    begun = LINES[:offset].count(b"\n")
    driver._port = port_module._SocketPort("unused", HeldClock(), driver)
    expected = whole[begun + 1 :]
    readings = await driver.read() if expected else ()
    assert mv_and_temperature(readings) == expected


async def test_every_opening_discards_up_to_the_first_terminator(terminal: PseudoTerminal) -> None:
    driver = make(terminal.port)
    for _ in range(2):
        await driver.open()
        terminal.write(b"2.31;25.04\n-102.30;25.05\n")
        assert mv_and_temperature(await fetch(driver, 1)) == [(-102.30, 25.05)]
        assert driver.counts.discarded_bytes == 11
        await driver.close()


async def test_readings_are_stamped_when_received(terminal: PseudoTerminal) -> None:
    clock = HeldClock(boot_ms=5_000)
    driver = make(terminal.port, clock)
    await driver.open()
    terminal.write(b"\n-102.31;25.04\n")
    first = await fetch(driver, 1)
    clock.advance(1.234)
    terminal.write(b"-102.30;25.04\n")
    second = await fetch(driver, 1)
    await driver.close()
    assert [r.boot_ms for r in first + second] == [5_000, 6_234]


async def test_lines_that_come_at_once_after_a_stall_are_flagged() -> None:
    driver = fed((0.1, b"\n1;1\n"), (1.0, b"2;2\n"), (3.0, b"3;3\n4;4\n5;"), (0.001, b"5\n"), (1.0, b"6;6\n"))
    assert await flags_of(driver) == [NO_FLAG, NO_FLAG, Flag.BURST, Flag.BURST, Flag.BURST, NO_FLAG]


async def test_one_line_after_a_stall_is_only_late_not_a_burst() -> None:
    assert await flags_of(fed((0.1, b"\n1;1\n"), (60.0, b"2;2\n"))) == [NO_FLAG, NO_FLAG]


@pytest.mark.parametrize(
    ("message", "settings"),
    [
        (b"\r\n25.1;21.0\r\n", {}),
        (b"25.1;21.0\r\nOK\r\n", {"ignore": "OK"}),
        (b"E25.1\nT21.0\n", {"columns": [], "pattern": "E(?P<mv>.+)|T(?P<temperature_c>.+)", "carry_s": 5.0}),
    ],
)
async def test_a_line_that_comes_along_with_each_reading_makes_no_burst(
    message: bytes, settings: dict[str, Any]
) -> None:
    driver = fed((0.0, b"\n"), (1.0, message), (1.0, message), **settings)
    assert await flags_of(driver) == [NO_FLAG, NO_FLAG]
    driver = fed((0.0, b"\n"), (3.0, message + message), **settings)
    assert await flags_of(driver) == [Flag.BURST, Flag.BURST]


async def test_lines_that_come_at_once_without_a_stall_are_not_flagged() -> None:
    assert await flags_of(fed((0.1, b"\n1;1\n"), (0.4, b"2;2\n3;3\n"))) == [NO_FLAG] * 3


async def test_the_stall_is_a_setting() -> None:
    chunks = ((0.1, b"\n1;1\n"), (0.4, b"2;2\n3;3\n"))
    assert await flags_of(fed(*chunks, stall_s=0.2)) == [NO_FLAG, Flag.BURST, Flag.BURST]


@pytest.mark.parametrize(
    ("junk", "reason"),
    [
        (b"\xfe\x81;!!\n", "not a number"),
        (b"-102.31\n", "another number of fields than the 2 of columns"),
        (b"9" * 300 + b"\n", "longer than max_line_bytes"),
        (b"-10\x00;25\n", "damaged on the line"),
    ],
)
async def test_junk_is_counted_and_flags_the_next_reading_only(junk: bytes, reason: str) -> None:
    driver = fed((0.1, b"\n1;1\n"), (0.1, junk), (0.1, b"2;2\n3;3\n"))
    assert await flags_of(driver) == [NO_FLAG, Flag.AFTER_ERROR, NO_FLAG]
    assert driver.counts.reasons == {reason: 1}
    assert driver.counts.discarded_bytes >= len(junk) - 1


async def test_the_last_bad_line_is_kept_printable_and_short() -> None:
    driver = fed((0.1, b"\n1\x1b[31m" + b"x" * 200 + b"\n"))
    shown = driver.counts.last_bad_line
    assert shown.isprintable()
    assert shown.startswith(r"1\x1b[31mxx")
    assert len(shown) < 100


async def test_blank_lines_are_neither_readings_nor_faults() -> None:
    driver = fed((0.1, b"\r\n\r\n1;1\r\n\r\n2;2\r\n"))
    assert await flags_of(driver) == [NO_FLAG, NO_FLAG]
    assert driver.counts.reasons == {}


async def test_a_chunk_with_a_line_error_is_discarded_with_the_line_it_cuts() -> None:
    driver = fed((0.1, b"\n1;1\n2;"))
    driver.damaged(7)
    driver.received(1_000_200, b"3;3\n4;4\n")
    assert await flags_of(driver) == [NO_FLAG, Flag.AFTER_ERROR]
    assert driver.counts.reasons == {"damaged on the line": 1}


async def test_the_line_s_own_error_counts_are_watched(
    terminal: PseudoTerminal, monkeypatch: pytest.MonkeyPatch
) -> None:
    faults = [0]
    monkeypatch.setattr(port_module._SerialPort, "_fault_counts", lambda _: (faults[0],))
    driver = make(terminal.port)
    await driver.open()
    terminal.write(b"\n1;1\n")
    await fetch(driver, 1)
    faults[0] = 1
    terminal.write(b"2;2\n")
    async with asyncio.timeout(PATIENCE_S):
        while not driver._framer._skipped:  # noqa: ASYNC110 - discarding is not announced
            await asyncio.sleep(0)
    terminal.write(b"3;3\n4;4\n")
    readings = await fetch(driver, 1)
    await driver.close()
    assert [(r.mv, r.flags) for r in readings] == [(4.0, Flag.AFTER_ERROR)]


async def test_silence_ends_a_line_without_terminator(terminal: PseudoTerminal) -> None:
    driver = make(terminal.port, terminator="", gap_s=0.02)
    await driver.open()
    values = []
    for _ in range(3):
        await asyncio.sleep(0.05)  # the silence itself is what is tested
        terminal.write(b"-102.31;25.04")
        values += mv_and_temperature(await fetch(driver, 1))
    await driver.close()
    assert values == [(-102.31, 25.04)] * 3


@pytest.mark.parametrize(
    ("content", "readings", "reasons"),
    [
        (b"-102.31;25.04-102.30;25.05", [(-102.31, 25.04), (-102.30, 25.05)], {}),
        (b"-102.31;25.04\r -102.30;25.05", [(-102.31, 25.04), (-102.30, 25.05)], {}),
        # Where the first ends and the second begins can't be told.
        (b"102.31;25.04102.30;25.05", [], {"another number of fields than the 2 of columns": 1}),
    ],
)
async def test_two_messages_whose_gap_was_missed_are_two_readings_if_they_can_be_told_apart(
    content: bytes, readings: list[tuple[float, float]], reasons: dict[str, int]
) -> None:
    driver = fed((0.1, b""), terminator="", gap_s=0.01)
    driver._fell_silent()
    driver.received(1_000_200, content)
    driver._fell_silent()
    driver.received(1_001_200, b"-1;2")
    driver._fell_silent()
    driver._port = port_module._SocketPort("unused", HeldClock(), driver)
    found = await driver.read()
    assert mv_and_temperature(found[:-1]) == readings
    assert all(reading.flags == Flag.BURST for reading in found[:-1])
    assert driver.counts.reasons == reasons


async def test_a_cancelled_read_loses_nothing(terminal: PseudoTerminal) -> None:
    driver = make(terminal.port)
    await driver.open()
    terminal.write(b"\n")
    received: list[Reading] = []
    for i in range(50):
        reading = asyncio.ensure_future(driver.read())
        await asyncio.sleep(0)
        terminal.write(f"{i};25\n".encode())
        if i % 2:
            await asyncio.sleep(0)
        if not reading.cancel():
            received += reading.result()
            continue
        with contextlib.suppress(asyncio.CancelledError):
            received += await reading
    received += await fetch(driver, 50 - len(received))
    await driver.close()
    assert [r.mv for r in received] == [float(i) for i in range(50)]


async def test_what_never_ends_is_counted_as_it_comes(terminal: PseudoTerminal) -> None:
    driver = make(terminal.port)
    await driver.open()
    for _ in range(3):
        terminal.write(b"-102.31;25.04\r")
    await until(lambda: driver.counts.discarded_bytes >= 3 * 14 - 1)
    terminal.write(b"\n-102.30;25.05\n")
    assert mv_and_temperature(await fetch(driver, 1)) == [(-102.30, 25.05)]
    assert driver.counts.discarded_bytes == 3 * 14 + 1
    await driver.close()


async def test_pulling_the_plug_yields_what_came_and_then_says_so(terminal: PseudoTerminal) -> None:
    driver = make(terminal.port)
    await driver.open()
    terminal.write(b"\n1;1\n2;")
    await fetch(driver, 1)
    terminal.unplug()
    with pytest.raises(PortLostError, match="went away"):
        await fetch(driver, 1)
    await driver.close()
    with pytest.raises(PortUnavailableError, match="there is no such port"):
        await driver.open()
    terminal.plug()
    await driver.open()
    terminal.write(b";1\n3;3\n")
    assert mv_and_temperature(await fetch(driver, 1)) == [(3.0, 3.0)]
    await driver.close()


async def test_a_second_opener_is_refused(terminal: PseudoTerminal) -> None:
    first, second = make(terminal.port), make(terminal.port)
    await first.open()
    with pytest.raises(PortUnavailableError, match=r"in use by another program or cell\. One reader only"):
        await second.open()
    await first.close()
    await second.open()
    await second.close()


async def test_a_port_held_by_a_program_that_asks_for_no_lock_is_still_said_to_be_in_use(
    terminal: PseudoTerminal, monkeypatch: pytest.MonkeyPatch
) -> None:
    def busy(*_: object, **__: object) -> None:
        raise serial.SerialException(errno.EBUSY, "could not open port")

    monkeypatch.setattr(serial.Serial, "open", busy)
    with pytest.raises(PortUnavailableError, match="in use by another program"):
        await make(terminal.port).open()


def _run_shell(command: list[str], who: dict[str, Any]) -> subprocess.CompletedProcess[str]:
    return subprocess.run(command, check=False, capture_output=True, text=True, cwd="/", **who)


async def test_a_program_that_knows_no_lock_cannot_open_the_port_either(terminal: PseudoTerminal) -> None:
    driver = make(terminal.port)
    await driver.open()
    device = terminal.link.resolve()
    device.chmod(0o666)
    shell = ["/bin/sh", "-c", f"exec 3<>{device}"]
    # Root may open what is exclusive, so the other program is somebody else.
    other: Any = {"user": 65534, "group": 65534, "extra_groups": []} if os.geteuid() == 0 else {}
    while_open = await asyncio.to_thread(_run_shell, shell, other)
    await driver.close()
    afterwards = await asyncio.to_thread(_run_shell, shell, other)
    assert "busy" in while_open.stderr
    assert afterwards.stderr == ""


@pytest.mark.parametrize(
    ("number", "mode", "group", "told"),
    [
        (errno.EACCES, 0o660, "dialout", r"group 'dialout'\. Join that group .* dialout USER.*log in again"),
        (errno.EACCES, 0o600, "dialout", r"mode 0600, group 'dialout'\. Let a udev rule"),
        (errno.EACCES, 0o660, "root", r"mode 0660, group 'root'\. Let a udev rule"),
        (errno.EPERM, 0o660, "dialout", r"not permitted .*\. Allow the device by DeviceAllow="),
    ],
)
async def test_permission_denied_says_what_helps(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int, mode: int, group: str, told: str
) -> None:
    device = tmp_path / "ttyX"
    device.touch()
    device.chmod(mode)

    def denied(*_: object, **__: object) -> None:
        raise serial.SerialException(number, "could not open port")

    monkeypatch.setattr(serial.Serial, "open", denied)
    monkeypatch.setattr(grp, "getgrgid", lambda _: type("Group", (), {"gr_name": group}))
    with pytest.raises(PortUnavailableError, match=told):
        await make(str(device)).open()


async def test_a_plain_file_is_not_a_port(tmp_path: Path) -> None:
    plain = tmp_path / "file"
    plain.touch()
    with pytest.raises(PortUnavailableError, match="not a serial port"):
        await make(str(plain)).open()


async def test_reading_before_opening_says_so() -> None:
    with pytest.raises(PortUnavailableError, match="not open"):
        await make("/dev/ttyX").read()


async def test_closing_is_safe_at_any_time(terminal: PseudoTerminal) -> None:
    driver = make(terminal.port)
    await driver.close()
    await driver.open()
    await driver.close()
    await driver.close()


async def test_input_waits_outside_while_nobody_reads(terminal: PseudoTerminal) -> None:
    driver = make(terminal.port)
    await driver.open()
    total = 3 * MOST_WAITING
    left = memoryview(b"\n" + b"".join(b"%d;25\n" % i for i in range(total)))
    for _ in range(200):  # nobody reads: the driver takes what it may and then leaves the rest
        try:
            left = left[os.write(terminal.master, left[:2048]) :]
        except BlockingIOError:
            await asyncio.sleep(0.001)
    assert left
    assert len(driver._waiting) < MOST_WAITING + port_module.READ_BYTES // 3
    received: list[Reading] = []
    async with asyncio.timeout(PATIENCE_S):
        while len(received) < total:
            received += await driver.read()
            while left:
                try:
                    left = left[os.write(terminal.master, left[:2048]) :]
                except BlockingIOError:
                    break
    await driver.close()
    assert [r.mv for r in received] == [float(i) for i in range(total)]


async def test_no_descriptor_is_left_open(terminal: PseudoTerminal) -> None:
    def open_descriptors() -> int:
        return len(list(Path("/proc/self/fd").iterdir()))

    driver = make(terminal.port)
    await driver.open()
    await driver.close()
    before = open_descriptors()
    for _ in range(20):
        await driver.open()
        await driver.close()
    assert open_descriptors() == before


async def test_a_socket_has_the_same_face() -> None:
    wires: list[asyncio.StreamWriter] = []
    connected = asyncio.Event()

    def accept(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        wires.append(writer)
        connected.set()

    server = await asyncio.start_server(accept, "127.0.0.1", 0)
    tcp_port = server.sockets[0].getsockname()[1]
    driver = make(f"socket://127.0.0.1:{tcp_port}")
    await driver.open()
    await connected.wait()
    wires[0].write(b"2.31;25.04\n-102.30;25.05\n")
    assert mv_and_temperature(await fetch(driver, 1)) == [(-102.30, 25.05)]
    wires[0].close()
    with pytest.raises(PortLostError, match="connection was closed"):
        await fetch(driver, 1)
    await driver.close()
    server.close()
    await server.wait_closed()
    with pytest.raises(PortUnavailableError, match=r"no connection \(Connection refused\)"):
        await driver.open()


@pytest.mark.parametrize(
    "port",
    [
        "socket://host",
        "socket://:4001",
        "socket://host:0",
        "rfc2217://host:1",
        "socket://host:1/x",
        "host:4001",
    ],
)
def test_an_address_of_another_form_is_refused(port: str) -> None:
    with pytest.raises(ValidationError, match="socket://host:port"):
        LineStreamSettings(port=port, columns=["mv"])


def test_every_setting_is_described() -> None:
    assert all(field.description for field in LineStreamSettings.model_fields.values())


def test_a_meter_that_sends_more_readings_than_any_measures_has_to_wait() -> None:
    async def flooded(clock: VirtualClock) -> None:
        driver = LineStream(LineStreamSettings(port="unused", columns=["mv", "temperature_c"]), clock)
        port = Mock(spec=Port)
        driver._port = port
        driver.received(clock.boot_ms(), b"\n" + LINES * 1000)  # a backlog of 15 s
        port.pause.assert_not_called()
        await driver.read()
        driver.received(clock.boot_ms(), LINES * 1000)
        port.reset_mock()
        driver.at_hand()
        await asyncio.sleep(9.0)
        port.resume.assert_not_called()
        assert driver.counts.reasons == {TOO_MANY: 1}
        await asyncio.sleep(2.0)
        port.resume.assert_called_once()
        await driver.close()

    run_virtually(flooded)
