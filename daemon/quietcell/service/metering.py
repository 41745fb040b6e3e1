"""A cell's port: opened, read and closed, again and again, with faults told once."""

import asyncio
from collections.abc import Awaitable, Callable, Coroutine, Sequence
from itertools import count
from typing import Any, Protocol

from quietcell.contracts import LineCounts
from quietcell.core.readings import ReadingRows, Row
from quietcell.errors import DriverBrokeError, DriverError, ReplyTimeoutError, printable
from quietcell.outlets.follower import Backoff
from quietcell.service.guarded_driver import LET_GO_S, GuardedDriver
from quietcell.service.records import LONGEST_FAULT

REOPEN_FIRST_S, REOPEN_LONGEST_S = 0.2, 2.0
"""Pauses between attempts to open a port: doubled each time, capped, jittered by a fifth."""
BROKEN_LONGEST_S = 60.0
"""The cap where it is the driver that broke."""
WORKED_S = 10.0
"""After so long with an open port pauses begin anew."""
LONGEST_LINE = 80
"""More of a line that cannot be read is not shown."""
TURNS = 32
"""Reads after which the other cells get a turn, even where more is waiting."""
Guard = Callable[[Coroutine[Any, Any, None]], Coroutine[Any, Any, None]]
"""Does some work and deals with what should not happen."""


class Receive(Protocol):
    """Takes readings."""

    async def __call__(self, readings: ReadingRows, *, reopened: bool) -> None:
        """Take readings; `reopened` tells that the port was closed since those before."""


class Metering:
    """Reads one meter.

    Parameters
    ----------
    meter : GuardedDriver
        Not yet open.
    receive : Receive
        Where readings go.
    tell : callable
        Records a fault: name of the driver, and what it says.
    log : structlog logger
        Of the cell.
    after_another : bool
        Whether the cell has read another meter before.
    """

    def __init__(
        self,
        meter: GuardedDriver,
        *,
        receive: Receive,
        tell: Callable[[str, str], Awaitable[None]],
        log: Any,
        after_another: bool = False,
    ) -> None:
        self._meter = meter
        self._receive = receive
        self._tell = tell
        self._log = log
        self._reopened = after_another
        """The port was closed since the last reading."""
        self.receiving = False
        """Readings are on their way to the ledger: no mark may pass those that wait behind them."""
        self._last_fault = ""
        self._told: object = None
        """What the last fault that was told had that the same one again has, too."""
        self._open_told = False
        """The port opened since the last fault that was told."""
        self._readings = self._unread = self._discarded = 0
        """So many readings when last asked, and so many messages since that are none."""
        self._reasons: dict[str, int] = {}
        self._newest = ""
        """Why the last of them is none."""
        self._mistake: DriverBrokeError | None = None
        """Of a patient driver, not yet told."""
        self._reading: asyncio.Task[None] | None = None

    @property
    def counts(self) -> LineCounts:
        """What the meter has sent since its port was opened."""
        return self._meter.counts

    def hindrance(self) -> str:
        """Return why no readings come, in words; empty where that cannot be told. To be asked often."""
        now = self._meter.counts
        anew = (
            sum(now.reasons.values()) < sum(self._reasons.values()) or now.discarded_bytes < self._discarded
        )
        if now.readings != self._readings or anew:
            self._readings, self._unread = now.readings, 0  # one has come, or the port was opened again
            self._reasons, self._discarded = dict(now.reasons), now.discarded_bytes
        grown = {reason: times - self._reasons.get(reason, 0) for reason, times in now.reasons.items()}
        if any(grown.values()):
            self._unread += sum(grown.values())
            self._newest = max(grown, key=lambda reason: grown[reason])
            self._reasons = dict(now.reasons)
        size = now.discarded_bytes - self._discarded
        if not self._unread and size and not self._last_fault:
            return f"{size} bytes came, and no whole message among them: are speed and terminator right?"
        if not self._unread:
            return self._last_fault
        line = f", last in '{printable(now.last_bad_line)[:LONGEST_LINE]}'" if now.last_bad_line else ""
        return f"{self._newest} ({self._unread} times){line}"

    def may_wait_until(self, boot_ms: int) -> None:
        """Let a patient driver keep what comes before `boot_ms`."""
        self._meter.may_wait_until(boot_ms)

    def at_hand(self) -> Sequence[Row]:
        """Return what a patient driver has kept so far, unless the port was closed since the last reading."""
        if self._reopened:
            return ()
        try:
            return self._meter.at_hand()
        except DriverBrokeError as error:
            self._mistake = error
            return ()

    async def tell_mistake(self) -> None:
        """Tell what went wrong when a patient driver was asked for what it has kept."""
        if self._mistake is not None:
            mistake, self._mistake = self._mistake, None
            await self._fault(mistake)

    def start(self, guard: Guard, name: str) -> None:
        """Begin to read, under guard, in a task called `name`."""
        self._reading = asyncio.create_task(guard(self._read()), name=name)

    async def stop(self) -> None:
        """Read no more; a driver that does not let go is left behind."""
        if self._reading is not None:
            self._reading.cancel()
            _, clinging = await asyncio.wait({self._reading}, timeout=LET_GO_S)
            if clinging:
                self._log.error("the driver does not let itself be cancelled", driver=self._meter.name)

    async def close(self) -> None:
        """Release the port."""
        await self._meter.close()

    async def _read(self) -> None:
        """Open, read and close the meter, again and again."""
        loop = asyncio.get_running_loop()
        fault_pause = Backoff(REOPEN_FIRST_S, REOPEN_LONGEST_S)
        broken_pause = Backoff(REOPEN_FIRST_S, BROKEN_LONGEST_S)
        opened = False
        while True:
            began_s, pause = loop.time(), fault_pause
            try:
                await self._meter.open()
                if not self._open_told:  # one that is asked in vain is opened anew every few seconds
                    self._log.info("meter open", driver=self._meter.name)
                    self._open_told = True
                self._reopened = self._reopened or opened
                opened = True
                await self._receive_all()
            except DriverBrokeError as error:
                pause = broken_pause
                await self._fault(error)
            except DriverError as error:
                await self._fault(error)
            await self._meter.close()
            if loop.time() - began_s > WORKED_S:
                pause.worked()
            await pause.pause()

    async def _receive_all(self) -> None:
        for turn in count(1):
            readings = await self._meter.read()
            self.receiving = True
            try:
                reopened, self._reopened = self._reopened, False
                self._last_fault, self._told = "", None
                await self._receive(readings, reopened=reopened)
                if turn % TURNS == 0:
                    await asyncio.sleep(0)  # a meter that always has more must leave the others their turn
            finally:
                self.receiving = False

    async def _fault(self, error: Exception) -> None:
        """Tell of a fault of the driver once, not at every attempt."""
        self._last_fault = text = printable(str(error))[:LONGEST_FAULT]
        # What the meter said last stands in these texts: each attempt words them anew.
        varies = isinstance(error, (ReplyTimeoutError, DriverBrokeError))
        told = (type(error), type(error.__cause__), "" if varies else text)
        if told == self._told:
            return
        self._told, self._open_told = told, False
        # Where it is the driver that broke its author needs the trace; of a pulled plug the text says all.
        trace = error.__cause__ if isinstance(error, DriverBrokeError) else None
        self._log.warning("meter fault", driver=self._meter.name, text=text, exc_info=trace)
        await self._tell(self._meter.name, text)
