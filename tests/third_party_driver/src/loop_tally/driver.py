"""The driver: everything a meter of this kind needs and quietcell does not know.

A message is ``$COUNT,MILLIVOLTS,CENTIDEGREES*SUM`` and CR LF, such as ``$17,-10231,2507*4A``: a count from
0 to 99, hundredths of mV and of °C, and the exclusive or of all bytes between ``$`` and ``*`` in
hexadecimal. A count that skips means that a message was lost.
"""

import functools
import operator
import re
from collections.abc import Sequence
from typing import ClassVar

from pydantic import Field

from quietcell.contracts import Clock, DriverSettings, LineCounts
from quietcell.core.readings import NO_FLAG, Flag, Reading
from quietcell.errors import DriverError, PortUnavailableError
from quietcell_drivers.framing import HEAD, Discarded, Line, LineFramer
from quietcell_drivers.port import Port, open_port
from quietcell_drivers.port_settings import PortSettings
from quietcell_drivers.waiting_readings import WaitingReadings

_MESSAGE = re.compile(rb"\$([0-9]{1,2}),(-?[0-9]{1,6}),(-?[0-9]{1,6})\*([0-9A-F]{2})")
_COUNTS = 100


def check_sum(content: bytes) -> bytes:
    """Return the exclusive or of all bytes as two hexadecimal digits."""
    return b"%02X" % functools.reduce(operator.xor, content, 0)


class LoopTallySettings(PortSettings):
    """Where the meter is; more need not be known."""

    zero_offset_mv: float = Field(default=0.0, description="What the meter's own zero is off by, mV.")


class LoopTally:
    """Reads counted messages with a check sum."""

    settings_model: ClassVar[type[DriverSettings]] = LoopTallySettings
    counts: LineCounts

    def __init__(self, settings: LoopTallySettings, clock: Clock) -> None:
        self._settings = settings
        self._clock = clock
        self._port: Port | None = None
        self._start()

    def _start(self) -> None:
        self.counts = LineCounts()
        self._framer = LineFramer(b"\r\n", 40)
        self._waiting = WaitingReadings()
        self._last_count: int | None = None
        self._next_flag = NO_FLAG

    async def open(self) -> None:
        """Open the port; see `MeterDriver.open`."""
        await self.close()
        self._start()
        self._port = await open_port(self._settings, self._clock, self)

    async def read(self) -> Sequence[Reading]:
        """Wait for the next readings; see `MeterDriver.read`."""
        if self._port is None:
            raise PortUnavailableError("the port is not open", subject=self._settings.port)
        readings = await self._waiting.fetch()
        self._port.resume()
        return readings

    async def close(self) -> None:
        """Release the port; see `MeterDriver.close`."""
        if self._port is not None:
            self._port.close()
            self._port = None

    # --- what the port tells -------------------------------------------------------------------

    def received(self, boot_ms: int, data: bytes) -> None:
        """Take bytes, stamped as they left the descriptor."""
        for item in self._framer.feed(data):
            self._take(item, boot_ms)
        if self._waiting.is_full and self._port is not None:
            self._port.pause()

    def damaged(self, size: int) -> None:
        """Distrust what came with a fault of the line."""
        self._framer.damage(size)

    def lost(self, error: DriverError) -> None:
        """Pass on that the port is gone."""
        self._waiting.fail(error)

    def _take(self, item: Line | Discarded, boot_ms: int) -> None:
        if isinstance(item, Discarded):
            self.counts.discarded_bytes += item.size
            if item.reason != HEAD:
                self._reject(item.reason)
            return
        found = _MESSAGE.fullmatch(item.content)
        if found is None:
            self._reject("no message of this meter")
            return
        count, millivolts, centidegrees, told_sum = found.groups()
        if told_sum != check_sum(item.content[1:-3]):
            self._reject("check sum does not fit")
            return
        if self._last_count is not None and int(count) != (self._last_count + 1) % _COUNTS:
            self._next_flag |= Flag.AFTER_ERROR
            self.counts.count("the count skips")
        self._last_count = int(count)
        self.counts.readings += 1
        reading = Reading(
            boot_ms=boot_ms,
            mv=int(millivolts) / 100 - self._settings.zero_offset_mv,
            temperature_c=int(centidegrees) / 100,
            flags=self._next_flag,
        )
        self._next_flag = NO_FLAG
        self._waiting.put(reading)

    def _reject(self, why: str) -> None:
        self.counts.count(why)
        self._next_flag |= Flag.AFTER_ERROR
