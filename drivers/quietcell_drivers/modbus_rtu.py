"""`modbus-rtu`: meters that keep their values in registers, one or several on a line.

An answer carries no number of its question: one that comes late, or twice, looks like the answer to the
next. So a question of one length is not asked again before answers to the last can no longer come. After
one that failed, a question of another length must be answered as such first, and the first reading after
it is flagged. What brought anything but one whole frame of the meter is thrown away with all it brought.
"""

import asyncio
from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from importlib.util import find_spec
from typing import TYPE_CHECKING, ClassVar, Self

from pydantic import Field, model_validator

from quietcell.contracts import Clock, DriverSettings, LineCounts
from quietcell.core.readings import NO_FLAG, Flag, Reading
from quietcell.errors import PortUnavailableError, ReplyTimeoutError
from quietcell_drivers.asking import Asking
from quietcell_drivers.modbus_bus import Bus, Heard
from quietcell_drivers.modbus_registers import Kind, RegisterBlock, RegisterMap, blocks, reading_of
from quietcell_drivers.port_settings import PortSettings
from quietcell_drivers.waiting_readings import WaitingReadings

if TYPE_CHECKING:
    from quietcell_drivers.modbus_codec import Codec

NO_ANSWER = "no answer in time"
NOT_ONE_FRAME = "not one whole frame of this meter"
UNASKED = "came unasked"
LEFT_BEHIND = "out of step: answered otherwise than asked"
_MOST_IGNORED = 2
"""Then the wait for late answers must do alone."""
_EXCEPTIONS = {
    1: "it does not know this function (kind)",
    2: "it has no such register",
    3: "it does not allow so many registers",
    4: "its own fault",
    5: "it needs longer",
    6: "it is busy",
    8: "its memory is damaged",
    10: "the gateway has no path",
    11: "the gateway got no answer",
}
"""Modbus application protocol V1.1b3, section 7, in other words."""


class ModbusRtuSettings(PortSettings, RegisterMap):
    """Settings of a Modbus RTU meter; port, unit and registers are enough."""

    unit: int = Field(ge=1, le=247, description="Address of the meter on the line.")
    interval_s: float = Field(
        default=2.0, gt=0, le=3600, description="From one reading to the next, s; longer if answers are slow."
    )
    reply_timeout_s: float = Field(
        default=0.5, gt=0, le=60, description="Longest wait for an answer, s; more than the meter ever needs."
    )
    latest_reply_s: float = Field(
        default=2.0,
        gt=0,
        le=300,
        description="After so many s since a question no answer to it can come any more, not even a second "
        "one; the same is not asked again before. Readings come no faster.",
    )
    quiet_s: float = Field(
        default=0.02,
        gt=0,
        le=5,
        description="Silence that ends an answer, s; more than any pause inside one (USB adapters pause up "
        "to 0.016 s).",
    )
    echo: bool = Field(default=False, description="Whether the line gives back what is sent (two-wire).")
    give_up_after: int = Field(
        default=5, ge=1, le=1000, description="Failed questions in a row after which the line is opened anew."
    )

    def sole_port(self) -> None:
        """Return nothing: meters share a line."""

    def reads_every_s(self) -> float:
        """Return the time from one reading to the next, s."""
        return max(self.interval_s, self.latest_reply_s)

    @model_validator(mode="after")
    def _coherent(self) -> Self:
        if self.latest_reply_s < self.reply_timeout_s:
            raise ValueError(
                f"latest_reply_s is {self.latest_reply_s:g} s, must be at least reply_timeout_s "
                f"({self.reply_timeout_s:g} s)"
            )
        if find_spec("pymodbus") is None:
            raise ValueError("pymodbus is not installed; install it with: pip install 'quietcell[modbus]'")
        return self


class ModbusRtu:
    """Asks a Modbus RTU meter for its registers."""

    settings_model: ClassVar[type[DriverSettings]] = ModbusRtuSettings
    counts: LineCounts

    def __init__(self, settings: ModbusRtuSettings, clock: Clock) -> None:
        self._settings = settings
        self._clock = clock
        self._blocks = blocks(settings)
        self._bus: Bus | None = None
        self._asking = Asking()
        self._unanswered_s: float | None = None
        """When the last question that had no proper answer was asked; survives closing."""
        self._ignored = 0
        """Questions of another length without any answer: some meters know no other than their own."""
        self._asked_s: dict[int, float] = {}
        """When a question was last asked, by its number of registers; survives closing."""
        self._start()

    def _start(self) -> None:
        self.counts = LineCounts()
        self._waiting = WaitingReadings()
        self._next_flag = NO_FLAG
        self._in_step = False
        self._why = ""

    async def open(self) -> None:
        """Open the line or share it; see `MeterDriver.open`."""
        from quietcell_drivers.modbus_codec import Codec  # noqa: PLC0415 # an extra, and slow to import

        await self.close()
        self._start()
        self._bus = await Bus.join(self._settings, self._clock)
        asking = partial(self._ask, self._bus, Codec(self._settings.unit))
        self._asking.begin(asking, self._waiting, port=self._settings.port)

    async def read(self) -> Sequence[Reading]:
        """Wait for the next readings; see `MeterDriver.read`."""
        if self._bus is None:
            raise PortUnavailableError("the line is not open", subject=self._settings.port)
        return await self._waiting.fetch()

    async def close(self) -> None:
        """Leave the line; see `MeterDriver.close`."""
        await self._asking.end()
        bus, self._bus = self._bus, None
        if bus is not None:
            bus.leave()

    # --- the exchange --------------------------------------------------------------------------

    async def _ask(self, bus: Bus, codec: "Codec") -> None:
        settings, failed = self._settings, 0
        while True:
            asked_ms = self._clock.boot_ms()
            if self._waiting.is_full or await self._reading(bus, codec):
                failed = 0
            else:
                failed += 1
                if failed >= settings.give_up_after:
                    raise ReplyTimeoutError(
                        f"unit {settings.unit}: {failed} questions without a value, the last because of: "
                        f"{self._why}",
                        subject=settings.port,
                        hint="Is the meter on? Are unit, registers and line settings right?",
                    )
            spent_s = (self._clock.boot_ms() - asked_ms) / 1000
            await self._clock.sleep(max(0.0, settings.interval_s - spent_s))

    async def _reading(self, bus: Bus, codec: "Codec") -> bool:
        """Ask for all registers; whatever goes wrong, there is no reading."""
        if not self._in_step and not await self._get_in_step(bus, codec):
            return False
        contents: dict[tuple[Kind, int], int] = {}
        boot_ms = None
        for block in self._blocks:
            answer = await self._exchange(bus, codec, block)
            if answer is None:
                return False
            heard, registers = answer
            boot_ms = heard.boot_ms if boot_ms is None else boot_ms
            contents.update({(block.kind, block.address + n): value for n, value in enumerate(registers)})
        reading = reading_of(self._settings, contents, boot_ms or 0)
        if self._next_flag:
            reading = replace(reading, flags=reading.flags | self._next_flag)
            self._next_flag = NO_FLAG
        self._ignored = min(self._ignored, _MOST_IGNORED - 1)
        self.counts.readings += 1
        self._waiting.put(reading)
        return True

    async def _get_in_step(self, bus: Bus, codec: "Codec") -> bool:
        """Wait until no late answer can come, then ask for something a late answer can't be taken for."""
        if self._unanswered_s is not None:
            wait_s = self._unanswered_s + self._settings.latest_reply_s - asyncio.get_running_loop().time()
            await asyncio.sleep(max(0.0, wait_s))
        if self._ignored < _MOST_IGNORED:
            first = self._blocks[0]
            lengths = {block.count for block in self._blocks}
            shorter = next((n for n in range(first.count - 1, 0, -1) if n not in lengths), None)
            other = RegisterBlock(first.kind, first.address, shorter or max(lengths) + 1)
            heard = await self._send(bus, codec, other)
            if codec.answer(heard.data, other) is None:
                self._ignored += not heard.data
                self._fail(heard, LEFT_BEHIND if heard.data else NO_ANSWER)
                return False
            # Some meters refuse to be asked for other registers; that, too, is an answer to this question.
            self._ignored = 0
        self._in_step, self._unanswered_s = True, None
        return True

    async def _exchange(
        self, bus: Bus, codec: "Codec", block: RegisterBlock
    ) -> tuple[Heard, Sequence[int]] | None:
        heard = await self._send(bus, codec, block)
        registers = codec.answer(heard.data, block)
        if registers is None:
            self._fail(heard, NOT_ONE_FRAME if heard.data else NO_ANSWER)
            return None
        if isinstance(registers, int):
            self._refused(registers)
            return None
        self._unanswered_s = None
        return heard, registers

    async def _send(self, bus: Bus, codec: "Codec", block: RegisterBlock) -> Heard:
        settings, loop = self._settings, asyncio.get_running_loop()
        if block.count in self._asked_s:
            wait_s = self._asked_s[block.count] + settings.latest_reply_s - loop.time()
            await asyncio.sleep(max(0.0, wait_s))

        def sent() -> None:
            self._unanswered_s = self._asked_s[block.count] = loop.time()

        heard = await bus.ask(
            codec.question(block),
            codec.answer_size(block),
            timeout_s=settings.reply_timeout_s,
            quiet_s=settings.quiet_s,
            echo=settings.echo,
            sent=sent,
        )
        if heard.unasked:
            self.counts.discarded_bytes += heard.unasked
            self.counts.count(UNASKED)
        return heard

    def _fail(self, heard: Heard, why: str) -> None:
        self._in_step = False
        self._why = why
        self.counts.discarded_bytes += len(heard.data)
        self.counts.count(why, heard.data[:24].hex(" "))
        self._next_flag |= Flag.AFTER_ERROR if heard.data else Flag.AFTER_TIMEOUT

    def _refused(self, code: int) -> None:
        self._in_step = False  # an exception does not say which question it answers
        self._why = f"exception {code}, {_EXCEPTIONS.get(code, 'not in the standard')}"
        self.counts.count(self._why)
        self._next_flag |= Flag.AFTER_ERROR
