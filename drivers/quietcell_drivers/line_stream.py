"""`line-stream`: a meter that sends a line whenever it has one."""

import asyncio
from collections.abc import Sequence
from typing import ClassVar

from pydantic import Field

from quietcell.contracts import Clock, DriverSettings, LineCounts
from quietcell.core.readings import Flag, Reading, Row
from quietcell.errors import DriverError, PortUnavailableError
from quietcell_drivers.framing import LineFramer
from quietcell_drivers.line_format import LineFormatSettings
from quietcell_drivers.line_reader import LineReader
from quietcell_drivers.pace import Pace
from quietcell_drivers.port import Port, open_port
from quietcell_drivers.port_settings import PortSettings
from quietcell_drivers.waiting_readings import WaitingReadings

# Chunks of one backlog follow each other faster than any meter sends lines.
_SAME_BACKLOG_MS = 5
_MOST_BYTES = 65536
"""What may wait at most, whoever allows it."""
MOST_READINGS_PER_S, BACKLOG_S = 200, 20.0
"""No meter measures so often, nor holds back more. What is beyond is left to the sender: an hour of it would
fill the memory."""
TOO_MANY = f"more than {MOST_READINGS_PER_S} readings a second came, and no more are taken for a while"
_TOLD_S = 2.0
"""So long after them it is counted: readings that come show that nothing is in the way."""


class LineStreamSettings(PortSettings, LineFormatSettings):
    """Settings of a meter that sends lines unasked; port and columns (or pattern) are enough."""

    stall_s: float = Field(
        default=0.5,
        gt=0,
        le=3600,
        description="Two or more lines that come at once after more than this many s of silence are flagged "
        "burst: when they were measured is uncertain by as much.",
    )
    carry_s: float | None = Field(
        default=None,
        gt=0,
        le=600,
        description="For a meter that sends its quantities in lines of their own, told apart by a pattern "
        "with | in it: for so long in s a value may stand in the readings after its line, as if measured "
        "with them. Each line with mv is a reading, the others are none. A little more than from one such "
        "line to the next. Left out: every line stands for itself.",
    )


class LineStream:
    """Reads lines a meter sends unasked."""

    settings_model: ClassVar[type[DriverSettings]] = LineStreamSettings
    counts: LineCounts
    _received_ms: int
    _in_burst: bool

    def __init__(self, settings: LineStreamSettings, clock: Clock) -> None:
        self._settings = settings
        self._clock = clock
        self._port: Port | None = None
        self._silence: asyncio.TimerHandle | None = None
        self._held_up: asyncio.TimerHandle | None = None
        """Set while nothing is taken because too much came."""
        self._start()

    async def open(self) -> None:
        """Open the port; see `MeterDriver.open`."""
        await self.close()
        self._start()
        self._port = await open_port(
            self._settings, self._clock, self, may_gather=self._settings.gap_s is None
        )
        self._await_silence()

    async def read(self) -> Sequence[Reading]:
        """Wait for the next readings; see `MeterDriver.read`."""
        if self._port is None:
            raise PortUnavailableError("the port is not open", subject=self._settings.port)
        readings = await self._waiting.fetch()
        self._resume()
        return readings

    def may_wait_until(self, boot_ms: int) -> None:
        """Leave what comes before `boot_ms` in bytes; see `PatientDriver.may_wait_until`."""
        self._patient_until_ms = boot_ms

    def at_hand(self) -> Sequence[Reading]:
        """Return what has come so far; see `PatientDriver.at_hand`."""
        rows = self._worked_off()
        self._resume()
        return self._waiting.take(and_then=rows)

    async def close(self) -> None:
        """Release the port; see `MeterDriver.close`."""
        for timer in (self._silence, self._held_up):
            if timer is not None:
                timer.cancel()
        self._silence = self._held_up = None
        if self._port is not None:
            self._port.close()
            self._port = None

    def received(self, boot_ms: int, data: bytes) -> None:
        """Take a chunk from the port; what may wait is looked at with what comes after it."""
        self._chunks.append((boot_ms, data))
        self._held_bytes += len(data)
        if boot_ms >= self._patient_until_ms or self._held_bytes > _MOST_BYTES or self._by_silence:
            self._work_off()
            if self._by_silence:
                self._await_silence()
            if self._waiting.is_full and self._port is not None:
                self._port.pause()

    def damaged(self, size: int) -> None:
        """Distrust the chunk, what is held, and all up to the next terminator."""
        self._work_off()
        self._framer.damage(size)

    def lost(self, error: DriverError) -> None:
        """Pass on that the port is gone; half a line is no line."""
        self._work_off()
        self._reader.counts.discarded_bytes += self._framer.clear()
        self._waiting.fail(error)

    def _start(self) -> None:
        settings = self._settings
        self._reader = LineReader(settings, settings.carry_s)
        self.counts = self._reader.counts
        self._framer = LineFramer(settings.terminator.encode(settings.encoding), settings.max_line_bytes)
        self._waiting = WaitingReadings()
        self._received_ms = self._clock.boot_ms()
        self._in_burst = False
        self._by_silence = settings.gap_s is not None
        self._chunks: list[tuple[int, bytes]] = []
        self._held_bytes = 0
        self._patient_until_ms = 0
        self._pace = Pace(MOST_READINGS_PER_S, BACKLOG_S)

    def _resume(self) -> None:
        if self._port is not None and self._held_up is None:
            self._port.resume()

    def _hold_up(self, readings: int) -> None:
        """Take nothing for a while where more readings came than any meter measures."""
        loop = asyncio.get_running_loop()
        ahead_s = self._pace.ahead_s(readings, loop.time())
        if ahead_s > 0 and self._port is not None and self._held_up is None:
            self._held_up = loop.call_later(min(ahead_s, _TOLD_S), self._go_on, ahead_s - _TOLD_S)
            self._port.pause()

    def _go_on(self, later_s: float = 0.0) -> None:
        self._held_up = None
        if later_s > 0:
            self.counts.count(TOO_MANY)
            self._held_up = asyncio.get_running_loop().call_later(later_s, self._go_on)
        self._resume()

    def _work_off(self) -> None:
        """Turn what has come into readings and let them be fetched."""
        self._waiting.put_rows(self._worked_off())

    def _worked_off(self) -> Sequence[Row]:
        """Turn what has come into readings, as if each chunk had been looked at when it came."""
        if not self._chunks:
            return ()
        chunks, self._chunks, self._held_bytes = self._chunks, [], 0
        framer, reader, stall_ms = self._framer, self._reader, self._settings.stall_s * 1000.0
        rows: list[Row] = []
        lines: list[bytes] = []
        times: list[int] = []
        flags_of: list[int] = []
        for boot_ms, data in chunks:
            since_ms = boot_ms - self._received_ms
            self._received_ms = boot_ms
            if (line := framer.only_line(data)) is not None:  # the usual chunk: they are decoded together
                self._in_burst = self._in_burst and since_ms <= _SAME_BACKLOG_MS and since_ms <= stall_ms
                lines.append(line)
                times.append(boot_ms)
                flags_of.append(int(Flag.BURST) if self._in_burst else 0)
                continue
            rows += reader.rows(lines, times, flags_of)
            lines, times, flags_of = [], [], []
            items = framer.feed(data)
            several = len(items) >= 2 and reader.weighed(items) >= 2
            if since_ms > stall_ms:
                self._in_burst = several
            elif since_ms > _SAME_BACKLOG_MS and not several:
                self._in_burst = False
            flags = int(Flag.BURST) if self._in_burst else 0
            for item in items:
                row = reader.row(item, boot_ms, flags)
                if row is not None:
                    rows.append(row)
        reader.counts.discarded_bytes += framer.take_head()
        rows += reader.rows(lines, times, flags_of)
        self._hold_up(len(rows))
        return rows

    def _await_silence(self) -> None:
        # The line's own time, not the clock's: a clock may run faster than the line.
        if self._settings.gap_s is None:
            return
        if self._silence is not None:
            self._silence.cancel()
        self._silence = asyncio.get_running_loop().call_later(self._settings.gap_s, self._fell_silent)

    def _fell_silent(self) -> None:
        self._silence = None
        for item in self._framer.end_by_silence():
            parts = self._reader.parted(item)  # a busy machine sees two messages as one
            flags = int(Flag.BURST) if len(parts) > 1 else 0
            rows = (self._reader.row(part, self._received_ms, flags) for part in parts)
            self._waiting.put_rows([row for row in rows if row is not None])
