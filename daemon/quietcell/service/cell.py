"""One cell at work: its meter's readings and the time, in one order, into its engine and the ledger."""

import asyncio
import random
from collections.abc import Sequence
from contextlib import suppress

import structlog

from quietcell.contracts import Clock, MeterDriver
from quietcell.core.engine import Engine, Indication
from quietcell.core.inputs import EngineInput, SegmentBegan, SegmentEnded, TimeMark
from quietcell.core.readings import Flag, Reading, ReadingBlock
from quietcell.core.records import SegmentCause, SegmentEndCause, TimeQuality
from quietcell.core.settings import CellSettings
from quietcell.core.times import rfc3339
from quietcell.errors import ContractError, DriverError
from quietcell.ledger.ledger import Ledger
from quietcell.ledger.readings_files import SegmentReadings
from quietcell.service.clock import time_quality
from quietcell.service.records import ClockStepBody, DaemonIds, DriverFaultBody

MARK_S = 1.0
"""Time between time marks."""
LAG_MS = 250
"""A mark lies this far behind the clock (times its scale), so that a reading received before it but
decoded after it is not late."""
CLOCK_STEP_MS = 1000
"""A step of UTC from here on begins a segment."""
REOPEN_FIRST_S, REOPEN_LONGEST_S = 0.2, 2.0
"""Pauses between attempts to open a port: doubled each time, capped, jittered by a fifth."""


class CellTask:
    """Runs one cell until it is stopped.

    Parameters
    ----------
    settings : CellSettings
        The cell.
    driver : MeterDriver
        Its meter, not yet open.
    driver_name : str
        As configured.
    clock : Clock
        Time.
    scale : float
        Seconds of `clock` for each second of the machine.
    ledger : Ledger
        Takes readings and bodies.
    ids : DaemonIds
        For records about the port.
    segment : int
        Number of the first segment.
    """

    def __init__(
        self,
        settings: CellSettings,
        driver: MeterDriver,
        *,
        driver_name: str,
        clock: Clock,
        scale: float,
        ledger: Ledger,
        ids: DaemonIds,
        segment: int,
    ) -> None:
        self.name = settings.cell
        self._driver = driver
        self._driver_name = driver_name
        self._clock = clock
        self._lag_ms = round(LAG_MS * scale)
        self._ledger = ledger
        self._ids = ids
        self._engine = Engine(settings)
        self._segment = segment
        self._anchor_boot_ms = 0
        self._anchor_utc_ms = 0
        self._floor_ms = 0
        self._last_fault = ""
        self._log = structlog.get_logger().bind(cell=self.name)

    def indication(self) -> Indication:
        """Return the live reading and what the cell waits for."""
        return self._engine.indication()

    async def run(self, stop: asyncio.Event) -> None:
        """Read and judge until `stop` is set; then end the segment in order."""
        await self._begin("started")
        stopping = asyncio.create_task(stop.wait(), name=f"{self.name} stop")
        try:
            first = True
            while not stop.is_set():
                if await self._open(stopping):
                    if not first:
                        await self._new_segment("reopened")
                    first = False
                    await self._read(stopping)
                await self._driver.close()
        finally:
            stopping.cancel()
            with suppress(DriverError, OSError):
                await self._driver.close()
        await self._take(SegmentEnded(ms=max(self._floor_ms, self._now_ms()), cause="stopped"))

    # --- the meter -----------------------------------------------------------------------------

    async def _open(self, stopping: asyncio.Task[bool]) -> bool:
        """Open the meter's port, however long it takes; False when stopped meanwhile."""
        pause_s = REOPEN_FIRST_S
        while not stopping.done():
            try:
                await self._driver.open()
            except asyncio.CancelledError:
                raise
            except Exception as error:  # noqa: BLE001 # whatever a driver does wrong is its own cell's trouble
                await self._fault(error)
            else:
                self._last_fault = ""
                self._log.info("meter open", driver=self._driver_name)
                return True
            jitter = random.uniform(0.8, 1.2)  # noqa: S311 # only spreads attempts
            await self._wait(stopping, pause_s * jitter)
            pause_s = min(2 * pause_s, REOPEN_LONGEST_S)
        return False

    async def _wait(self, stopping: asyncio.Task[bool], seconds: float) -> None:
        """Wait while the engine's time goes on."""
        await asyncio.wait({stopping}, timeout=seconds)
        await self._mark()

    async def _read(self, stopping: asyncio.Task[bool]) -> None:
        """Take readings until the port is lost or the run stops."""
        reading: asyncio.Task[Sequence[Reading]] | None = None
        pause = asyncio.create_task(self._clock.sleep(MARK_S))
        try:
            while not stopping.done():
                reading = reading or asyncio.create_task(_read_once(self._driver))
                await asyncio.wait({reading, pause, stopping}, return_when=asyncio.FIRST_COMPLETED)
                if reading.done():
                    done, reading = reading, None
                    await self._receive(done.result())
                if pause.done():
                    await self._mark()
                    pause = asyncio.create_task(self._clock.sleep(MARK_S))
        except asyncio.CancelledError:
            raise
        except Exception as error:  # noqa: BLE001 # as above
            await self._fault(error)
        finally:
            for task in (reading, pause):
                if task is not None:
                    task.cancel()
                    with suppress(asyncio.CancelledError, Exception):
                        await task

    async def _fault(self, error: Exception) -> None:
        """Record a fault of the driver once, not at every attempt."""
        expected = isinstance(error, DriverError)
        text = str(error) if expected else f"the driver broke: {type(error).__name__}: {error}"
        if text == self._last_fault:
            return
        self._last_fault = text
        self._log.warning("meter fault", driver=self._driver_name, text=text, exc_info=not expected)
        await self._ledger.record(
            [
                DriverFaultBody(
                    id=self._ids.next(),
                    cell=self.name,
                    at=rfc3339(self._clock.utc_ms()),
                    driver=self._driver_name,
                    text=text,
                )
            ]
        )

    # --- the engine ----------------------------------------------------------------------------

    def _now_ms(self) -> int:
        return self._clock.boot_ms() - self._anchor_boot_ms

    async def _take(self, item: EngineInput) -> None:
        await self._ledger.record(self._engine.take(item))

    async def _receive(self, readings: Sequence[Reading]) -> None:
        """Put readings on segment time, keep them, then let the engine see them."""
        block = ReadingBlock.from_readings(readings, anchor_boot_ms=self._anchor_boot_ms)
        for row in range(len(block)):
            if block.ms[row] < self._floor_ms:
                block.ms[row] = self._floor_ms
                block.flags[row] |= int(Flag.LATE)
            self._floor_ms = int(block.ms[row])
        self._ledger.keep(
            SegmentReadings(
                cell=self.name, segment=self._segment, anchor_utc_ms=self._anchor_utc_ms, block=block
            )
        )
        await self._take(block)

    async def _mark(self) -> None:
        """Tell the engine how far time has come, and notice a step of UTC."""
        ms = self._now_ms() - self._lag_ms
        if ms >= self._floor_ms:
            self._floor_ms = ms + 1
            await self._take(TimeMark(ms=ms))
        step_ms = self._clock.utc_ms() - self._clock.boot_ms() - (self._anchor_utc_ms - self._anchor_boot_ms)
        if abs(step_ms) >= CLOCK_STEP_MS:
            self._log.warning("clock step", step_s=step_ms / 1000)
            await self._ledger.record(
                [
                    ClockStepBody(
                        id=self._ids.next(),
                        cell=self.name,
                        at=rfc3339(self._clock.utc_ms()),
                        step_s=step_ms / 1000,
                    )
                ]
            )
            await self._new_segment("clock-step")

    async def _new_segment(self, cause: SegmentCause) -> None:
        """End the segment and begin the next at the same instant."""
        end_ms = max(self._floor_ms, self._now_ms())
        await self._take(SegmentEnded(ms=end_ms, cause=_end_cause(cause)))
        self._segment += 1
        await self._begin(cause, boot_ms=self._anchor_boot_ms + end_ms)

    async def _begin(self, cause: SegmentCause, *, boot_ms: int | None = None) -> None:
        now_boot_ms, now_utc_ms = self._clock.boot_ms(), self._clock.utc_ms()
        self._anchor_boot_ms = now_boot_ms if boot_ms is None else boot_ms
        self._anchor_utc_ms = now_utc_ms - (now_boot_ms - self._anchor_boot_ms)
        self._floor_ms = 0
        quality: TimeQuality = time_quality()
        await self._take(
            SegmentBegan(segment=self._segment, utc_ms=self._anchor_utc_ms, cause=cause, time_quality=quality)
        )


def _end_cause(cause: SegmentCause) -> SegmentEndCause:
    if cause == "started":
        raise ContractError("a run starts no segment inside itself")
    return cause


async def _read_once(driver: MeterDriver) -> Sequence[Reading]:
    return await driver.read()
