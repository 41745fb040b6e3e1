"""A Modbus RTU peer of our own that misbehaves by seed, in virtual time; shares no code with the driver's.

Each question has a number, and that number is what all its registers hold: a reading tells by itself
which question it answers.
"""

import asyncio
import random
import struct
from collections import Counter
from collections.abc import Mapping
from typing import Any
from unittest import mock

from quietcell.contracts import Clock
from quietcell.core.readings import Reading
from quietcell.errors import DriverError
from quietcell_drivers import modbus_bus
from quietcell_drivers.modbus_rtu import ModbusRtu, ModbusRtuSettings
from quietcell_drivers.port import Port, PortListener
from quietcell_drivers.port_settings import PortSettings
from tests.support.virtual_time import VirtualClock, run_virtually

ONE_BLOCK = {
    "mv": {"address": 10, "type": "uint32"},
    "temperature_c": {"address": 12, "type": "uint32"},
}
TWO_BLOCKS = {
    "mv": {"address": 10, "type": "uint32"},
    "temperature_c": {"address": 40, "type": "uint32"},
}
LONE_REGISTER = {"mv": {"address": 7, "type": "uint16", "kind": "input"}}
FAULTS = {"late": 0.1, "never": 0.1, "twice": 0.1, "wrong CRC": 0.1, "other unit": 0.05, "half": 0.05}
"""Share of the questions that are answered so."""
UNIT = 17
REPLY_TIMEOUT_S, LATEST_REPLY_S, INTERVAL_S = 0.2, 1.5, 0.5


def crc(data: bytes) -> bytes:
    """Return the check bytes as sent; Modbus over serial line V1.02, 6.2.2, bit by bit."""
    value = 0xFFFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = value >> 1 ^ (0xA001 if value & 1 else 0)
    return struct.pack("<H", value)


def frame(unit: int, content: bytes) -> bytes:
    body = bytes([unit]) + content
    return body + crc(body)


class FicklePeer:
    """Both the port and the meter behind it."""

    def __init__(
        self,
        listener: PortListener,
        clock: Clock,
        seed: int,
        *,
        in_order: bool,
        faults: Mapping[str, float],
        to_others: str,
    ) -> None:
        self._listener = listener
        self._clock = clock
        self._random = random.Random(seed)
        self._in_order = in_order
        self._faults = faults
        self._to_others = to_others
        self._busy_until_s = 0.0
        self.asked_ms: list[int] = []
        """When each question came."""
        self.behaved: Counter[str] = Counter()
        self._held = b""

    async def write(self, data: bytes) -> None:
        unit, function, address, count = struct.unpack(">BBHH", data[:6])
        assert data == frame(unit, data[1:-2]), "the driver sent no whole question"
        number = len(self.asked_ms) + 1
        self.asked_ms.append(self._clock.boot_ms())
        low, high = (7, 8) if function == 4 else (10, 42)
        if unit != UNIT or not low <= address <= address + count <= high:
            self._say(0.01, frame(unit, bytes([function | 0x80, 2])))
            return
        if self._to_others and count != 4:
            if self._to_others == "refuses":
                self._say(0.01, frame(unit, bytes([function | 0x80, 3])))
            return
        words = [0, number] if address % 2 == 0 else [number]
        registers = struct.pack(f">{count}H", *(words * count)[:count])
        good = frame(unit, bytes([function, 2 * count]) + registers)
        mode = self._random.choices(
            ["prompt", *self._faults], [1.0 - sum(self._faults.values()), *self._faults.values()]
        )[0]
        self.behaved[mode] += 1
        prompt_s = self._random.uniform(0.005, 0.05)
        later_s = self._random.uniform(REPLY_TIMEOUT_S, LATEST_REPLY_S - 0.1)
        if mode == "prompt":
            self._say(prompt_s, good)
        elif mode == "late":
            self._say(later_s, good)
        elif mode == "twice":
            self._say(prompt_s, good)
            self._say(self._random.uniform(prompt_s, LATEST_REPLY_S - 0.1), good)
        elif mode == "wrong CRC":
            place = self._random.randrange(len(good))
            self._say(prompt_s, good[:place] + bytes([good[place] ^ 0x41]) + good[place + 1 :])
        elif mode == "other unit":
            self._say(prompt_s, frame(unit + 1, good[1:-2]))
        elif mode == "half":
            self._say(prompt_s, good[: self._random.randrange(1, len(good))])

    def _say(self, after_s: float, data: bytes) -> None:
        loop = asyncio.get_running_loop()
        at_s = loop.time() + after_s
        if self._in_order:
            # Late by its queue too, but never later than it may be.
            at_s = min(max(loop.time(), self._busy_until_s) + after_s, loop.time() + LATEST_REPLY_S - 0.1)
            self._busy_until_s = at_s
        cut = self._random.randrange(len(data))
        loop.call_at(at_s, lambda: self._listener.received(self._clock.boot_ms(), data[:cut]))
        loop.call_at(at_s + 0.003, lambda: self._listener.received(self._clock.boot_ms(), data[cut:]))

    def pause(self) -> None: ...

    def resume(self) -> None: ...

    def close(self) -> None: ...

    def is_right(self, reading: Reading) -> bool:
        """Whether a reading answers the last question asked before it came, or the last two in turn."""
        if reading.mv is None:
            return False
        number = int(reading.mv)
        asked = sum(1 for at_ms in self.asked_ms if at_ms <= reading.boot_ms)
        return number == asked and reading.temperature_c in (None, number, number + 1)


def exchange(
    registers: Mapping[str, Any],
    questions: int,
    *,
    seed: int,
    in_order: bool,
    faults: Mapping[str, float] = FAULTS,
    to_others: str = "",
) -> tuple[list[Reading], list[Reading], FicklePeer]:
    """Let a driver ask a fickle peer; return its readings, the wrong ones among them, and the peer.

    `to_others` says what it does with questions for another number of registers than four: ``refuses``,
    ``ignores``, or nothing special.
    """

    async def run(clock: VirtualClock) -> tuple[list[Reading], list[Reading], FicklePeer]:
        peers: list[FicklePeer] = []

        async def open_port(_: PortSettings, clock: Clock, listener: PortListener) -> Port:
            if not peers:
                peers.append(
                    FicklePeer(listener, clock, seed, in_order=in_order, faults=faults, to_others=to_others)
                )
            peers[0]._listener = listener
            return peers[0]

        settings = ModbusRtuSettings.model_validate(
            {
                "port": f"fickle-{seed}",
                "unit": UNIT,
                "registers": dict(registers),
                "interval_s": INTERVAL_S,
                "reply_timeout_s": REPLY_TIMEOUT_S,
                "latest_reply_s": LATEST_REPLY_S,
                "give_up_after": 7,
            }
        )
        driver = ModbusRtu(settings, clock)
        readings: list[Reading] = []
        with mock.patch.object(modbus_bus, "open_port", open_port):
            await driver.open()
            while len(peers[0].asked_ms) < questions:
                try:
                    readings += await driver.read()
                except DriverError:
                    await driver.close()
                    await driver.open()
            await driver.close()
        peer = peers[0]
        return readings, [reading for reading in readings if not peer.is_right(reading)], peer

    return run_virtually(run)
