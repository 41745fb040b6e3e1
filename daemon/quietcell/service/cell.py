"""One cell at work: its meter's readings and the time, in one order, into its engine and the ledger."""

import asyncio
from collections.abc import Callable, Coroutine, Sequence
from dataclasses import replace
from typing import Any

import structlog

from quietcell.contracts import Clock, LineCounts, MeterDriver
from quietcell.core.engine import Engine
from quietcell.core.indication import Indication
from quietcell.core.inputs import Attendance, EngineInput, Request, SegmentBegan, SegmentEnded, TimeMark
from quietcell.core.readings import ReadingRows, Row
from quietcell.core.records import Body, SegmentCause, SegmentEndCause
from quietcell.core.settings import CellSettings
from quietcell.core.times import rfc3339
from quietcell.errors import CommandError, ContractError
from quietcell.ledger.chain import Stored
from quietcell.ledger.ledger import Ledger
from quietcell.ledger.readings_files import SegmentReadings
from quietcell.service.checkpoint import CHECKPOINT_MS, CheckpointBody, checkpoint
from quietcell.service.digests import record_digest
from quietcell.service.given import Given
from quietcell.service.guarded_driver import GuardedDriver
from quietcell.service.metering import Metering
from quietcell.service.records import ClockStepBody, DaemonIds, DriverFaultBody
from quietcell.service.segment_time import SegmentTime

MARK_S = 1.0
"""Time between time marks."""
MARK_BEATS = 8
"""Marks of all cells fall on so many instants between."""
CLOCK_STEP_MS = 1000
"""A step of UTC from here on begins a segment."""
HOLD_S = 2.5
"""Readings of which nothing can come are kept back so long, and are new enough for alarms meanwhile."""


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
        self._clock = clock
        self._scale = scale
        self._ledger = ledger
        self._ids = ids
        self._settings = settings
        self._engine = engine or Engine(settings)
        self._checkpoint_boot_ms = clock.boot_ms()
        self._interruptions = ledger.interruptions
        self._segment = segment
        self._patient_until_boot_ms = 0
        self._time = SegmentTime(clock, scale=scale)
        self._hold_ms = round(min(HOLD_S, ledger.readings_commit_s) * 1000 * scale)
        self._measuring = False
        """True while a segment is open."""
        self._broken: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self.steps = 0
        """Grows while the cell moves."""
        self.changing = asyncio.Lock()
        """Held by whoever lets it judge by other settings, from asking what is in force on."""
        self._held: list[Row] = []
        self._log = structlog.get_logger().bind(cell=self.name)
        self._metering = self._metered(driver_name, driver)

    def indication(self) -> Indication:
        """Return the live reading and what the cell waits for."""
        self._fetch()
        return self._indication()

    def glance(self) -> Indication:
        """Return the same without its pH, the reading as old as may be: enough to raise alarms by."""
        newest_boot_ms = self._held[-1][0] if self._held else self._time.boot_ms(self._time.floor_ms)
        if self._clock.boot_ms() - newest_boot_ms > self._hold_ms:
            self._fetch()
        return self._indication(with_ph=False)

    def _indication(self, *, with_ph: bool = True) -> Indication:
        newest: Row | None = None
        if self._held:
            boot_ms, mv, temperature_c, conductivity_us_cm, flow_ml_min, flags = self._held[-1]
            newest = (self._time.of(boot_ms), mv, temperature_c, conductivity_us_cm, flow_ml_min, flags)
        shown = self._engine.indication(now_ms=self._time.now_ms, newer=newest, with_ph=with_ph)
        hindrance = self._metering.hindrance()
        if not hindrance or (shown.age_s is not None and shown.age_s * 1000 <= self._hold_ms):
            return shown
        return replace(shown, hindrance=hindrance, waits_for=f"readings: {hindrance}")

    @property
    def open_episodes(self) -> tuple[str, ...]:
        """Ids of the records that opened the episodes still open."""
        return self._engine.open_episodes

    @property
    def attendance(self) -> Attendance | None:
        """Who works at the cell now."""
        return self._engine.attendance

    @property
    def asked(self) -> Request | None:
        """What someone asked for and is being measured now."""
        return self._engine.asked

    @property
    def settings(self) -> CellSettings:
        """What it judges by."""
        return self._engine.settings

    @property
    def counts(self) -> LineCounts:
        """What its meter has sent since its port was opened."""
        return self._metering.counts

    async def reconfigure(
        self,
        settings: CellSettings,
        *,
        meter: tuple[str, MeterDriver] | None = None,
        because: Sequence[Body] = (),
    ) -> None:
        """Judge by other settings from now on; durable when this returns.

        The open determination ends as `reconfigured` and a segment begins. The port stays open, unless
        there is another meter.

        Parameters
        ----------
        settings : CellSettings
            Of the same cell.
        meter : (str, MeterDriver) or None
            Name of the driver and the driver, not yet open, to go on with.
        because : sequence of Body
            Records that lead to it, committed together with what the engine makes of it.

        Raises
        ------
        CommandError
            If the cell is not measuring.
        """
        if meter is not None and self._measuring:
            await self._leave_meter()
            await self._metering.tell_mistake()
        if not self._measuring:
            raise CommandError("not measuring now", subject=self.name, hint="Try again in a minute")
        bodies = (*because, *self._next_segment("reloaded", settings=settings))
        if meter is not None:
            self._metering = self._metered(*meter, after_another=True)
            self._start_meter()
        await self._ledger.record(bodies)

    async def run(self, stop: asyncio.Event) -> None:
        """Read and judge until `stop` is set; then end the segment in order.

        Raises
        ------
        Exception
            Whatever broke here or in the engine; the segment is left open, as by a kill.
        """
        await self._ledger.submit(self._begin("started", settings=self._settings))
        stopping = asyncio.create_task(stop.wait(), name=f"{self.name} stop")
        marking = asyncio.create_task(self._guard(self._mark_all()), name=f"{self.name} marks")
        self._start_meter()
        try:
            ends: set[asyncio.Future[Any]] = {stopping, self._broken}
            await asyncio.wait(ends, return_when=asyncio.FIRST_COMPLETED)
        finally:
            self._measuring = False
            stopping.cancel()
            marking.cancel()
            await asyncio.wait({marking})
            await self._leave_meter()
        self._require_sound()
        fed = self._fed()
        ended = SegmentEnded(ms=max(self._time.floor_ms, self._time.now_ms), cause="stopped")
        await self._ledger.submit((*fed, *self._take(ended), self._checkpoint()))
        await self._digest()

    async def _guard(self, work: Coroutine[None, None, None]) -> None:
        """Do something that ends only by a mistake, and let that end the run."""
        try:
            await work
        except Exception as error:  # noqa: BLE001 # raised again by run
            self._break(error)

    # --- the meter -----------------------------------------------------------------------------

    def _metered(self, name: str, driver: MeterDriver, *, after_another: bool = False) -> Metering:
        return Metering(
            GuardedDriver(name, driver, self._clock, scale=self._scale, log=self._log),
            receive=self._receive,
            tell=self._record_fault,
            log=self._log,
            after_another=after_another,
        )

    def _start_meter(self) -> None:
        self._metering.start(self._guard, f"{self.name} meter")

    async def _leave_meter(self) -> None:
        """Leave the meter and release its port."""
        await self._metering.stop()
        self._fetch()
        await self._metering.close()

    async def _record_fault(self, driver: str, text: str) -> None:
        fault = DriverFaultBody(
            id=self._ids.next(),
            cell=self.name,
            at=rfc3339(self._clock.utc_ms()),
            driver=driver,
            text=text,
        )
        await self._ledger.submit([fault])

    # --- the engine ----------------------------------------------------------------------------

    def _checkpoint(self) -> CheckpointBody:
        """Return what the engine knows now."""
        self._checkpoint_boot_ms = self._clock.boot_ms()
        self._interruptions = self._ledger.interruptions  # what was dropped can't be judged again
        return checkpoint(self._engine, id=self._ids.next(), at=rfc3339(self._clock.utc_ms()))

    async def _digest(self, complete: tuple[int, int] | None = None) -> None:
        """Tie the stored readings to the journal."""
        await record_digest(
            self._ledger, self._ids, self.name, utc_ms=self._clock.utc_ms(), complete=complete
        )

    async def _receive(self, readings: ReadingRows, *, reopened: bool) -> None:
        """Hold readings until something may come of them; of a port opened again they begin a segment."""
        began = self._next_segment("reopened", boot_ms=readings.rows[0][0]) if reopened else ()
        self._held.extend(readings.rows)
        if began:  # queued before any reading of the segment is kept
            await self._ledger.submit(began)
        fed = self._fed() if self._held and self._held[-1][0] > self._patient_until_boot_ms else ()
        self._be_patient()
        self.steps += 1
        if fed:
            await self._ledger.submit(fed)

    def _take(self, item: EngineInput) -> tuple[Body, ...]:
        """Let the engine take its next input; one that broke is trusted no more, and the run ends by it."""
        self._require_sound()
        try:
            return self._engine.take(item)
        except Exception as error:
            self._break(error)
            raise

    def _require_sound(self) -> None:
        """Raise what broke this run, if anything has."""
        if self._broken.done():
            raise self._broken.exception() or ContractError("broke without an error", subject=self.name)

    def _break(self, error: Exception) -> None:
        """End the run by a mistake."""
        if not self._broken.done():
            self._measuring = False
            self._broken.set_exception(error)
            self._broken.exception()  # raised again by run

    def _fed(self) -> tuple[Body, ...]:
        """Put what is held on segment time, keep it, then let the engine see it."""
        if not self._held:
            return ()
        held, self._held = self._held, []
        block = self._time.placed(held)
        self._ledger.keep(
            SegmentReadings(
                cell=self.name, segment=self._segment, anchor_utc_ms=self._time.anchor_utc_ms, block=block
            )
        )
        return self._take(block)

    def _be_patient(self) -> None:
        """Work out up to when what is received can change nothing, and let the driver keep it so long.

        The first of a segment is wanted at once, and readings are kept no later than promised.
        """
        floor_ms = self._time.floor_ms
        until_ms = min(self._engine.may_wait_until_ms, floor_ms + self._hold_ms)
        self._patient_until_boot_ms = 0 if floor_ms == 0 else self._time.boot_ms(until_ms)
        self._metering.may_wait_until(self._patient_until_boot_ms + 1)

    def _fetch(self) -> None:
        """Hold what a patient driver has kept so far, unless it belongs to the next segment."""
        self._held.extend(self._metering.at_hand())

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
        self._fetch()
        before = self._fed()
        ms = max(self._time.floor_ms, self._time.behind(self._clock.boot_ms()))
        item, record = make(self._segment, ms, rfc3339(self._time.anchor_utc_ms + ms))
        made = self._take(item)
        self._time.floor_ms = ms
        self._be_patient()
        stored = await self._ledger.record([*before, record, *made])
        return stored[len(before) :]

    async def _mark_all(self) -> None:
        while True:
            # On beats the cells share: a machine that wakes up for one of them serves several.
            await self._clock.sleep(MARK_S - self._clock.boot_ms() / 1000 % (MARK_S / MARK_BEATS))
            if not self._metering.receiving:
                await self._mark()
                self.steps += 1
            await self._metering.tell_mistake()

    async def _mark(self) -> None:
        """Tell the engine how far time has come, and notice a step of UTC."""
        complete: tuple[int, int] | None = None
        bodies: tuple[Body, ...] = ()
        boot_ms = self._clock.boot_ms()
        ms = self._time.behind(boot_ms)
        due = (
            boot_ms - self._checkpoint_boot_ms >= CHECKPOINT_MS
            or self._interruptions != self._ledger.interruptions
        )
        if due or self._time.boot_ms(ms) > self._patient_until_boot_ms:
            self._fetch()
            bodies = self._fed()
            if ms >= self._time.floor_ms:
                self._time.floor_ms = ms + 1
                bodies = (*bodies, *self._take(TimeMark(ms=ms)))
                if due:
                    complete = (self._segment, ms)
                    bodies = (*bodies, self._checkpoint())
            self._be_patient()
        if bodies:
            await self._ledger.submit(bodies)
        if complete is not None:
            await self._digest(complete)
        step_ms = self._time.step_ms
        if abs(step_ms) >= CLOCK_STEP_MS:
            self._log.warning("clock step", step_s=step_ms / 1000)
            await self._ledger.submit(
                [
                    ClockStepBody(
                        id=self._ids.next(),
                        cell=self.name,
                        at=rfc3339(self._clock.utc_ms()),
                        step_s=step_ms / 1000,
                    )
                ]
            )
            await self._ledger.submit(self._next_segment("clock-step"))
        elif self._time.is_synchronised_now(boot_ms):
            await self._ledger.submit(self._next_segment("clock-synchronised"))

    def _next_segment(
        self, cause: SegmentCause, *, boot_ms: int | None = None, settings: CellSettings | None = None
    ) -> tuple[Body, ...]:
        """End the segment and begin the next at the same instant, now or at `boot_ms`."""
        if boot_ms is None:
            self._fetch()
        fed = self._fed()
        at_ms = self._time.now_ms if boot_ms is None else self._time.of(boot_ms)
        end_ms = max(self._time.floor_ms, at_ms)
        ended = self._take(SegmentEnded(ms=end_ms, cause=_end_cause(cause)))
        self._segment += 1
        began = self._begin(cause, boot_ms=self._time.boot_ms(end_ms), settings=settings)
        return (*fed, *ended, *began)

    def _begin(
        self, cause: SegmentCause, *, boot_ms: int | None = None, settings: CellSettings | None = None
    ) -> tuple[Body, ...]:
        """Begin a segment now, or at `boot_ms`; returns the bodies to record."""
        self._time.begin(boot_ms)
        self._measuring = True
        began = SegmentBegan(
            segment=self._segment,
            utc_ms=self._time.anchor_utc_ms,
            cause=cause,
            time_quality=self._time.quality,
            settings=settings,
        )
        bodies = self._take(began)
        self._be_patient()
        return bodies


def _end_cause(cause: SegmentCause) -> SegmentEndCause:
    if cause == "started":
        raise ContractError("a run starts no segment inside itself")
    return cause
