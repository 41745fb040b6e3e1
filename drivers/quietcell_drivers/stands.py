"""Meters that are not there and do as they are told: what drivers are checked against.

A stand says numbered rows, so that each reading tells which row it is. `PseudoTerminalStand` serves any
driver that reads bytes from a port: give it a function that puts a row into bytes.
"""

import asyncio
import math
import os
import shutil
import struct
import tempfile
from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from quietcell.contracts import MeterDriver
from quietcell.core.readings import Reading
from quietcell_drivers.line_poll import LinePoll
from quietcell_drivers.line_stream import LineStream
from quietcell_drivers.modbus_rtu import ModbusRtu
from quietcell_drivers.pseudo_terminal import PseudoTerminal
from quietcell_drivers.recording import RecordingPlayer
from quietcell_drivers.simulated import Simulated

Row = Mapping[str, float]
"""Values by the name of the quantity, in units of readings."""


def row(number: int) -> Row:
    """Return the values of a row; all are exact in four bytes and differ from their neighbours'.

    Examples
    --------
    >>> row(3)["mv"], row(3)["temperature_c"]
    (-3.25, 21.5)
    """
    return {
        "mv": -number - 0.25,
        "temperature_c": 20.0 + number % 16 * 0.5,
        "conductivity_us_cm": 0.5 + number % 8 * 0.25,
        "flow_ml_min": 100.0 + number % 4,
    }


class Stand(ABC):
    """A driver's meter in the hands of a check.

    Parameters
    ----------
    driver : type of MeterDriver
        The driver to check.
    settings : mapping
        Its settings for this meter, as a configuration would give them; short intervals save time.
    measures : tuple of str
        The quantities this meter has.
    """

    rows_are_known = True
    """Whether the meter says the rows of `row`."""
    step_mv = 0.0
    """Smallest step of a meter that cannot say the rows' quarters of a mV."""
    tasks = 0
    """Tasks of the stand itself while it stands."""

    def __init__(
        self,
        driver: type[MeterDriver],
        settings: Mapping[str, Any],
        measures: tuple[str, ...] = ("mv", "temperature_c"),
    ) -> None:
        self.driver = driver
        self.settings = dict(settings)
        self.measures = measures
        self.said = 0
        """Number of the last row said."""

    def number_of(self, reading: Reading) -> int | None:
        """Return the number of the row a reading is, or None if it is none that was said."""
        if reading.mv is None or not math.isfinite(reading.mv):
            return None
        number = round(-reading.mv - 0.25)
        expected = row(number)
        right = abs(reading.mv - expected["mv"]) <= self.step_mv / 2 + 1e-9 and all(
            (value := getattr(reading, name)) is not None
            and math.isclose(value, expected[name], rel_tol=1e-3, abs_tol=1e-6)
            for name in self.measures
            if name != "mv"
        )
        return number if right and 1 <= number <= self.said else None

    @abstractmethod
    async def start(self) -> None:
        """Plug the meter in; it says nothing yet."""

    @abstractmethod
    async def stop(self) -> None:
        """Take everything away."""

    def talk(self) -> None:
        """Let it say rows; a stand without a line always does."""
        return


class PseudoTerminalStand(Stand):
    """A meter at a pseudo-terminal; its device's name becomes the setting ``port``.

    Parameters
    ----------
    say : callable
        Puts a row into the bytes of one message.
    answer : callable, optional
        For a meter that is asked: takes what it heard and the next row; returns the message, or None while
        the question is not whole.
    step_mv : float
        Smallest step of a meter that cannot say the rows' quarters of a mV, such as 0.1; less than 1.
    """

    pace_s = 0.005

    def __init__(
        self,
        driver: type[MeterDriver],
        settings: Mapping[str, Any],
        measures: tuple[str, ...] = ("mv", "temperature_c"),
        *,
        say: Callable[[Row], bytes] | None = None,
        answer: Callable[[bytes, Row], bytes | None] | None = None,
        step_mv: float = 0.0,
    ) -> None:
        super().__init__(driver, settings, measures)
        self._say = say
        self._answer = answer
        self.step_mv = step_mv
        self._talks = self._floods = False
        self._spoiler: Callable[[bytes], bytes] | None = None
        self._heard = b""

    async def start(self) -> None:
        """Plug the meter in; it says nothing yet."""
        self._folder = Path(tempfile.mkdtemp(prefix="stand-"))
        self._line = PseudoTerminal(self._folder)
        self.settings["port"] = self._line.port
        self.said, self._spoiler, self._heard = 0, None, b""
        self.hush()
        self._listen()
        self._talking = asyncio.create_task(self._talk_for_ever(), name="stand talking")
        self.tasks = 1

    async def stop(self) -> None:
        """Take everything away."""
        self._talking.cancel()
        await asyncio.wait({self._talking})
        self.unplug()
        shutil.rmtree(self._folder)

    def plug(self) -> None:
        """Put the plug back: a new device under the old name."""
        self._line.plug()
        self._listen()

    def _listen(self) -> None:
        asyncio.get_running_loop().add_reader(self._line.master, self._hear)

    def unplug(self) -> None:
        """Pull the plug: the device hangs up and its name is gone."""
        if self._line.master >= 0:
            self.hush()
            asyncio.get_running_loop().remove_reader(self._line.master)
            self._line.unplug()

    def talk(self) -> None:
        """Let it say rows."""
        self._talks = True

    def hush(self) -> None:
        """Let it fall silent."""
        self._talks = self._floods = False

    def spoil(self, how: Callable[[bytes], bytes]) -> None:
        """Change its next message."""
        self._spoiler = how

    def flood(self) -> None:
        """Let it say as many rows as the line takes, if it speaks unasked."""
        self._floods = self._say is not None

    async def _talk_for_ever(self) -> None:
        while True:
            await asyncio.sleep(0.0 if self._floods else self.pace_s)
            if self._say is not None and self._talks:
                for _ in range(50 if self._floods else 1):
                    self._say_next(self._say)

    def _hear(self) -> None:
        try:
            self._heard += os.read(self._line.master, 4096)
        except OSError:
            self._heard = b""
            return  # nobody has the other end open
        if self._answer is None:
            self._heard = b""
            return
        answer = self._answer
        if answer(self._heard, row(self.said + 1)) is not None:
            heard, self._heard = self._heard, b""
            if self._talks:
                self._say_next(lambda next_row: answer(heard, next_row) or b"")

    def _say_next(self, say: Callable[[Row], bytes]) -> None:
        message = say(row(self.said + 1))
        if self._spoiler is not None:
            how, self._spoiler = self._spoiler, None
            message = how(message)
        else:
            self.said += 1
        try:
            written = os.write(self._line.master, message)
        except OSError:
            written = 0  # a line that is full or closed takes nothing, or a part
        if written == 0:
            self.said -= 1


class RecordingStand(Stand):
    """The rows as a recording, at once."""

    def __init__(self) -> None:
        super().__init__(RecordingPlayer, {}, ("mv", "temperature_c", "conductivity_us_cm", "flow_ml_min"))

    async def start(self) -> None:
        """Write the recording."""
        self._folder = Path(tempfile.mkdtemp(prefix="stand-"))
        file = self._folder / "rows.csv"
        self.said = 2000
        lines = ["time,mv,temperature_c,conductivity_us_cm,flow_ml_min"]
        for number in range(1, self.said + 1):
            values = ",".join(str(value) for value in row(number).values())
            lines.append(f"2026-03-01T08:{number // 60:02}:{number % 60:02}.000Z,{values}")
        file.write_text("\n".join(lines) + "\n")
        self.settings = {"file": str(file), "pace": 500.0, "repeat": True}

    async def stop(self) -> None:
        """Remove it."""
        shutil.rmtree(self._folder)


class SimulatedStand(Stand):
    """Simulated water: it says what it likes."""

    rows_are_known = False

    def __init__(self) -> None:
        measures = ("mv", "temperature_c", "conductivity_us_cm", "flow_ml_min")
        super().__init__(Simulated, {"interval_s": 0.01}, measures)

    async def start(self) -> None:
        """Begin."""

    async def stop(self) -> None:
        """End."""


# --- the shipped drivers -------------------------------------------------------------------------


def line_stream() -> Stand:
    """Return a meter that sends lines."""
    settings = {"columns": ["mv", "temperature_c", "conductivity_us_cm", "flow_ml_min"]}
    return PseudoTerminalStand(
        LineStream,
        settings,
        ("mv", "temperature_c", "conductivity_us_cm", "flow_ml_min"),
        say=lambda r: ";".join(f"{value:.2f}" for value in r.values()).encode() + b"\r\n",
    )


def line_poll() -> Stand:
    """Return a meter that is asked for lines."""
    settings = {
        "question": r"READ?\r\n",
        "pattern": r"E (?P<mv>\S+) mV  T (?P<temperature_c>\S+) °C",
        "interval_s": 0.005,
        "reply_timeout_s": 0.05,
        "quiet_s": 0.01,
        "give_up_after": 50,
    }

    def answer(heard: bytes, r: Row) -> bytes | None:
        if b"READ?\r\n" not in heard:
            return None
        return f"E {r['mv']:.2f} mV  T {r['temperature_c']:.2f} °C\r\n".encode("latin-1")

    return PseudoTerminalStand(LinePoll, settings, answer=answer)


def modbus_rtu() -> Stand:
    """Return a meter with registers."""
    from pymodbus.framer import FramerRTU  # noqa: PLC0415 # an extra

    settings = {
        "unit": 5,
        "registers": {"mv": {"address": 0}, "temperature_c": {"address": 2}},
        "interval_s": 0.005,
        "reply_timeout_s": 0.05,
        "latest_reply_s": 0.05,
        "quiet_s": 0.004,
        "give_up_after": 50,
    }

    def answer(heard: bytes, r: Row) -> bytes | None:
        if len(heard) < 8:
            return None
        unit, function, address, count = struct.unpack(">BBHH", heard[:6])
        content = struct.pack(">ff", r["mv"], r["temperature_c"])[2 * address : 2 * (address + count)]
        frame = bytes([unit, function, 2 * count]) + content
        return frame + FramerRTU.compute_CRC(frame).to_bytes(2, "big")

    return PseudoTerminalStand(ModbusRtu, settings, answer=answer)
