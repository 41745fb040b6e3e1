"""Modbus meters: right values from a server of another make, no wrong one from a peer that misbehaves."""

import asyncio
import itertools
import os
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError
from pymodbus.server import ModbusSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice

from quietcell.core.readings import Flag
from quietcell.errors import PortLostError, PortUnavailableError, ReplyTimeoutError
from quietcell_drivers.machine_clock import MachineClock
from quietcell_drivers.modbus_codec import Codec
from quietcell_drivers.modbus_registers import Register, RegisterBlock, RegisterMap, blocks
from quietcell_drivers.modbus_rtu import ModbusRtu, ModbusRtuSettings
from quietcell_drivers.pseudo_terminal import PseudoTerminal
from tests.support.fetching import fetch
from tests.support.fickle_modbus import (
    FAULTS,
    LONE_REGISTER,
    ONE_BLOCK,
    TWO_BLOCKS,
    crc,
    exchange,
    frame,
)
from tests.support.until import PATIENCE_S


def make(port: str, registers: dict[str, Any], **changes: Any) -> ModbusRtu:
    given = {
        "port": port,
        "unit": 3,
        "registers": registers,
        "interval_s": 0.02,
        "reply_timeout_s": 0.25,
        "latest_reply_s": 0.25,
        "quiet_s": 0.01,
        **changes,
    }
    return ModbusRtu(ModbusRtuSettings.model_validate(given), MachineClock())


# --- registers -----------------------------------------------------------------------------------


# Source: IEEE 754 single precision, in the four orders in use.
@pytest.mark.parametrize(
    ("value", "big", "little", "big_swapped", "little_swapped"),
    [
        (-12.5, "C1480000", "0000C148", "48C10000", "000048C1"),
        (25.0, "41C80000", "000041C8", "C8410000", "0000C841"),
        (123456.0, "47F12000", "200047F1", "F1470020", "0020F147"),
        (-59.16, "C26CA3D7", "A3D7C26C", "6CC2D7A3", "D7A36CC2"),
    ],
)
def test_a_float_is_read_in_every_order(
    value: float, big: str, little: str, big_swapped: str, little_swapped: str
) -> None:
    for sent, order, swapped in [
        (big, "big", False),
        (little, "little", False),
        (big_swapped, "big", True),
        (little_swapped, "little", True),
    ]:
        words = [int(sent[:4], 16), int(sent[4:], 16)]
        register = Register.model_validate({"address": 0, "word_order": order, "swap_bytes": swapped})
        assert register.number(words) == pytest.approx(value, rel=1e-7)


# Source: published examples of the CRC (check value of the algorithm; frames of the serial line guide).
@pytest.mark.parametrize(
    ("data", "check"), [("313233343536373839", "374b"), ("0207", "4112"), ("01030000000a", "c5cd")]
)
def test_the_peer_s_own_crc_is_the_published_one(data: str, check: str) -> None:
    assert crc(bytes.fromhex(data)).hex() == check


def test_a_question_is_the_published_frame() -> None:
    question = Codec(1).question(RegisterBlock("holding", 0, 10))
    assert question.hex(" ") == "01 03 00 00 00 0a c5 cd"


def test_neighbouring_registers_are_read_with_one_question_and_no_others_are_touched() -> None:
    layout = RegisterMap.model_validate(
        {
            "registers": {
                "temperature_c": {"address": 2},
                "mv": {"address": 4, "type": "int16"},
                "conductivity_us_cm": {"address": 100, "type": "float64"},
                "flow_ml_min": {"address": 5, "type": "uint16", "kind": "input"},
            },
            "status": {"address": 5},
        }
    )
    assert blocks(layout) == [
        RegisterBlock("holding", 2, 4),
        RegisterBlock("holding", 100, 4),
        RegisterBlock("input", 5, 1),
    ]


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"registers": {"temperature_c": {"address": 1}}}, "no quantity 'mv'"),
        ({"registers": {"volts": {"address": 1}}}, "'volts' is no quantity"),
        ({"registers": {"mv": {"address": 1, "unit": "A"}}}, "'A' is no unit of it; allowed: mV, V"),
        ({"registers": {"mv": {"address": 65535}}}, "beyond address 65535"),
        ({"registers": {"mv": {"address": 1}, "temperature_c": {"address": 2}}}, "share holding register 2"),
        ({"registers": {"mv": {"address": 1, "scale": 0.0}}}, "scale is 0"),
        ({"registers": {"mv": {"address": 1}}, "unit": 0}, "greater than or equal to 1"),
        ({"registers": {"mv": {"address": 1}}, "latest_reply_s": 0.1}, "must be at least reply_timeout_s"),
        (
            {"registers": {"mv": {"address": 1}}, "status": {"address": 9, "bits": {"16": ""}}},
            "'16' is no bit",
        ),
        (
            {"registers": {"mv": {"address": 1}}, "status": {"address": 9, "bits": {"1": "odd"}}},
            "'odd' is no flag",
        ),
    ],
)
def test_settings_that_can_not_be_are_refused(changes: dict[str, Any], told: str) -> None:
    with pytest.raises(ValidationError, match=told):
        ModbusRtuSettings.model_validate({"port": "p", "unit": 1, **changes})


# --- a server of another make, several meters on one line ----------------------------------------


class Wire:
    """Two pseudo-terminals joined back to back."""

    def __init__(self, folder: Path) -> None:
        self.ends = PseudoTerminal(folder, "ours"), PseudoTerminal(folder, "theirs")
        for end, other in (self.ends, self.ends[::-1]):
            asyncio.get_running_loop().add_reader(end.master, self._pass, end.master, other.master)

    @staticmethod
    def _pass(source: int, target: int) -> None:
        try:
            os.write(target, os.read(source, 4096))
        except OSError:
            asyncio.get_running_loop().remove_reader(source)

    def cut(self) -> None:
        for end in self.ends:
            asyncio.get_running_loop().remove_reader(end.master)
            end.unplug()


@asynccontextmanager
async def server(folder: Path, *devices: SimDevice) -> AsyncIterator[Wire]:
    wire = Wire(folder)
    serving = ModbusSerialServer(list(devices), port=wire.ends[1].port, ignore_missing_devices=True)
    await serving.serve_forever(background=True)
    try:
        yield wire
    finally:
        await serving.shutdown()  # type: ignore[no-untyped-call] # not annotated there
        wire.cut()


async def test_a_server_of_another_make_is_read_right(tmp_path: Path) -> None:
    data = [
        SimData(0, values=-102.31, datatype=DataType.FLOAT32),
        SimData(2, values=2507, datatype=DataType.INT16),
        SimData(10, values=712, datatype=DataType.UINT32),
        SimData(30, values=0.006, datatype=DataType.FLOAT64),
        SimData(40, values=0b1000, datatype=DataType.UINT16),
    ]
    registers = {
        "mv": {"address": 0},
        "temperature_c": {"address": 2, "type": "int16", "scale": 0.01},
        "conductivity_us_cm": {"address": 10, "type": "uint32", "scale": 1e-5, "unit": "mS/m"},
        "flow_ml_min": {"address": 30, "type": "float64", "kind": "input", "scale": 1000.0, "unit": "L/h"},
    }
    async with server(tmp_path, SimDevice(3, data)) as wire:
        driver = make(wire.ends[0].port, registers, status={"address": 40, "bits": {"3": "operator"}})
        await driver.open()
        reading = (await fetch(driver, 2))[-1]
        await driver.close()
    assert reading.mv == pytest.approx(-102.31, rel=1e-6)
    assert reading.temperature_c == pytest.approx(25.07)
    assert reading.conductivity_us_cm == pytest.approx(0.0712)
    assert reading.flow_ml_min == pytest.approx(100.0)
    assert reading.flags == Flag.OPERATOR
    assert driver.counts.reasons == {}


async def test_several_meters_share_a_line_and_each_gets_its_own(tmp_path: Path) -> None:
    devices = [SimDevice(n, [SimData(0, values=float(n), datatype=DataType.FLOAT32)]) for n in (1, 2, 3)]
    async with server(tmp_path, *devices) as wire:
        link = tmp_path / "the-same-line"
        link.symlink_to(wire.ends[0].port)
        names = (wire.ends[0].port, wire.ends[0].port, str(link))
        drivers = [make(name, {"mv": {"address": 0}}, unit=n) for n, name in enumerate(names, start=1)]
        for driver in drivers:
            await driver.open()
        found = await asyncio.gather(*(fetch(driver, 2) for driver in drivers))
        await drivers[0].close()  # the others read on
        found[1] += await fetch(drivers[1], 1)
        with pytest.raises(PortUnavailableError, match="other settings: baud"):
            await make(wire.ends[0].port, {"mv": {"address": 0}}, baud=19200).open()
        for driver in drivers:
            await driver.close()
    for number, readings in enumerate(found, 1):
        assert {reading.mv for reading in readings} == {float(number)}


async def test_an_exception_is_named_and_at_last_the_line_is_given_up(tmp_path: Path) -> None:
    async with server(tmp_path, SimDevice(3, [SimData(0, values=1.0, datatype=DataType.FLOAT32)])) as wire:
        driver = make(wire.ends[0].port, {"mv": {"address": 77}}, give_up_after=1)
        await driver.open()
        with pytest.raises(ReplyTimeoutError, match="exception 2, it has no such register"):
            await fetch(driver, 1)
        await driver.close()
        silent = make(wire.ends[0].port, {"mv": {"address": 0}}, unit=9, give_up_after=1, reply_timeout_s=0.1)
        await silent.open()
        with pytest.raises(ReplyTimeoutError, match="unit 9: 1 questions without a value"):
            await fetch(silent, 1)
        await silent.close()


def answer_sevens(terminal: PseudoTerminal) -> None:
    asked = terminal.read()
    if asked:
        terminal.write(frame(3, bytes([3, 2 * asked[5]]) + b"\x00\x07" * asked[5]))


async def test_questions_keep_their_distance(terminal: PseudoTerminal) -> None:
    asyncio.get_running_loop().add_reader(terminal.master, answer_sevens, terminal)
    registers = {"mv": {"address": 0, "type": "uint16"}}
    driver = make(terminal.port, registers, interval_s=0.2, latest_reply_s=0.05, reply_timeout_s=0.05)
    await driver.open()
    came_ms = [reading.boot_ms for reading in await fetch(driver, 3)]
    await driver.close()
    asyncio.get_running_loop().remove_reader(terminal.master)
    assert came_ms[2] - came_ms[0] >= 2 * 200 - 100  # of questions; answers may come a little later


async def test_pulling_the_plug_is_told_and_the_next_opening_reads_on(terminal: PseudoTerminal) -> None:
    loop = asyncio.get_running_loop()

    driver = make(terminal.port, {"mv": {"address": 0, "type": "uint16"}})
    for _ in range(2):
        loop.add_reader(terminal.master, answer_sevens, terminal)
        await driver.open()
        assert (await fetch(driver, 1))[0].mv == 7.0
        loop.remove_reader(terminal.master)
        terminal.unplug()
        with pytest.raises(PortLostError, match="went away"):
            await fetch(driver, 1000)
        await driver.close()
        with pytest.raises(PortUnavailableError, match="there is no such port"):
            await driver.open()
        terminal.plug()


# --- a peer that misbehaves ----------------------------------------------------------------------


@pytest.mark.parametrize("in_order", [True, False])
@pytest.mark.parametrize("registers", [ONE_BLOCK, TWO_BLOCKS, LONE_REGISTER])
def test_a_fickle_peer_yields_no_wrong_reading(registers: dict[str, Any], *, in_order: bool) -> None:
    readings, wrong, peer = exchange(registers, 300, seed=5, in_order=in_order)
    assert wrong == []
    assert set(FAULTS) <= set(peer.behaved)
    assert len(readings) > 20


@pytest.mark.parametrize("to_others", ["refuses", "ignores"])
def test_a_meter_that_knows_only_its_own_block_is_read_all_the_same(to_others: str) -> None:
    readings, wrong, _ = exchange(ONE_BLOCK, 300, seed=6, in_order=True, to_others=to_others)
    assert wrong == []
    assert len(readings) > 20


def test_only_the_first_reading_after_a_missing_answer_is_flagged() -> None:
    readings, wrong, peer = exchange(ONE_BLOCK, 200, seed=2, in_order=True, faults={"never": 0.2})
    apart = [(b.boot_ms - a.boot_ms > 2000, b.flags) for a, b in itertools.pairwise(readings)]
    assert wrong == []
    assert peer.behaved["never"] > 20
    assert {flags for late, flags in apart if late} == {Flag.AFTER_TIMEOUT}
    assert {flags for late, flags in apart if not late} == {Flag(0)}


async def test_closing_in_the_middle_of_an_exchange_takes_no_answer_along(terminal: PseudoTerminal) -> None:
    driver = make(terminal.port, {"mv": {"address": 0, "type": "uint16"}})
    await driver.open()
    async with asyncio.timeout(PATIENCE_S):
        while not terminal.read():  # noqa: ASYNC110 - the meter's end of the line has no event
            await asyncio.sleep(0.005)
    await driver.close()
    await driver.open()
    terminal.write(frame(3, b"\x03\x02\x00\x09"))  # comes to nobody's question
    await asyncio.sleep(0.05)  # silence itself is what is tested
    assert len(driver._waiting) == 0
    await driver.close()
