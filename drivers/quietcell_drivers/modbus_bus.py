"""One line, several meters: who may ask when, and what came back. Knows bytes, no registers.

A Modbus RTU answer carries no number of its question, so what came is judged as a whole: it is an
answer only if the line was silent before the question, brought one frame and fell silent again.
"""

import asyncio
import os
from collections.abc import Callable
from dataclasses import dataclass
from typing import ClassVar

from quietcell.contracts import Clock
from quietcell.errors import DriverError, PortLostError, PortUnavailableError
from quietcell_drivers.asking import until_silent
from quietcell_drivers.port import Port, open_port
from quietcell_drivers.port_settings import SOCKET_SCHEME, PortSettings

_LONGEST_ANSWER = 512
"""Twice the longest frame; whatever is beyond is a fault anyway."""


@dataclass(frozen=True, slots=True)
class Heard:
    """What came back to a question."""

    data: bytes
    boot_ms: int
    """Receipt of its first byte."""
    unasked: int
    """Bytes thrown away before the question was sent."""


def _device(line: PortSettings) -> str:
    """Return what one line is known by: a device may have several names."""
    return line.port if line.port.startswith(SOCKET_SCHEME) else os.path.realpath(line.port)


class Bus:
    """An open line, shared by all drivers of this process that name it, by whatever names."""

    _open: ClassVar[dict[str, "Bus"]] = {}

    def __init__(self, settings: PortSettings, clock: Clock) -> None:
        self._settings = settings
        self._device = _device(settings)
        self._clock = clock
        self._port: Port | None = None
        self._users = 0
        self._lock = asyncio.Lock()
        self._opening = asyncio.Lock()
        self._lost: DriverError | None = None
        self._heard = asyncio.Event()
        self._data = bytearray()
        self._first_ms = 0
        self._dropped = 0

    @classmethod
    async def join(cls, settings: PortSettings, clock: Clock) -> "Bus":
        """Open the line, or share it with those who have it open.

        Raises
        ------
        PortUnavailableError
            If it cannot be opened, or is open with other line settings.
        """
        line = PortSettings.model_validate(
            {name: getattr(settings, name) for name in PortSettings.model_fields}
        )
        bus = cls._open.get(_device(line))
        if bus is None or bus.is_lost:
            bus = cls(line, clock)
            cls._open[bus._device] = bus
        names = PortSettings.model_fields.keys() - {"port"}
        if differing := sorted(n for n in names if getattr(line, n) != getattr(bus._settings, n)):
            raise PortUnavailableError(
                f"another meter on the same line has other settings: {', '.join(differing)}",
                subject=line.port,
                hint="Meters on one line need the same line settings",
            )
        bus._users += 1
        try:
            async with bus._opening:
                if bus._port is None:
                    bus._port = await open_port(line, clock, bus)
        except BaseException:
            bus.leave()
            raise
        return bus

    @property
    def is_lost(self) -> bool:
        """Whether the line went away; it never comes back to the same object."""
        return self._lost is not None

    def leave(self) -> None:
        """Stop using the line; the last one closes it."""
        self._users -= 1
        if self._users == 0:
            if self._port is not None:
                self._port.close()
                self._port = None
            if self._open.get(self._device) is self:
                del self._open[self._device]

    async def ask(
        self,
        question: bytes,
        size: int,
        *,
        timeout_s: float,
        quiet_s: float,
        echo: bool,
        sent: Callable[[], None],
    ) -> Heard:
        """Send a question once the line is silent; return all that came until it fell silent again.

        Parameters
        ----------
        question : bytes
            One frame.
        size : int
            Size of the expected answer, bytes; an exception is shorter and known by its second byte.
        timeout_s, quiet_s : float
            Longest wait for the answer; silence that ends it.
        echo : bool
            Whether the line gives back what is sent.
        sent : callable
            Called as the question is sent.

        Raises
        ------
        PortLostError
            If the line is gone.
        """
        async with self._lock:
            await self._until_silent(quiet_s)
            unasked, self._dropped = self._dropped + len(self._data), 0
            self._data.clear()
            port = self._port
            if port is None or self._lost is not None:
                raise self._lost or PortLostError("the line is closed", subject=self._settings.port)
            sent()
            await port.write(question)
            head = len(question) if echo else 0
            try:
                # The line's own time, not the clock's: a clock may run faster than the line.
                async with asyncio.timeout(timeout_s):
                    while not _is_whole(self._data[head:], size):
                        await self._more()
            except TimeoutError:
                pass
            await self._until_silent(quiet_s)
            data = bytes(self._data)
            self._data.clear()
            if echo and data.startswith(question):
                data = data[len(question) :]
            return Heard(data, self._first_ms, unasked)

    async def _more(self) -> None:
        """Wait for more bytes."""
        self._heard.clear()
        if self._lost is not None:
            raise self._lost
        await self._heard.wait()

    async def _until_silent(self, quiet_s: float) -> None:
        hint = "Does another master ask on this line?"
        await until_silent(self._more, quiet_s, port=self._settings.port, hint=hint)

    # --- the port ------------------------------------------------------------------------------

    def received(self, boot_ms: int, data: bytes) -> None:
        """Take a chunk from the port."""
        if not self._data:
            self._first_ms = boot_ms
        room = _LONGEST_ANSWER - len(self._data)
        self._data += data[:room]
        self._dropped += max(0, len(data) - room)
        self._heard.set()

    def damaged(self, size: int) -> None:
        """Keep damaged bytes as what they are: no frame."""
        self.received(self._clock.boot_ms(), bytes(size))

    def lost(self, error: DriverError) -> None:
        """Tell all who wait that the line is gone; whoever joins next opens it anew."""
        self._lost = error
        self._heard.set()


def _is_whole(data: bytearray, size: int) -> bool:
    return len(data) >= (5 if len(data) > 1 and data[1] & 0x80 else size)
