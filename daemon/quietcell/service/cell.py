"""One cell at work: its meter's readings and the time, in one order, into its engine and the ledger."""

import asyncio
import random
from collections.abc import Callable, Sequence
from contextlib import suppress

import numpy as np
import structlog

from quietcell.contracts import Clock, MeterDriver
from quietcell.core.engine import TICK_MS, Engine
from quietcell.core.indication import Indication
from quietcell.core.inputs import SegmentBegan, SegmentEnded, TimeMark
from quietcell.core.readings import Flag, Reading, ReadingBlock
from quietcell.core.records import Body, SegmentCause, SegmentEndCause
from quietcell.core.settings import CellSettings
from quietcell.core.times import rfc3339
from quietcell.errors import CommandError, ContractError, DriverError
from quietcell.ledger.chain import Stored
from quietcell.ledger.ledger import Ledger
from quietcell.ledger.readings_files import SegmentReadings
from quietcell.service.checkpoint import CHECKPOINT_MS, CheckpointBody, checkpoint
from quietcell.service.clock import time_quality
from quietcell.service.given import Given
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
    engine : Engine, optional
        With what it knew at the end of the cell's last run; one that knows nothing by default.
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
        engine: Engine | None = None,
    ) -> None:
        self.name = settings.cell
        self._driver = driver
        self._driver_name = driver_name
        self._clock = clock
        self._lag_ms = round(LAG_MS * scale)
        self._ledger = ledger
        self._ids = ids
        self._settings = settings
        self._engine = engine or Engine(settings)
        self._checkpoint_boot_ms = clock.boot_ms()
        self._segment = segment
        self._anchor_boot_ms = 0
        self._anchor_utc_ms = 0
        self._floor_ms = 0
        self._last_fault = ""
        self._measuring = False
        """True while a segment is open."""
        self._held: list[Reading] = []
        self._log = structlog.get_logger().bind(cell=self.name)

    def indication(self) -> Indication:
        """Return the live reading and what the cell waits for."""
        return self._engine.indication()

    async def reconfigure(self, settings: CellSettings, *, because: Sequence[Body] = ()) -> None:
        """Judge by other settings from now on; durable when this returns.

        The open determination ends as `reconfigured` and a segment begins; the port stays open.

        Parameters
        ----------
        settings : CellSettings
            Of the same cell.
        because : sequence of Body
            Records that lead to it, committed together with what the engine makes of it.
        """
        await self._new_segment("reloaded", settings=settings, because=because)

    async def run(self, stop: asyncio.Event) -> None:
        """Read and judge until `stop` is set; then end the segment in order."""
        await self._ledger.record(self._begin("started", settings=self._settings))
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
        self._measuring = False
        end = SegmentEnded(ms=max(self._floor_ms, self._now_ms()), cause="stopped")
        await self._ledger.record([*self._engine.take(end), self._checkpoint()])

    # --- the meter -----------------------------------------------------------------------------

    async def _open(self, stopping: asyncio.Task[bool]) -> bool:
        """Open the meter's port, however long it takes; False when stopped meanwhile."""
        pause_s = REOPEN_FIRST_S
        while not stopping.done():
            try:
                await self._driver.open()
            except DriverError as error:
                await self._fault(error)
            except Exception as error:  # noqa: BLE001 # whatever a driver does wrong is its own cell's trouble
                await self._fault(_broken(self._driver_name, error))
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
        reading = asyncio.create_task(self._receive_all(), name=f"{self.name} reading")
        marking = asyncio.create_task(self._mark_all(), name=f"{self.name} marking")
        try:
            await asyncio.wait({reading, marking, stopping}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in (reading, marking):
                task.cancel()
            ends = await asyncio.gather(reading, marking, return_exceptions=True)
            await self._feed()
        for end in ends:
            if isinstance(end, DriverError):
                await self._fault(end)
            elif isinstance(end, Exception):
                raise end

    async def _receive_all(self) -> None:
        while True:
            try:
                readings = await self._driver.read()
            except DriverError:
                raise
            except Exception as error:
                raise _broken(self._driver_name, error) from error
            await self._receive(readings)

    async def _mark_all(self) -> None:
        while True:
            await self._clock.sleep(MARK_S)
            await self._mark()

    async def _fault(self, error: Exception) -> None:
        """Record a fault of the driver once, not at every attempt."""
        text = str(error)
        if text == self._last_fault:
            return
        self._last_fault = text
        self._log.warning("meter fault", driver=self._driver_name, text=text, exc_info=error.__cause__)
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

    def _checkpoint(self) -> CheckpointBody:
        """Return what the engine knows now."""
        self._checkpoint_boot_ms = self._clock.boot_ms()
        return checkpoint(self._engine, id=self._ids.next(), at=rfc3339(self._clock.utc_ms()))

    async def _receive(self, readings: Sequence[Reading]) -> None:
        """Hold readings until one begins a new second of engine time: only then can anything happen."""
        self._held.extend(readings)
        if (readings[-1].boot_ms - self._anchor_boot_ms) // TICK_MS > self._floor_ms // TICK_MS:
            await self._feed()

    async def _feed(self) -> None:
        # No await between the engine and the ledger's queue: bodies are stored in the order they arose.
        if bodies := self._fed():
            await self._ledger.record(bodies)

    def _fed(self) -> tuple[Body, ...]:
        """Put what is held on segment time, keep it, then let the engine see it."""
        if not self._held:
            return ()
        held, self._held = self._held, []
        block = ReadingBlock.from_readings(held, anchor_boot_ms=self._anchor_boot_ms)
        in_order = np.maximum.accumulate(np.maximum(block.ms, self._floor_ms))
        block.flags[in_order != block.ms] |= int(Flag.LATE)
        block.ms[:] = in_order
        self._floor_ms = int(block.ms[-1])
        self._ledger.keep(
            SegmentReadings(
                cell=self.name, segment=self._segment, anchor_utc_ms=self._anchor_utc_ms, block=block
            )
        )
        return self._engine.take(block)

    async def give(self, make: Callable[[int, int, str], tuple[Given, Body]]) -> list[Stored]:
        """Journal what a person gives the engine, in one commit with what the engine makes of it.

        Parameters
        ----------
        make : callable
            Takes segment, ms and the same instant as text; returns the input and its record.

        Returns
        -------
        list of Stored
            The record of the input, then those of its consequences; durable.

        Raises
        ------
        CommandError
            If the cell is not measuring.
        """
        if not self._measuring:
            raise CommandError("not measuring now", subject=self.name, hint="Ask again when it runs")
        # No await from here to the ledger's queue. Dated as a mark is: what was received before and is
        # decoded after it is not late.
        before = self._fed()
        ms = max(self._floor_ms, self._now_ms() - self._lag_ms)
        item, record = make(self._segment, ms, rfc3339(self._anchor_utc_ms + ms))
        made = self._engine.take(item)
        self._floor_ms = ms
        stored = await self._ledger.record([*before, record, *made])
        return stored[len(before) :]

    async def _mark(self) -> None:
        """Tell the engine how far time has come, and notice a step of UTC."""
        bodies = self._fed()
        ms = self._now_ms() - self._lag_ms
        if ms >= self._floor_ms:
            self._floor_ms = ms + 1
            bodies = (*bodies, *self._engine.take(TimeMark(ms=ms)))
            if self._clock.boot_ms() - self._checkpoint_boot_ms >= CHECKPOINT_MS:
                bodies = (*bodies, self._checkpoint())
        if bodies:
            await self._ledger.record(bodies)
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

    async def _new_segment(
        self, cause: SegmentCause, *, settings: CellSettings | None = None, because: Sequence[Body] = ()
    ) -> None:
        """End the segment and begin the next at the same instant, with other settings if given."""
        # No await in between: a reading that arrives meanwhile must find a segment open.
        fed = self._fed()
        end_ms = max(self._floor_ms, self._now_ms())
        ended = self._engine.take(SegmentEnded(ms=end_ms, cause=_end_cause(cause)))
        self._segment += 1
        began = self._begin(cause, boot_ms=self._anchor_boot_ms + end_ms, settings=settings)
        await self._ledger.record([*fed, *because, *ended, *began])

    def _begin(
        self, cause: SegmentCause, *, boot_ms: int | None = None, settings: CellSettings | None = None
    ) -> tuple[Body, ...]:
        """Begin a segment now, or at `boot_ms`; returns the bodies to record."""
        now_boot_ms, now_utc_ms = self._clock.boot_ms(), self._clock.utc_ms()
        self._anchor_boot_ms = now_boot_ms if boot_ms is None else boot_ms
        self._anchor_utc_ms = now_utc_ms - (now_boot_ms - self._anchor_boot_ms)
        self._floor_ms = 0
        self._measuring = True
        return self._engine.take(
            SegmentBegan(
                segment=self._segment,
                utc_ms=self._anchor_utc_ms,
                cause=cause,
                time_quality=time_quality(),
                settings=settings,
            )
        )


def _end_cause(cause: SegmentCause) -> SegmentEndCause:
    if cause == "started":
        raise ContractError("a run starts no segment inside itself")
    return cause


def _broken(driver: str, error: Exception) -> DriverError:
    """Return a driver's own mistake as a fault of the cell."""
    broken = DriverError(
        f"the driver broke: {type(error).__name__}: {error}", subject=driver, hint="Tell its author"
    )
    broken.__cause__ = error
    return broken
