"""Attempts at a value, one at a time: each begins, is looked at until it is at rest, and ends in a record.

When one begins and is looked at is the engine's to say.
"""

from dataclasses import replace

from quietcell.core.admission import objections
from quietcell.core.bench_records import ReferenceMeasurementBody
from quietcell.core.criterion_for import criterion_for
from quietcell.core.determination import Attempt, Outcome, determination_body
from quietcell.core.endpoint.criterion import Criterion
from quietcell.core.endpoint.machine import Phase, Standing, look_ahead, standing
from quietcell.core.engine_state import EngineState
from quietcell.core.evaluation import Evaluation, evaluate, mean_of
from quietcell.core.ingress.watch import IngressWatch
from quietcell.core.inputs import ReferenceRequest, Request
from quietcell.core.portions import Portions
from quietcell.core.readings import ReadingBlock
from quietcell.core.reception import HISTORY_MS, Reception
from quietcell.core.records import DeterminationBody, GrabSample, Qualifier, Reason, Verdict
from quietcell.core.reference_measurement import reference_measurement
from quietcell.core.settings import CellSettings
from quietcell.core.stamp import Stamp
from quietcell.errors import ContractError

LOOK_MS, QUICK_LOOK_MS = 5000, 1000
"""An attempt is looked at so often; quick is for windows shorter than four looks."""


class Attempts:
    """The attempts of one cell.

    Parameters
    ----------
    settings : CellSettings
        What values are held against.
    reception : Reception
        The readings they rest on.
    stamp : Stamp
        Numbers and dates their records.
    """

    def __init__(self, settings: CellSettings, reception: Reception, stamp: Stamp) -> None:
        self._settings = settings
        self._reception = reception
        self._stamp = stamp
        self.open: Attempt | None = None
        self.standing: Standing | None = None
        """Where the open one stood when it was last looked at."""
        self.look_every_ms = _look_every_ms(settings.criterion)
        self.earlier_refused = 0
        self.from_buffer = False
        """The electrode comes from a buffer, and nothing was accepted since."""
        self.portions = Portions()
        self.reference_mv: float | None = None
        """Level of the last known solution, where it is of the same work at the cell."""
        self._told: tuple[Standing, Standing] | None = None
        """A standing, and the same with more words for who watches."""

    def reconfigure(self, settings: CellSettings) -> None:
        """Go on under other settings."""
        if settings.calibration_id != self._settings.calibration_id:
            self.from_buffer = True
        if settings != self._settings:
            self.portions.broken()  # those judged otherwise are none of the next
        self._settings = settings
        self.look_every_ms = _look_every_ms(self.criterion)

    def restore(self, known: EngineState) -> None:
        """Go on from a state."""
        self.open, self.standing = known.attempt, known.standing
        self.earlier_refused, self.from_buffer = known.earlier_refused, known.from_buffer
        self.portions, self.reference_mv = known.portions, known.reference_mv
        self.look_every_ms = _look_every_ms(self.criterion)

    # --- what is being measured ----------------------------------------------------------------

    @property
    def grab(self) -> GrabSample | None:
        """How the sample was brought that is being measured."""
        return None if self.open is None else self.open.grab

    @property
    def criterion(self) -> Criterion:
        """What the open one is held against."""
        return self._settings.criterion if self.open is None else self._criterion(self.open)

    def _criterion(self, attempt: Attempt) -> Criterion:
        return criterion_for(self._settings, attempt.reference, attempt.grab)[1]

    @property
    def _flows(self) -> bool:
        """Whether the sample is renewed all the time: nobody brought it in a vessel."""
        return self._settings.mode == "continuous" and self.grab is None

    @property
    def _opened(self) -> Attempt:
        if self.open is None:
            raise ContractError("no determination is open", subject=self._settings.cell)
        return self.open

    # --- beginning -----------------------------------------------------------------------------

    def begin(
        self, ms: int, request: Request | None = None, reference: ReferenceRequest | None = None
    ) -> None:
        """Begin one at `ms`: asked for, in a known solution, or of the cell's own."""
        self.open, self.standing = self._new(ms, request, reference), None
        self.look_every_ms = _look_every_ms(self.criterion)

    def _new(
        self, ms: int, request: Request | None = None, reference: ReferenceRequest | None = None
    ) -> Attempt:
        criterion = criterion_for(self._settings, reference, None if request is None else request.grab)[1]
        return Attempt(
            request=request,
            reference=reference,
            began=self._stamp.text(ms),
            began_ms=ms,
            deadline_ms=ms + round(criterion.max_wait_s * 1000),
        )

    # --- looking -------------------------------------------------------------------------------

    def look(self, ms: int) -> bool:
        """See where the open one stands; return whether it may end, at rest or at its deadline."""
        attempt, received = self._opened, self._reception
        window = self._window(attempt, ms)
        received.learning.catch_up(received.history, ms)
        self.standing = standing(
            window,
            received.history.potentials(self._since_ms(ms), ms),
            self.criterion,
            now_ms=ms,
            began_ms=attempt.began_ms,
            disturbed_ms=received.quiet_since_ms,
            silent_ms=ms - (attempt.began_ms if received.last_ms is None else received.last_ms),
            disturbance=received.disturbance,
            mv_per_ph=abs(self._settings.mv_per_ph(mean_of(window.temperature_c))),
            noise=received.learning.noise,
            from_buffer=self.from_buffer and attempt.reference is None,
            flowing=self._flows and attempt.reference is None,
        )
        if self.standing.phase is Phase.AT_REST and received.history.last_ms != received.last_ms:
            text = "a reading that counts: the last does not, so the level may have moved"
            self._hold_back(self.standing, (Reason.FLAGGED_READINGS,), text)
        return self.standing.phase is Phase.AT_REST or ms >= attempt.deadline_ms

    def _hold_back(self, where: Standing, reasons: tuple[Reason, ...], waits_for: str) -> None:
        """Go on judging what is at rest but lacks something else."""
        self.standing = replace(where, phase=Phase.JUDGING, lacks=reasons, waits_for=waits_for)

    def told(self, now_ms: int) -> Standing | None:
        """Return where the open one stands, in words with what is still to come while it moves."""
        where, received = self.standing, self._reception
        moves = where is not None and where.phase is Phase.JUDGING and Reason.NOT_AT_REST in where.lacks
        if where is None or not moves or where.forecast is not None or where.drift is None:
            return where
        if self._told is None or self._told[0] is not where:
            text = look_ahead(
                received.history.potentials(self._since_ms(now_ms), now_ms),
                self.criterion,
                disturbed_ms=received.quiet_since_ms,
                mv_per_ph=abs(self._settings.mv_per_ph(None)),
                flowing=self._flows,
            )
            told = replace(where, waits_for="; ".join(filter(None, (where.waits_for, text))))
            self._told = (where, told)
        return self._told[1]

    def _since_ms(self, ms: int) -> int:
        """Return after when readings tell at `ms` what is still to come."""
        return max(self._reception.quiet_since_ms, ms - HISTORY_MS)

    def _window(self, attempt: Attempt, ms: int) -> ReadingBlock:
        """Return the readings an attempt may rest on at `ms`."""
        begin_ms = ms - round(self._criterion(attempt).window_s * 1000)
        after_ms = max(begin_ms, self._reception.quiet_since_ms, attempt.began_ms)
        return self._reception.history.between(after_ms, ms)

    # --- ending --------------------------------------------------------------------------------

    def conclude(self, ms: int, ingress: IngressWatch) -> DeterminationBody | ReferenceMeasurementBody | None:
        """End the open one if nothing else speaks against its value, or at its deadline."""
        attempt, where = self._opened, self.standing
        worth: Evaluation | None = None
        if where is not None and where.phase is Phase.AT_REST:
            if attempt.reference is not None:
                return self.close(ms, ingress, Verdict.ACCEPTED)
            worth = self._worth(attempt, self._window(attempt, ms), where, ms)
            since = None if self._flows else self._reception.history.between(self._since_ms(ms), ms)
            reasons, text = objections(worth, since, self._settings, attempt.grab)
            if not reasons:
                return self.close(ms, ingress, *self._verdict(attempt, worth, ingress), worth=worth)
            self._hold_back(where, reasons, f"an end of what speaks against the value at rest: {text}")
        if ms < attempt.deadline_ms:
            return None
        lacks = () if self.standing is None else self.standing.lacks
        return self.close(ms, ingress, Verdict.REFUSED, (Reason.MAX_WAIT, *lacks), worth=worth)

    def _verdict(
        self, attempt: Attempt, worth: Evaluation, ingress: IngressWatch
    ) -> tuple[Verdict, tuple[Reason, ...]]:
        """Return the verdict on a value at rest by the episodes that are open and the portions before."""
        if ingress.refuses:
            return Verdict.REFUSED, (Reason.INGRESS_IN_SAMPLE_PATH,)
        criterion = self._settings.criterion
        if criterion.agreeing_portions > 1 and worth.budget is not None:
            sample_id = None if attempt.request is None else attempt.request.sample_id
            if not self.portions.add(worth.budget.ph, sample_id, criterion):
                return Verdict.CANNOT_TELL, (Reason.TOO_FEW_AGREEING_PORTIONS,)
        doubtful = ingress.doubtful or Qualifier.OPEN_TO_AIR in worth.qualifiers
        return Verdict.QUALIFIED if doubtful else Verdict.ACCEPTED, ()

    def close(
        self,
        ms: int,
        ingress: IngressWatch,
        verdict: Verdict,
        reasons: tuple[Reason, ...] = (),
        *,
        worth: Evaluation | None = None,
    ) -> DeterminationBody | ReferenceMeasurementBody:
        """End the open one and return its record.

        Parameters
        ----------
        ms : int
            Now.
        ingress : IngressWatch
            Over the water that is measured.
        verdict, reasons
            How it ends.
        worth : Evaluation, optional
            Of its window, where that is known.
        """
        attempt = self._opened
        outcome = self._outcome(attempt, ms, verdict, reasons, self.standing, worth)
        self.open = self.standing = None
        if attempt.reference is not None:
            return self._reference_record(ms, attempt, attempt.reference, outcome)
        body = self._record(ms, attempt, outcome, ingress)
        ingress.deliver(ms, body.id, verdict)
        if verdict is Verdict.REFUSED:
            self.earlier_refused += 1
            if Reason.SUPERSEDED not in reasons:
                self.portions.broken()
        else:
            self.earlier_refused = 0
            self.from_buffer = False
            self._reception.learning.at_rest(ms)
        return body

    def turn_away(self, request: Request, ingress: IngressWatch) -> DeterminationBody:
        """Return the record of a request that comes while another keeps the cell busy."""
        attempt = self._new(request.ms, request)
        outcome = self._outcome(attempt, request.ms, Verdict.REFUSED, (Reason.BUSY,))
        return self._record(request.ms, attempt, outcome, ingress)

    def _outcome(
        self,
        attempt: Attempt,
        ms: int,
        verdict: Verdict,
        reasons: tuple[Reason, ...],
        where: Standing | None = None,
        worth: Evaluation | None = None,
    ) -> Outcome:
        window = self._window(attempt, ms)
        return Outcome(
            verdict=verdict,
            reasons=reasons,
            standing=where,
            window=window,
            worth=worth or self._worth(attempt, window, where, ms),
            from_buffer=self.from_buffer,
            portions_ph=() if verdict is Verdict.REFUSED else tuple(self.portions.ph),
        )

    def _worth(self, attempt: Attempt, window: ReadingBlock, where: Standing | None, ms: int) -> Evaluation:
        """Return what a window is worth at `ms`."""
        return evaluate(
            window,
            self._settings,
            where.drift if where else None,
            where.forecast if where else None,
            utc_ms=self._stamp.utc_ms(ms),
            noise=self._reception.learning.noise,
            grab=attempt.grab,
        )

    def _record(
        self, ms: int, attempt: Attempt, outcome: Outcome, ingress: IngressWatch
    ) -> DeterminationBody:
        return determination_body(
            attempt,
            outcome,
            self._settings,
            criterion=self._criterion(attempt),
            body_id=self._stamp.next_id(),
            ended=self._stamp.text(ms),
            quiet_ms=ms - self._reception.quiet_since_ms,
            time_quality=self._stamp.open_segment.time_quality,
            earlier_refused=self.earlier_refused,
            ingress=ingress,
        )

    def _reference_record(
        self, ms: int, attempt: Attempt, reference: ReferenceRequest, outcome: Outcome
    ) -> ReferenceMeasurementBody:
        body = reference_measurement(
            attempt,
            reference,
            outcome,
            self._settings,
            body_id=self._stamp.next_id(),
            ended=self._stamp.text(ms),
            since=self._reception.history.between(attempt.began_ms, ms),
            before_mv=None if reference.purpose == "flow-test" else self.reference_mv,
        )
        self.reference_mv = body.mv if outcome.verdict is Verdict.ACCEPTED else None
        return body


def _look_every_ms(criterion: Criterion) -> int:
    return LOOK_MS if criterion.window_s * 1000 >= 4 * LOOK_MS else QUICK_LOOK_MS
