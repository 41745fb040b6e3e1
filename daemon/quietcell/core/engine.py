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

from collections.abc import Iterator
from dataclasses import replace
from itertools import chain

from quietcell.core.admission import objections
from quietcell.core.bench_records import ReferenceMeasurementBody
from quietcell.core.criterion_for import criterion_for
from quietcell.core.determination import Attempt, Outcome, determination_body
from quietcell.core.endpoint.criterion import Criterion
from quietcell.core.endpoint.machine import Phase, Standing, first_judged_ms, look_ahead, standing
from quietcell.core.engine_state import EngineState, SegmentEnd
from quietcell.core.evaluation import Evaluation, evaluate, mean_of
from quietcell.core.indication import Indication, indication
from quietcell.core.ingress.blocks import BLOCK_MS
from quietcell.core.ingress.watch import IngressWatch
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
from quietcell.core.reception import HISTORY_MS, Reception
from quietcell.core.records import (
    ABSENT,
    Body,
    ConfigurationBody,
    DeterminationBody,
    GapBody,
    GrabSample,
    Json,
    Qualifier,
    Reason,
    SegmentBody,
    Verdict,
)
from quietcell.core.reference_measurement import reference_measurement
from quietcell.core.settings import CellSettings
from quietcell.core.stamp import Stamp
from quietcell.errors import ClockWentBackError, ContractError

TICK_MS = 1000
LOOK_MS = 5000
"""A determination is looked at so often; every tick where the window is shorter than four looks."""
_ENDS_RUN = {
    "stopped": Reason.STOPPED,
    "interrupted": Reason.STOPPED,
    "recording-ended": Reason.STOPPED,
    "reloaded": Reason.RECONFIGURED,
}
"""Ends of a segment behind which an open determination can't go on, and the reason it is refused."""


_IN_SOLUTIONS = ("calibration", "check")
"""Work behind which the electrode comes from a solution of many ions."""


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
        self._attempt: Attempt | None = None
        self._standing: Standing | None = None
        self._told: tuple[Standing, Standing] | None = None
        """A standing, and the same with more words for who watches."""
        self._look_every_ms = _look_every_ms(settings.criterion)
        self._look_ms: int | None = None
        """Time of the last look for ingress that came and was not done."""
        self._due_ms = 0
        self._earlier_refused = 0
        self._from_buffer = False
        """The electrode comes from a buffer, and nothing was accepted since."""
        self._portions = Portions()
        self._attendance: Attendance | None = None
        """Someone works at the cell: its readings are not of the water."""
        self._reference_mv: float | None = None
        """Level of the last known solution measured meanwhile."""
        self._water = IngressWatch(settings)
        self._brought: IngressWatch | None = None
        """Watches what someone brought to the bench, while the cell's own water is left alone."""
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
            return self._water.flow_tested(item, self._stamp)
        return chain.from_iterable(watch.judge(item, self._stamp) for watch in self._watches)

    def _require_order(self, ms: int) -> None:
        if ms <= self._now_ms or ms < self._fed_ms:
            raise ClockWentBackError(
                f"input at {ms} ms after {max(self._now_ms, self._fed_ms)} ms", subject=self.settings.cell
            )

    # --- segments ------------------------------------------------------------------------------

    def _begin_segment(self, began: SegmentBegan) -> Iterator[Body]:
        if self._stamp.segment is not None:
            raise ContractError("a segment began inside another", subject=self.settings.cell)
        if began.settings is not None:
            self._reconfigure(began.settings)
        if began.cause == "started" and self._ended is not None:
            self._let_pass(self._ended, began)
        self._stamp.turn_to(began)
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

    def _let_pass(self, ended: SegmentEnd, began: SegmentBegan) -> None:
        """Let the time between two runs pass, where the clocks of both tell it."""
        told = "not-synchronised" not in (ended.time_quality, began.time_quality)
        pause_ms = began.utc_ms - ended.utc_ms
        if not told or pause_ms < 0:
            pause_ms = 0
            self._reception.last_ms = None  # how long the silence was nobody knows
        self._shift(pause_ms)

    def _shift(self, ms: int) -> None:
        """Move to the time of the next segment, whose zero lies `ms` later."""
        self._reception.end_segment(ms)
        self._due_ms -= ms
        for watch in self._watches:
            watch.new_segment(ms)
        if self._attempt is not None:
            self._attempt.shift(ms)

    def _reconfigure(self, settings: CellSettings) -> None:
        """Work with other settings; what is known of the water stays."""
        if settings.cell != self.settings.cell:
            raise ContractError(f"settings of {settings.cell} given", subject=self.settings.cell)
        for watch in self._watches:
            watch.reconfigure(settings)
        if settings.calibration_id != self.settings.calibration_id:
            self._from_buffer = True
        self.settings = settings
        self._look_every_ms = _look_every_ms(settings.criterion)

    def _end_segment(self, ended: SegmentEnded) -> Iterator[Body]:
        yield from self._see_readings(ended.ms)
        refusal = _ENDS_RUN.get(ended.cause)
        if self._attempt is not None and refusal is not None:
            lacks = self._standing.lacks if self._standing else ()
            yield self._close(ended.ms, Verdict.REFUSED, (refusal, *(r for r in lacks if r is not refusal)))
        if refusal is not None:
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
            event_ms = max(event_ms, self._last_idle_ms(upto_ms))
            yield from self._see_readings(event_ms)
            if event_ms // BLOCK_MS > self._now_ms // BLOCK_MS:
                self._look_ms = event_ms // BLOCK_MS * BLOCK_MS
            self._now_ms = event_ms
            yield from self._event(event_ms)
        yield from self._look()
        if upto_ms > self._now_ms:
            # Between events only the readings' own records matter. They are dated at the reading, so they
            # may wait for the next event, except where that may be far away.
            if self._attempt is None:
                yield from self._see_readings(upto_ms)
            self._now_ms = upto_ms

    def _next_event_ms(self) -> int:
        """Return the time of the next tick or deadline."""
        tick_ms = (self._now_ms // TICK_MS + 1) * TICK_MS
        if self._attempt is None:
            # Nothing is judged: the next tick of interest is the one at which a determination is due.
            look_ms = (self._now_ms // BLOCK_MS + 1) * BLOCK_MS
            due_tick_ms = -(-self._due_ms // TICK_MS) * TICK_MS
            return min(look_ms, max(tick_ms, due_tick_ms)) if self._begins_by_itself else look_ms
        every_ms = min(self._look_every_ms, BLOCK_MS)
        look_ms = (self._now_ms // every_ms + 1) * every_ms
        deadline_ms = self._attempt.deadline_ms
        return min(look_ms, deadline_ms) if deadline_ms > self._now_ms else tick_ms

    def _see_readings(self, upto_ms: int) -> Iterator[Body]:
        """Let the time of readings of at most `upto_ms` come, noting gaps and what does not count."""
        for received in self._reception.see(upto_ms):
            for silence in received.silences:
                yield from self._look()
                yield GapBody(
                    **self._stamp.identity(silence.told_ms),
                    began=self._stamp.text(silence.began_ms),
                    ended=self._stamp.text(silence.ended_ms),
                    gap_s=(silence.ended_ms - silence.began_ms) / 1000,
                    cause=silence.cause,
                    goes_on=ABSENT if silence.goes_on is None else silence.goes_on,
                )
            if received.rejected:
                open_now = self._reception if self._attempt is None else self._attempt
                open_now.rejected.update(received.rejected)
            if self._of_the_water and not self.settings.salted(self._grab):
                self._ingress.see(received.counting)

    @property
    def _begins_by_itself(self) -> bool:
        """Whether the next determination begins when it is due."""
        return self.settings.mode == "continuous" and self._attendance is None

    def _last_idle_ms(self, upto_ms: int) -> int:
        """Return the last event, at most `upto_ms`, up to which nothing can come of any; -1 if there is none.

        That is up to the next determination while none is open, and up to the end of its first window
        while one is.
        """
        received, attempt = self._reception, self._attempt
        if attempt is None:
            if self._begins_by_itself:
                upto_ms = min(upto_ms, self._due_ms - 1)
            return received.without_silence_ms(upto_ms) // BLOCK_MS * BLOCK_MS
        judged_ms = first_judged_ms(self._criterion, attempt.began_ms, received.quiet_since_ms)
        idle_ms = received.undisturbed_ms(min(upto_ms, judged_ms - 1, attempt.deadline_ms - 1))
        return idle_ms // self._look_every_ms * self._look_every_ms

    def _look(self) -> Iterator[Body]:
        """Look for ingress up to the last event at which to look.

        Many cost little more than one, so each waits until its records are due or a verdict rests on it.
        """
        if self._look_ms is not None:
            ms, self._look_ms = self._look_ms, None
            yield from self._ingress.tick(ms, self._stamp)

    def _event(self, ms: int) -> Iterator[Body]:
        """Look at the open determination, or begin one that is due."""
        if self._attempt is None:
            if self._begins_by_itself and ms >= self._due_ms:
                self._begin_attempt(ms)
            return
        if ms % self._look_every_ms == 0 or ms >= self._attempt.deadline_ms:
            yield from self._judge(self._attempt, ms)

    def _judge(self, attempt: Attempt, ms: int) -> Iterator[Body]:
        """See where the open determination stands, and end it if it has come to rest or must end."""
        received, window = self._reception, self._window(ms)
        after_ms = max(received.quiet_since_ms, ms - HISTORY_MS)
        received.learning.catch_up(received.history, ms)
        self._standing = standing(
            window,
            received.history.potentials(after_ms, ms),
            self._criterion,
            now_ms=ms,
            began_ms=attempt.began_ms,
            disturbed_ms=received.quiet_since_ms,
            silent_ms=ms - (attempt.began_ms if received.last_ms is None else received.last_ms),
            disturbance=received.disturbance,
            mv_per_ph=abs(self.settings.mv_per_ph(mean_of(window.temperature_c))),
            noise=received.learning.noise,
            from_buffer=self._from_buffer and attempt.reference is None,
            flowing=self._flows and attempt.reference is None,
        )
        if self._standing.phase is Phase.AT_REST and received.history.last_ms != received.last_ms:
            text = "a reading that counts: the last does not, so the level may have moved"
            lacks = (Reason.FLAGGED_READINGS,)
            self._standing = replace(self._standing, phase=Phase.JUDGING, lacks=lacks, waits_for=text)
        if self._standing.phase is Phase.AT_REST or ms >= attempt.deadline_ms:
            yield from self._look()
        worth: Evaluation | None = None
        if self._standing.phase is Phase.AT_REST and attempt.reference is None:
            worth = self._worth(window, self._standing, ms)
            since = received.history.between(after_ms, ms)
            reasons, text = objections(worth, since, self.settings, self._grab)
            if reasons:
                self._standing = replace(
                    self._standing, phase=Phase.JUDGING, lacks=reasons, waits_for=f"at rest, but {text}"
                )
        if self._standing.phase is Phase.AT_REST:
            yield self._close(ms, *self._verdict_at_rest(worth), worth)
        elif ms >= attempt.deadline_ms:
            yield self._close(ms, Verdict.REFUSED, (Reason.MAX_WAIT, *self._standing.lacks), worth)

    def _verdict_at_rest(self, worth: Evaluation | None) -> tuple[Verdict, tuple[Reason, ...]]:
        """Return the verdict on a value at rest by the episodes that are open and the portions before."""
        if self._attempt is not None and self._attempt.reference is not None:
            return Verdict.ACCEPTED, ()
        if self._ingress.refuses:
            return Verdict.REFUSED, (Reason.INGRESS_IN_SAMPLE_PATH,)
        request = None if self._attempt is None else self._attempt.request
        budget = None if worth is None else worth.budget
        if self.settings.criterion.agreeing_portions > 1 and budget is not None:
            sample_id = None if request is None else request.sample_id
            if not self._portions.add(budget.ph, sample_id, self.settings.criterion):
                return Verdict.CANNOT_TELL, (Reason.TOO_FEW_AGREEING_PORTIONS,)
        open_to_air = worth is not None and Qualifier.OPEN_TO_AIR in worth.qualifiers
        return Verdict.QUALIFIED if self._ingress.doubtful or open_to_air else Verdict.ACCEPTED, ()

    def _worth(self, window: ReadingBlock, standing: Standing | None, ms: int) -> Evaluation:
        """Return what a window is worth at `ms`."""
        return evaluate(
            window,
            self.settings,
            standing.drift if standing else None,
            standing.forecast if standing else None,
            utc_ms=self._stamp.utc_ms(ms),
            grab=self._grab,
        )

    # --- determinations ------------------------------------------------------------------------

    def _begin_attempt(
        self, ms: int, request: Request | None = None, reference: ReferenceRequest | None = None
    ) -> None:
        grab = None if request is None else request.grab
        criterion = criterion_for(self.settings, reference, grab)[1]
        self._attempt = Attempt(
            request=request,
            reference=reference,
            began=self._stamp.text(ms),
            began_ms=ms,
            deadline_ms=ms + round(criterion.max_wait_s * 1000),
        )
        self._look_every_ms = _look_every_ms(criterion)
        self._standing = None
        if request is None and reference is None:
            every_ms = round(self.settings.every_s * 1000)
            self._due_ms += every_ms * max(1, -(-(ms + 1 - self._due_ms) // every_ms))

    def _request(self, request: Request) -> Iterator[Body]:
        yield from self._see_readings(request.ms - 1)
        there = self._attendance
        strange = there is not None and (there.work != "measure" or there.id != request.attendance)
        if strange or (self._attempt is not None and self._attempt.request is not None):
            held = self._attempt, self._standing, self._look_every_ms
            self._begin_attempt(request.ms, request)
            yield self._close(request.ms, Verdict.REFUSED, (Reason.BUSY,))
            self._attempt, self._standing, self._look_every_ms = held
            return
        if self._attempt is not None:
            yield self._close(request.ms, Verdict.REFUSED, (Reason.SUPERSEDED,))
        if self.settings.mode == "on-request" or self._attendance is not None:
            # Someone has just put the electrode into the sample.
            self._reception.disturb(request.ms, Reason.GAP)
            yield from self._ingress.new_sample(request.ms, self._stamp)
        elif request.from_buffer:
            self._ingress.set_aside(request.ms)
        self._from_buffer = self._from_buffer or request.from_buffer
        self._begin_attempt(request.ms, request)

    def _reference_request(self, request: ReferenceRequest) -> Iterator[Body]:
        yield from self._see_readings(request.ms - 1)
        if self._attempt is not None:
            yield self._close(request.ms, Verdict.REFUSED, (Reason.SUPERSEDED,))
        self._reception.disturb(request.ms, Reason.GAP)  # someone has just changed the solution
        self._begin_attempt(request.ms, reference=request)

    def _attend(self, attendance: Attendance) -> Iterator[Body]:
        yield from self._see_readings(attendance.ms - 1)
        began = attendance.state == "began"
        if self._attempt is not None:
            reason = Reason.SUPERSEDED if began else Reason.STOPPED
            yield self._close(attendance.ms, Verdict.REFUSED, (reason,))
        yield from self._leave(attendance.ms)
        self._portions = Portions()
        if began:
            self._attendance = attendance
            self._brought = IngressWatch(self.settings) if attendance.work == "measure" else None
        else:
            self._reception.disturb(attendance.ms, Reason.GAP)  # the electrode is back in the water
            self._from_buffer = self._from_buffer or attendance.work in _IN_SOLUTIONS
            self._due_ms = attendance.ms

    def _leave(self, ms: int) -> Iterator[Body]:
        """Let nobody work at the cell, and what they brought be gone."""
        if self._attendance is not None and self._attendance.work != "flow-test":
            self._water.set_aside(ms)
        self._attendance = self._reference_mv = None
        if self._brought is not None:
            yield from self._brought.new_sample(ms, self._stamp)
            self._brought = None

    @property
    def _of_the_water(self) -> bool:
        """Whether readings tell of the water: it is measured, or flows past and nobody works there."""
        if self._attempt is not None:
            return self._attempt.reference is None
        return self._begins_by_itself

    @property
    def _flows(self) -> bool:
        """Whether the sample is renewed all the time: nobody brought it in a vessel."""
        return self.settings.mode == "continuous" and self._grab is None

    @property
    def _ingress(self) -> IngressWatch:
        """The watch over what is measured now."""
        return self._brought or self._water

    @property
    def _watches(self) -> tuple[IngressWatch, ...]:
        return (self._water,) if self._brought is None else (self._water, self._brought)

    @property
    def _grab(self) -> GrabSample | None:
        """How the sample was brought that is being measured."""
        request = self._attempt.request if self._attempt else None
        return request.grab if request else None

    @property
    def _criterion(self) -> Criterion:
        """What the open determination is held against."""
        reference = self._attempt.reference if self._attempt else None
        return criterion_for(self.settings, reference, self._grab)[1]

    def _close(
        self, ms: int, verdict: Verdict, reasons: tuple[Reason, ...], worth: Evaluation | None = None
    ) -> DeterminationBody | ReferenceMeasurementBody:
        attempt = self._attempt
        if attempt is None:
            raise ContractError("no determination is open", subject=self.settings.cell)
        window = self._window(ms)
        outcome = Outcome(
            verdict=verdict,
            reasons=reasons,
            standing=self._standing,
            window=window,
            worth=worth or self._worth(window, self._standing, ms),
            from_buffer=self._from_buffer,
            portions_ph=() if verdict is Verdict.REFUSED else tuple(self._portions.ph),
        )
        if attempt.reference is not None:
            return self._close_reference(ms, attempt, attempt.reference, outcome)
        body = determination_body(
            attempt,
            outcome,
            self.settings,
            criterion=self._criterion,
            body_id=self._stamp.next_id(),
            ended=self._stamp.text(ms),
            quiet_ms=ms - self._reception.quiet_since_ms,
            time_quality=self._stamp.open_segment.time_quality,
            earlier_refused=self._earlier_refused,
            ingress=self._ingress,
        )
        self._ingress.deliver(ms, body.id, verdict)
        if verdict is Verdict.REFUSED:
            if Reason.BUSY not in reasons and Reason.SUPERSEDED not in reasons:
                self._portions.broken()
        else:
            self._from_buffer = False
            self._reception.learning.at_rest(ms)
        if Reason.BUSY not in reasons:
            self._earlier_refused = self._earlier_refused + 1 if verdict is Verdict.REFUSED else 0
        self._attempt = None
        self._standing = None
        return body

    def _close_reference(
        self, ms: int, attempt: Attempt, reference: ReferenceRequest, outcome: Outcome
    ) -> ReferenceMeasurementBody:
        body = reference_measurement(
            attempt,
            reference,
            outcome,
            self.settings,
            body_id=self._stamp.next_id(),
            ended=self._stamp.text(ms),
            since=self._reception.history.between(attempt.began_ms, ms),
            before_mv=None if reference.purpose == "flow-test" else self._reference_mv,
        )
        self._reference_mv = body.mv if outcome.verdict is Verdict.ACCEPTED else None
        self._attempt = self._standing = None
        return body

    def _window(self, ms: int) -> ReadingBlock:
        """Return the readings the open determination may rest on at `ms`."""
        attempt = self._attempt
        if attempt is None:
            raise ContractError("no determination is open", subject=self.settings.cell)
        begin_ms = ms - round(self._criterion.window_s * 1000)
        after_ms = max(begin_ms, self._reception.quiet_since_ms, attempt.began_ms)
        return self._reception.history.between(after_ms, ms)

    # --- state ---------------------------------------------------------------------------------

    def state(self) -> dict[str, Json]:
        """Return all that must be known to go on from here, as JSON values.

        Take it behind a time mark or between segments. Readings are named, not repeated.
        """
        tuple(self._see_readings(self._now_ms))  # those of which nothing is to be told may still wait
        segment = self._stamp.segment
        return dict(
            plain(
                EngineState(
                    segment=None if segment is None else replace(segment, settings=None),
                    ended=self._ended,
                    ordinal=self._stamp.ordinal,
                    now_ms=self._now_ms,
                    reception=self._reception.state(),
                    attempt=self._attempt,
                    standing=self._standing,
                    due_ms=self._due_ms,
                    earlier_refused=self._earlier_refused,
                    from_buffer=self._from_buffer,
                    portions=self._portions,
                    attendance=self._attendance,
                    reference_mv=self._reference_mv,
                    ingress=self._water.state(),
                    brought=None if self._brought is None else self._brought.state(),
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
        self._attempt, self._standing = known.attempt, known.standing
        self._attendance, self._reference_mv = known.attendance, known.reference_mv
        self._look_every_ms = _look_every_ms(self._criterion)
        self._due_ms, self._earlier_refused = known.due_ms, known.earlier_refused
        self._from_buffer, self._portions = known.from_buffer, known.portions
        self._water.restore(known.ingress)
        self._brought = None
        if known.brought is not None:
            self._brought = IngressWatch(self.settings)
            self._brought.restore(known.brought)

    # --- views ---------------------------------------------------------------------------------

    @property
    def open_episodes(self) -> tuple[str, ...]:
        """Ids of the records that opened the episodes still open."""
        return tuple(episode for watch in self._watches for episode in watch.episodes)

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
        return self._attendance

    @property
    def asked(self) -> Request | None:
        """What someone asked for and is being measured now."""
        return None if self._attempt is None else self._attempt.request

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
            ph_of=self.settings.ph if with_ph else lambda _mv, _temperature_c: None,
            where=self._with_look_ahead(),
            attended=self._attendance.work if self._attendance else None,
        )

    def _with_look_ahead(self) -> Standing | None:
        """Return where the determination stands, in words with what is still to come while it moves."""
        where, received = self._standing, self._reception
        moves = where is not None and where.phase is Phase.JUDGING and Reason.NOT_AT_REST in where.lacks
        if where is None or not moves or where.forecast is not None or where.drift is None:
            return where
        if self._told is None or self._told[0] is not where:
            after_ms = max(received.quiet_since_ms, self._now_ms - HISTORY_MS)
            text = look_ahead(
                received.history.potentials(after_ms, self._now_ms),
                self._criterion,
                disturbed_ms=received.quiet_since_ms,
                mv_per_ph=abs(self.settings.mv_per_ph(None)),
                flowing=self._flows,
            )
            told = replace(where, waits_for="; ".join(filter(None, (where.waits_for, text))))
            self._told = (where, told)
        return self._told[1]


def _look_every_ms(criterion: Criterion) -> int:
    return LOOK_MS if criterion.window_s * 1000 >= 4 * LOOK_MS else TICK_MS
