"""`line-poll`: a meter that answers a question with a line.

A line protocol has no request number: an answer that comes late looks like the answer to the next
question. So one task owns the exchange, asks nothing before the last question was answered or the
line has fallen silent, throws away whatever came unasked, and flags the first reading after a
time-out. After a time-out the next answer must also be followed by silence: a meter that is one
answer behind gives itself away by a second one. Closing drops the port, and a new opening waits for
silence first.
"""

import asyncio
from collections.abc import Sequence
from functools import partial
from typing import ClassVar, Self

from pydantic import Field, model_validator

from quietcell.contracts import Clock, DriverSettings, LineCounts
from quietcell.core.readings import Flag, Reading
from quietcell.errors import DriverError, PortUnavailableError, ReplyTimeoutError
from quietcell_drivers.asking import Asking, until_silent
from quietcell_drivers.framing import Discarded, Line, LineFramer
from quietcell_drivers.line_format import EscapedText, LineFormatSettings
from quietcell_drivers.line_reader import LineReader
from quietcell_drivers.port import Port, open_port
from quietcell_drivers.port_settings import PortSettings
from quietcell_drivers.waiting_readings import WaitingReadings

NO_ANSWER = "no answer in time"
UNASKED = "came unasked"
LATE_ANSWER = "answer to an earlier question"
ECHOED = "the question itself came back, which echo = true expects"


class LinePollSettings(PortSettings, LineFormatSettings):
    """Settings of a meter that is asked; port, question and columns (or pattern) are enough."""

    question: EscapedText = Field(
        min_length=1, description=r"What is sent to ask for a reading, with its end, such as READ?\r\n."
    )
    echo: bool = Field(default=False, description="Whether the meter sends the question back first.")
    interval_s: float = Field(
        default=1.0,
        gt=0,
        le=3600,
        description="From one question to the next, s; longer if answers are slow.",
    )
    reply_timeout_s: float = Field(
        default=1.0,
        gt=0,
        le=120,
        description="Longest wait for an answer, s; more than the meter ever needs.",
    )
    quiet_s: float = Field(
        default=0.2,
        gt=0,
        le=60,
        description="Silence in s after which a late answer is no longer expected; after a time-out and "
        "after opening nothing is asked before it.",
    )
    give_up_after: int = Field(
        default=5, ge=1, le=1000, description="Questions without answer after which the port is opened anew."
    )

    def reads_every_s(self) -> float:
        """Return the time from one question to the next, s."""
        return self.interval_s

    @model_validator(mode="after")
    def _question_exists(self) -> Self:
        try:
            self.question.encode(self.encoding)
        except UnicodeError:
            raise ValueError(f"question {self.question!r} does not exist in {self.encoding}") from None
        return self


class LinePoll:
    """Asks a meter and reads its answer."""

    settings_model: ClassVar[type[DriverSettings]] = LinePollSettings
    counts: LineCounts

    def __init__(self, settings: LinePollSettings, clock: Clock) -> None:
        self._settings = settings
        self._clock = clock
        self._question = settings.question.encode(settings.encoding)
        self._port: Port | None = None
        self._asking = Asking()
        self._silence: asyncio.TimerHandle | None = None
        self._start()

    def _start(self) -> None:
        settings = self._settings
        self._reader = LineReader(settings)
        self.counts = self._reader.counts
        self._framer = LineFramer(
            settings.terminator.encode(settings.encoding), settings.max_line_bytes, discard_head=False
        )
        self._waiting = WaitingReadings()
        self._heard = asyncio.Event()
        self._answer: asyncio.Future[tuple[int, Line | Discarded]] | None = None
        self._echo_due = False
        self._received_ms = 0
        self._in_doubt = False
        self._unasked = 0
        self._asked_s = 0.0
        self._why = ""

    async def open(self) -> None:
        """Open the port; see `MeterDriver.open`."""
        await self.close()
        self._start()
        self._port = await open_port(self._settings, self._clock, self)
        self._asking.begin(partial(self._ask, self._port), self._waiting, port=self._settings.port)

    async def read(self) -> Sequence[Reading]:
        """Wait for the next readings; see `MeterDriver.read`."""
        if self._port is None:
            raise PortUnavailableError("the port is not open", subject=self._settings.port)
        return await self._waiting.fetch()

    async def close(self) -> None:
        """Release the port; see `MeterDriver.close`."""
        await self._asking.end()
        if self._silence is not None:
            self._silence.cancel()
            self._silence = None
        if self._port is not None:
            self._port.close()
            self._port = None

    # --- the exchange --------------------------------------------------------------------------

    async def _ask(self, port: Port) -> None:
        settings, unanswered = self._settings, 0
        await self._until_silent(settings.quiet_s)
        while True:
            asked_ms = self._clock.boot_ms()
            if self._waiting.is_full or await self._exchange(port):
                unanswered = 0
            else:
                unanswered += 1
                if unanswered >= settings.give_up_after:
                    raise ReplyTimeoutError(
                        f"{unanswered} questions without a reading, the last because of: {self._why}",
                        subject=settings.port,
                        hint="Is the meter on? Are question, baud, terminator and columns right?",
                    )
                await self._until_silent(settings.quiet_s)
            spent_s = (self._clock.boot_ms() - asked_ms) / 1000
            await self._clock.sleep(max(0.0, settings.interval_s - spent_s))

    async def _exchange(self, port: Port) -> bool:
        """Ask once; False when no line came in time or what came was no reading."""
        self._forget_input()
        self._echo_due = self._settings.echo
        loop = asyncio.get_running_loop()
        since_last_s, self._asked_s = loop.time() - self._asked_s, loop.time()
        self._answer = loop.create_future()
        try:
            await port.write(self._question)
            # The line's own time, not the clock's: a clock may run faster than the line.
            async with asyncio.timeout(self._settings.reply_timeout_s):
                boot_ms, item = await self._answer
        except TimeoutError:
            self.counts.count(NO_ANSWER)
            self._why = NO_ANSWER
            self._reader.flag_next(Flag.AFTER_TIMEOUT)
            self._in_doubt = True
            return False
        finally:
            self._answer = None
        if self._in_doubt:
            # If this was the answer to an earlier question, its own follows as the questions did.
            settings, unasked = self._settings, self._unasked
            longest_s = 3 * (settings.interval_s + settings.reply_timeout_s + settings.quiet_s)
            await self._until_silent(max(settings.quiet_s, min(1.5 * since_last_s, longest_s)))
            if self._unasked > unasked:
                self.counts.count(LATE_ANSWER)
                self._why = LATE_ANSWER
                return False
        reading = self._reader.reading(item, boot_ms)
        if reading is None:
            echoed = isinstance(item, Line) and item.content.strip() == self._question.strip()
            self._why = ECHOED if echoed else self._reader.why
            return False
        self._in_doubt = False
        self._waiting.put(reading)
        return True

    async def _until_silent(self, silent_s: float) -> None:
        hint = "A meter that sends by itself wants the driver line-stream"
        await until_silent(self._more, silent_s, port=self._settings.port, hint=hint)

    async def _more(self) -> None:
        self._heard.clear()
        await self._heard.wait()

    def _forget_input(self) -> None:
        dropped = self._framer.clear()
        if dropped:
            self.counts.discarded_bytes += dropped
            self.counts.count(UNASKED)

    # --- the port ------------------------------------------------------------------------------

    def received(self, boot_ms: int, data: bytes) -> None:
        """Take a chunk from the port."""
        self._heard.set()
        self._received_ms = boot_ms
        self._take(self._framer.feed(data))
        if self._settings.gap_s is not None:
            if self._silence is not None:
                self._silence.cancel()
            self._silence = asyncio.get_running_loop().call_later(self._settings.gap_s, self._fell_silent)

    def damaged(self, size: int) -> None:
        """Distrust the chunk, what is held, and all up to the next terminator."""
        self._heard.set()
        self._framer.damage(size)

    def lost(self, error: DriverError) -> None:
        """Pass on that the port is gone."""
        self._waiting.fail(error)

    def _fell_silent(self) -> None:
        self._silence = None
        self._take(self._framer.end_by_silence())

    def _take(self, items: list[Line | Discarded]) -> None:
        for item in items:
            if isinstance(item, Line):
                if self._reader.passes_over(item.content):
                    continue
                if self._echo_due and item.content.lstrip().startswith(self._question.strip()):
                    # The echo ends as the question does: the answer may follow it in the same line.
                    self._echo_due = False
                    item = Line(item.content.lstrip()[len(self._question.strip()) :])  # noqa: PLW2901 # the rest
                    if not item.content.strip():
                        continue
            if self._answer is not None and not self._answer.done():
                self._answer.set_result((self._received_ms, item))
            else:
                size = item.size if isinstance(item, Discarded) else len(item.content)
                self.counts.discarded_bytes += size
                self.counts.count(UNASKED)
                self._unasked += 1
