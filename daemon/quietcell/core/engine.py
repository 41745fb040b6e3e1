"""The engine of one cell: ordered input in, record bodies out; the same code live and in replay.

Rules:

1. Input is one ordered sequence: readings, requests, time marks, segment ends. Time never goes back
   inside a segment; at equal times requests come before readings.
2. Things happen at *events*: ticks of engine time (every second, aligned to the segment) and
   deadlines. An event at T sees exactly the readings with a time of at most T and happens once it
   is certain that no more of them can come. So the way the stream is cut into blocks changes nothing.
3. A deadline is dated at the deadline, a gap at the reading that ends it.
4. Segments tile the time of a run. A new segment empties the window; an open determination goes on.
"""

from collections.abc import Collection, Iterator
from dataclasses import replace

from quietcell.core.attempts import Attempts
from quietcell.core.bench_records import IN_BUFFER
from quietcell.core.endpoint.machine import first_judged_ms
from quietcell.core.engine_state import EngineState, SegmentEnd
from quietcell.core.indication import Indication, bar, indication
from quietcell.core.ingress.blocks import BLOCK_MS
from quietcell.core.inputs import (
    Attendance,
    EngineInput,
    EpisodeVerdict,
    FlowTested,
    ReferenceRequest,
    Request,
    SegmentBegan,
    SegmentEnded,
    TimeMark,
)
from quietcell.core.plain import plain, rebuilt
from quietcell.core.portions import Portions
from quietcell.core.readings import ReadingBlock, Row, row_of
from quietcell.core.reception import Reception
from quietcell.core.records import (
    ABSENT,
    Body,
    ConfigurationBody,
    GapBody,
    Json,
    Reason,
    SegmentBody,
    Verdict,
)
from quietcell.core.settings import CellSettings
from quietcell.core.stamp import Stamp
from quietcell.core.waters import Waters
from quietcell.errors import ClockWentBackError, ContractError

TICK_MS = 1000
_ENDS_RUN = {
    "stopped": Reason.STOPPED,
    "interrupted": Reason.STOPPED,
    "recording-ended": Reason.STOPPED,
    "reloaded": Reason.RECONFIGURED,
}
"""Ends of a segment behind which an open determination can't go on, and the reason it is refused."""


class Engine:
    """Judges one cell.

    Parameters
    ----------
    settings : CellSettings
        What the cell is and what it is held against.
    """

    def __init__(self, settings: CellSettings) -> None:
        self.settings = settings
        self._stamp = Stamp(settings.cell)
        self._now_ms = -1
        """All events up to here have happened."""
        self._fed_ms = -1
        """Time of the last input."""
        self._reception = Reception(settings)
        self._attempts = Attempts(settings, self._reception, self._stamp)
        self._waters = Waters(settings, self._stamp)
        self._due_ms = 0
        self._ended: SegmentEnd | None = None

    # --- input ---------------------------------------------------------------------------------

    def take(self, item: EngineInput) -> tuple[Body, ...]:
        """Take the next input and return the bodies of what happened because of it.

        Raises
        ------
        ClockWentBackError
            If the input lies before what has already happened.
        ContractError
            If no segment is open, or one begins while another is.
        """
        if isinstance(item, SegmentBegan):
            return tuple(self._begin_segment(item))
        if self._stamp.segment is None:
            raise ContractError("engine input before a segment began", subject=self.settings.cell)
        if isinstance(item, ReadingBlock):
            if not len(item):
                return ()
            first_ms, last_ms = int(item.ms[0]), int(item.ms[-1])
            self._require_order(first_ms)
            if len(item) > 1 and bool((item.ms[1:] < item.ms[:-1]).any()):
                raise ClockWentBackError("readings of a block are out of order", subject=self.settings.cell)
            self._fed_ms = last_ms
            self._reception.hold(item)
            return () if self._passes(last_ms - 1) else tuple(self._happen(last_ms - 1))
        self._require_order(item.ms)
        self._fed_ms = item.ms
        if isinstance(item, TimeMark):
            return () if self._passes(item.ms) else (*self._happen(item.ms), *self._see_readings(item.ms))
        if not isinstance(item, SegmentEnded):
            return (*self._happen(item.ms - 1), *self._given(item))
        return (*self._happen(item.ms), *self._end_segment(item))

    def _given(
        self, item: Request | ReferenceRequest | Attendance | EpisodeVerdict | FlowTested
    ) -> Iterator[Body]:
        """Do what a person asks."""
        if isinstance(item, Request):
            return self._request(item)
        if isinstance(item, ReferenceRequest):
            return self._reference_request(item)
        if isinstance(item, Attendance):
            return self._attend(item)
        if isinstance(item, FlowTested):
            return self._waters.own.flow_tested(item, self._stamp)
        return self._waters.judge(item)

    def _require_order(self, ms: int) -> None:
        if ms <= self._now_ms or ms < self._fed_ms:
            raise ClockWentBackError(
                f"input at {ms} ms after {max(self._now_ms, self._fed_ms)} ms", subject=self.settings.cell
            )

    # --- segments ------------------------------------------------------------------------------

    def _begin_segment(self, began: SegmentBegan) -> Iterator[Body]:
        if self._stamp.segment is not None:
            raise ContractError("a segment began inside another", subject=self.settings.cell)
        electrode = self.settings.electrode
        if began.settings is not None:
            self._reconfigure(began.settings)
        if began.cause == "started" and self._ended is not None:
            self._let_pass(self._ended, began)
        self._stamp.turn_to(began)
        if self._attempts.open is not None:  # it began before it ended by this clock, too
            self._attempts.open.began = self._stamp.text(self._attempts.open.began_ms)
        self._now_ms = self._fed_ms = -1
        self._reception.begin_segment(began.cause, self.settings)
        if began.cause in ("started", "reloaded"):
            self._due_ms = 0  # what was open was ended for it, so the next begins at once
            yield ConfigurationBody(**self._stamp.identity(0), settings=self.settings.as_json())
        yield SegmentBody(
            **self._stamp.identity(0),
            segment=began.segment,
            state="began",
            cause=began.cause,
            time_quality=began.time_quality,
        )
        if electrode not in (None, self.settings.electrode):  # one without a name may just have got it
            yield from self._waters.own.new_electrode(0, self._stamp)

    def _let_pass(self, ended: SegmentEnd, began: SegmentBegan) -> None:
        """Let the time between two runs pass, where the clocks of both tell it."""
        told = "not-synchronised" not in (ended.time_quality, began.time_quality)
        pause_ms = began.utc_ms - ended.utc_ms
        if not told or pause_ms < 0:
            self._reception.last_ms = None  # how long the silence was nobody knows
            self._waters.keep_dates(max(0, pause_ms))
            pause_ms = 0
        self._shift(pause_ms)

    def _shift(self, ms: int) -> None:
        """Move to the time of the next segment, whose zero lies `ms` later."""
        self._reception.end_segment(ms)
        self._due_ms -= ms
        self._waters.new_segment(ms)
        if self._attempts.open is not None:
            self._attempts.open.shift(ms)

    def _reconfigure(self, settings: CellSettings) -> None:
        """Work with other settings."""
        if settings.cell != self.settings.cell:
            raise ContractError(f"settings of {settings.cell} given", subject=self.settings.cell)
        self._waters.reconfigure(settings)
        self._attempts.reconfigure(settings)
        self.settings = settings

    def _end_segment(self, ended: SegmentEnded) -> Iterator[Body]:
        yield from self._see_readings(ended.ms)
        refusal = _ENDS_RUN.get(ended.cause)
        if refusal is not None:
            lacks = self._attempts.standing.lacks if self._attempts.standing else ()
            yield from self._refuse(ended.ms, refusal, *(r for r in lacks if r is not refusal))
            yield from self._leave(ended.ms)
        yield SegmentBody(
            **self._stamp.identity(ended.ms),
            segment=self._stamp.open_segment.segment,
            state="ended",
            cause=ended.cause,
            readings=self._reception.readings,
            rejected_readings=dict(sorted(self._reception.rejected.items())),
        )
        began = self._stamp.open_segment
        self._ended = SegmentEnd(utc_ms=began.utc_ms + ended.ms, time_quality=began.time_quality)
        self._stamp.turn_to(None)
        self._now_ms = self._fed_ms = -1
        self._shift(ended.ms)  # the next segment's zero is this instant

    # --- events --------------------------------------------------------------------------------

    def _passes(self, upto_ms: int) -> bool:
        """Let time pass up to `upto_ms` if nothing can come of it; readings then wait for the next event."""
        if upto_ms >= self._next_event_ms() or self._reception.tells:
            return False
        self._now_ms = max(self._now_ms, upto_ms)
        return True

    def _happen(self, upto_ms: int) -> Iterator[Body]:
        """Let all events with a time of at most `upto_ms` happen."""
        while (event_ms := self._next_event_ms()) <= upto_ms:
            idle_ms = self._last_idle_ms(upto_ms)
            event_ms = max(event_ms, idle_ms)
            yield from self._see_readings(event_ms)
            if event_ms // BLOCK_MS > self._now_ms // BLOCK_MS:
                self._waters.look_at(event_ms // BLOCK_MS * BLOCK_MS)
            self._now_ms = event_ms
            if event_ms > idle_ms or self._next_event_ms() > upto_ms:  # what stands there may be asked for
                yield from self._event(event_ms)
        yield from self._waters.look()
        if upto_ms > self._now_ms:
            # Between events only the readings' own records matter. They are dated at the reading, so they
            # may wait for the next event, except where that may be far away.
            if self._attempts.open is None:
                yield from self._see_readings(upto_ms)
            self._now_ms = upto_ms

    def _next_event_ms(self) -> int:
        """Return the time of the next tick or deadline."""
        tick_ms = (self._now_ms // TICK_MS + 1) * TICK_MS
        attempt = self._attempts.open
        if attempt is None:
            # Nothing is judged: the next tick of interest is the one at which a determination is due.
            look_ms = (self._now_ms // BLOCK_MS + 1) * BLOCK_MS
            due_tick_ms = -(-self._due_ms // TICK_MS) * TICK_MS
            return min(look_ms, max(tick_ms, due_tick_ms)) if self._begins_by_itself else look_ms
        every_ms = min(self._attempts.look_every_ms, BLOCK_MS)
        look_ms = (self._now_ms // every_ms + 1) * every_ms
        return min(look_ms, attempt.deadline_ms) if attempt.deadline_ms > self._now_ms else tick_ms

    def _see_readings(self, upto_ms: int) -> Iterator[Body]:
        """Let the time of readings of at most `upto_ms` come, noting gaps and what does not count."""
        for received in self._reception.see(upto_ms):
            for silence in received.silences:
                yield from self._waters.look()
                yield GapBody(
                    **self._stamp.identity(silence.told_ms),
                    began=self._stamp.text(silence.began_ms),
                    ended=self._stamp.text(silence.ended_ms),
                    gap_s=(silence.ended_ms - silence.began_ms) / 1000,
                    cause=silence.cause,
                    goes_on=ABSENT if silence.goes_on is None else silence.goes_on,
                )
            if received.rejected:
                open_now = self._attempts.open or self._reception
                open_now.rejected.update(received.rejected)
            if self._of_the_water and not self.settings.salted(self._attempts.grab):
                self._waters.see(received.counting)

    @property
    def _begins_by_itself(self) -> bool:
        """Whether the next determination begins when it is due."""
        return self.settings.mode == "continuous" and self._waters.attendance is None

    def _last_idle_ms(self, upto_ms: int) -> int:
        """Return the last event, at most `upto_ms`, up to which nothing can come of any; -1 if there is none.

        That is up to the next determination while none is open, and up to the end of its first window
        while one is.
        """
        received, attempts = self._reception, self._attempts
        attempt = attempts.open
        if attempt is None:
            if self._begins_by_itself:
                upto_ms = min(upto_ms, self._due_ms - 1)
            return received.without_silence_ms(upto_ms) // BLOCK_MS * BLOCK_MS
        judged_ms = first_judged_ms(attempts.criterion, attempt.began_ms, received.quiet_since_ms)
        idle_ms = received.undisturbed_ms(min(upto_ms, judged_ms - 1, attempt.deadline_ms - 1))
        return idle_ms // attempts.look_every_ms * attempts.look_every_ms

    def _event(self, ms: int) -> Iterator[Body]:
        """Look at the open determination, or begin one that is due."""
        attempt = self._attempts.open
        if attempt is None:
            if self._begins_by_itself and ms >= self._due_ms:
                self._attempts.begin(ms)
                every_ms = max(1, round(self.settings.every_s * 1000))
                self._due_ms += every_ms * max(1, -(-(ms + 1 - self._due_ms) // every_ms))
            return
        looks = ms % self._attempts.look_every_ms == 0 or ms >= attempt.deadline_ms
        if looks and self._attempts.look(ms):
            yield from self._waters.look()
            body = self._attempts.conclude(ms, self._waters.measured)
            if body is not None:
                yield body

    # --- people --------------------------------------------------------------------------------

    def _request(self, request: Request) -> Iterator[Body]:
        yield from self._see_readings(request.ms - 1)
        there = self._waters.attendance
        strange = there is not None and (there.work != "measure" or there.id != request.attendance)
        if strange or self.asked is not None:
            yield self._attempts.turn_away(request, self._waters.measured)
            return
        yield from self._refuse(request.ms, Reason.SUPERSEDED)
        if self.settings.mode == "on-request" or self._waters.attendance is not None:
            # Someone has just put the electrode into the sample.
            self._reception.disturb(request.ms, Reason.GAP)
            yield from self._waters.measured.new_sample(request.ms, self._stamp)
        elif request.from_buffer:
            self._waters.measured.set_aside(request.ms)
        self._attempts.from_buffer |= request.from_buffer
        self._attempts.begin(request.ms, request)

    def _reference_request(self, request: ReferenceRequest) -> Iterator[Body]:
        yield from self._see_readings(request.ms - 1)
        yield from self._refuse(request.ms, Reason.SUPERSEDED)
        self._reception.disturb(request.ms, Reason.GAP)  # someone has just changed the solution
        self._attempts.from_buffer |= request.purpose in IN_BUFFER
        self._attempts.begin(request.ms, reference=request)

    def _attend(self, attendance: Attendance) -> Iterator[Body]:
        yield from self._see_readings(attendance.ms - 1)
        began = attendance.state == "began"
        yield from self._refuse(attendance.ms, Reason.SUPERSEDED if began else Reason.STOPPED)
        yield from self._leave(attendance.ms)
        self._attempts.portions = Portions()
        if began:
            self._waters.attend(attendance)
        else:
            self._reception.disturb(attendance.ms, Reason.GAP)  # the electrode is back in the water
            self._due_ms = attendance.ms

    def _leave(self, ms: int) -> Iterator[Body]:
        """Let nobody work at the cell."""
        self._attempts.reference_mv = None
        return self._waters.leave(ms)

    def _refuse(self, ms: int, *reasons: Reason) -> Iterator[Body]:
        """End the open determination, if there is one, without a value."""
        if self._attempts.open is not None:
            yield self._attempts.close(ms, self._waters.measured, Verdict.REFUSED, reasons)

    @property
    def _of_the_water(self) -> bool:
        """Whether readings tell of the water: it is measured, or flows past and nobody works there."""
        attempt = self._attempts.open
        return self._begins_by_itself if attempt is None else attempt.reference is None

    # --- state ---------------------------------------------------------------------------------

    def state(self) -> dict[str, Json]:
        """Return all that must be known to go on from here, as JSON values.

        Take it behind a time mark or between segments. Readings are named, not repeated.
        """
        tuple(self._see_readings(self._now_ms))  # those of which nothing is to be told may still wait
        segment, attempts, waters = self._stamp.segment, self._attempts, self._waters
        return dict(
            plain(
                EngineState(
                    segment=None if segment is None else replace(segment, settings=None),
                    ended=self._ended,
                    ordinal=self._stamp.ordinal,
                    now_ms=self._now_ms,
                    reception=self._reception.state(),
                    attempt=attempts.open,
                    standing=attempts.standing,
                    due_ms=self._due_ms,
                    earlier_refused=attempts.earlier_refused,
                    from_buffer=attempts.from_buffer,
                    portions=attempts.portions,
                    attendance=waters.attendance,
                    reference_mv=attempts.reference_mv,
                    ingress=waters.own.state(),
                    brought=None if waters.brought is None else waters.brought.state(),
                )
            )
        )

    def restore(self, state: dict[str, Json], readings: ReadingBlock | None = None) -> None:
        """Go on from a state of an engine with the same settings.

        Parameters
        ----------
        state : dict
            As `state` gave it.
        readings : ReadingBlock, optional
            What `needed_readings` of the state asks for.

        Raises
        ------
        KeyError, TypeError, ValueError
            If it is no such state.
        ReadingsMissingError
            If readings that count are not given.
        """
        known = rebuilt(EngineState, state)
        stored = ReadingBlock.from_columns([], []) if readings is None else readings
        self._reception.restore(known.reception, stored)
        self._stamp.segment, self._stamp.ordinal = known.segment, known.ordinal
        self._ended = known.ended
        self._now_ms = self._fed_ms = known.now_ms
        self._attempts.restore(known)
        self._waters.restore(known)
        self._due_ms = known.due_ms

    def take_over(self, *, closed: Collection[str] = (), from_buffer: bool | None = None) -> None:
        """Know what records tell of what could not be judged again.

        Parameters
        ----------
        closed : collection of str
            Episodes, by the ids of the records that opened them; between segments only.
        from_buffer : bool or None
            Whether the electrode comes from a buffer; None where they do not tell.
        """
        self._waters.forget_episodes(closed)
        if from_buffer is not None:
            self._attempts.from_buffer = from_buffer

    # --- views ---------------------------------------------------------------------------------

    @property
    def open_episodes(self) -> tuple[str, ...]:
        """Ids of the records that opened the episodes still open."""
        return self._waters.episodes

    @property
    def may_wait_until_ms(self) -> int:
        """Readings and time marks up to here may be kept back and given together: nothing comes of them.

        In the time of the segment; -1 where each must be given at once.
        """
        if self._stamp.segment is None or self._reception.tells:
            return -1
        return min(self._next_event_ms(), self._reception.steady_until_ms)

    @property
    def attendance(self) -> Attendance | None:
        """Who works at the cell now."""
        return self._waters.attendance

    @property
    def asked(self) -> Request | None:
        """What someone asked for and is being measured now."""
        return None if self._attempts.open is None else self._attempts.open.request

    def indication(
        self, *, now_ms: int | None = None, newer: Row | None = None, with_ph: bool = True
    ) -> Indication:
        """Return the live reading and what the cell waits for; never journalled.

        Parameters
        ----------
        now_ms : int, optional
            Time in the segment, where it went on since the last input.
        newer : Row, optional
            A reading that still waits to be given, its time that of the segment.
        with_ph : bool
            Whether anybody wants its pH.
        """
        if newer is None:
            newest = None if self._stamp.segment is None else self._reception.newest
            newer = None if newest is None else row_of(newest[0], newest[1])
        heard_ms = None if newer is None else newer[0]
        now_ms = self._now_ms if now_ms is None else now_ms
        return indication(
            self.settings.cell,
            newer,
            at=None if heard_ms is None else self._stamp.text(heard_ms),
            age_s=None if heard_ms is None else max(0, now_ms - heard_ms) / 1000,
            settings=self.settings if with_ph else None,
            where=self._attempts.told(self._now_ms),
            due_s=(self._due_ms - now_ms) / 1000 if self._begins_by_itself else None,
            barred="" if self._stamp.segment is None else bar(self.settings, self._stamp.utc_ms(now_ms)),
            attended=self._waters.attendance.work if self._waters.attendance else None,
        )
