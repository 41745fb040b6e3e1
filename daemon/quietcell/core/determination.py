"""One determination in progress: when it began, what disturbed it, and the record it ends in."""

from collections import Counter
from dataclasses import dataclass, field
from decimal import ROUND_HALF_UP, Decimal

from quietcell.core.electrode.uncertainty import COVERAGE_FACTOR, Budget
from quietcell.core.endpoint.criterion import Criterion
from quietcell.core.endpoint.machine import Standing
from quietcell.core.evaluation import Evaluation
from quietcell.core.history import evidence_sha256
from quietcell.core.ingress.watch import IngressWatch
from quietcell.core.inputs import ReferenceRequest, Request
from quietcell.core.readings import ReadingBlock
from quietcell.core.records import (
    ABSENT,
    PH_DECIMALS,
    BudgetLine,
    CalibrationSummary,
    CriterionSummary,
    DeterminationBody,
    GrabSample,
    LowIonicReference,
    Qualifier,
    Reason,
    TimeQuality,
    Verdict,
)
from quietcell.core.settings import CellSettings


@dataclass(slots=True, kw_only=True)
class Attempt:
    """An open determination, on the time of the current segment."""

    request: Request | None
    """Who asked for it; None for one of the cell's own."""
    began: str
    began_ms: int
    """Negative when it began in an earlier segment."""
    deadline_ms: int
    reference: ReferenceRequest | None = None
    """Set where it is no determination of the water but a measurement in a known solution."""
    rejected: Counter[str] = field(default_factory=Counter)

    @property
    def grab(self) -> GrabSample | None:
        """How the sample was brought."""
        return None if self.request is None else self.request.grab

    def shift(self, ms: int) -> None:
        """Move to the time of the next segment, whose zero lies `ms` later."""
        self.began_ms -= ms
        self.deadline_ms -= ms


def reported(ph: float, places: int) -> float:
    """Round the pH a record shows half away from zero, as people do on paper."""
    shown = Decimal(repr(round(ph, PH_DECIMALS)))
    return float(shown.quantize(Decimal(1).scaleb(-places), ROUND_HALF_UP))


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """How a determination ended."""

    verdict: Verdict
    reasons: tuple[Reason, ...]
    standing: Standing | None
    """None when it ended before it was ever judged."""
    window: ReadingBlock
    """Readings the verdict rests on."""
    worth: Evaluation
    """What they are worth."""
    from_buffer: bool = False
    portions_ph: tuple[float, ...] = ()
    """This portion and those before it, where the criterion asks for several."""


def determination_body(
    attempt: Attempt,
    outcome: Outcome,
    settings: CellSettings,
    *,
    criterion: Criterion,
    body_id: str,
    ended: str,
    quiet_ms: int,
    time_quality: TimeQuality,
    earlier_refused: int,
    ingress: IngressWatch,
) -> DeterminationBody:
    """Write the record of an ended determination.

    Every number comes from the whole window in one go, so that live, replay and recompute agree.
    """
    window, standing, request = outcome.window, outcome.standing, attempt.request
    drift = standing.drift if standing else None
    forecast = standing.forecast if standing else None
    long_drift = standing.long_drift if standing else None
    worth = outcome.worth
    mv_per_ph = settings.mv_per_ph(worth.temperature_c)
    budget = worth.budget
    ph = None if budget is None else budget.ph
    qualifiers = [*ingress.qualifiers, *worth.qualifiers]
    if time_quality == "not-synchronised":
        qualifiers.append(Qualifier.TIME_NOT_SYNCHRONISED)
    return DeterminationBody(
        id=body_id,
        cell=settings.cell,
        at=ended,
        sample_point=settings.sample_point,
        request=request.id if request and request.id else ABSENT,
        sample_id=request.sample_id if request else None,
        operator=request.operator if request else None,
        grab=attempt.grab or ABSENT,
        mode="on-request" if request else "continuous",
        began=attempt.began,
        ended=ended,
        verdict=outcome.verdict,
        reasons=outcome.reasons,
        qualifiers=tuple(qualifiers),
        ph=ph,
        ph_25c=float(worth.ph_25c.value) if worth.ph_25c else None,
        ph_25c_model=worth.ph_25c.model if worth.ph_25c else None,
        ph_25c_spread=float(worth.ph_25c.spread) if worth.ph_25c else None,
        ph_reported=None if ph is None else reported(ph, settings.ph_decimals),
        ph_expanded_uncertainty=budget.expanded_uncertainty_ph if budget else None,
        ph_expanded_uncertainty_repeatability=COVERAGE_FACTOR * budget.repeatability_ph if budget else None,
        ph_expanded_uncertainty_systematic=COVERAGE_FACTOR * budget.systematic_ph if budget else None,
        ph_budget=_budget_lines(budget),
        temperature_c=worth.temperature_c,
        mv=worth.mv,
        conductivity_us_cm=worth.conductivity_us_cm,
        conductivity_25c_us_cm=worth.conductivity_25c_us_cm,
        ph_allowed_low=worth.ph_allowed[0] if worth.ph_allowed else None,
        ph_allowed_high=worth.ph_allowed[1] if worth.ph_allowed else None,
        ph_margin=worth.ph_margin,
        flow_ml_min=worth.flow_ml_min,
        sample_age_s=worth.sample_age_s,
        time_since_disturbance_s=quiet_ms / 1000,
        drift_mv_per_min=drift.slope_mv_per_min if drift else None,
        drift_bound_mv_per_min=drift.bound_mv_per_min if drift else None,
        long_drift_mv_per_min=long_drift.slope_mv_per_min if long_drift else None,
        long_drift_bound_mv_per_min=long_drift.bound_mv_per_min if long_drift else None,
        remaining_ph=forecast.remaining_mv / -mv_per_ph if forecast else None,
        remaining_ph_bound=forecast.bound_mv / abs(mv_per_ph) if forecast else None,
        remaining_risk=forecast.beyond if forecast else None,
        drift_confidence=criterion.confidence,
        temperature_drift_c_per_min=standing.temperature_drift_c_per_min if standing else None,
        window_s=(int(window.ms[-1]) - int(window.ms[0])) / 1000 if len(window) else None,
        readings=len(window),
        rejected_readings=dict(sorted(attempt.rejected.items())),
        smallest_co2_ug_per_l=ingress.smallest_co2_ug_per_l,
        episodes=ingress.episodes,
        earlier_refused=earlier_refused,
        calibration=CalibrationSummary(
            id=settings.calibration_id,
            slope_pct=settings.line.slope_pct,
            zero_mv=settings.line.zero_mv,
            isopotential_ph=settings.line.isopotential_ph,
            age_d=worth.calibration_age_d,
            buffers=settings.calibration_buffers,
        ),
        low_ionic_check=_low_ionic(settings),
        electrode=settings.electrode,
        meter=settings.meter,
        kcl_adjusted=settings.salted(attempt.grab),
        from_buffer=outcome.from_buffer,
        portions_ph=tuple(round(ph, PH_DECIMALS) for ph in outcome.portions_ph) or ABSENT,
        criterion=CriterionSummary(name=settings.criterion_name, digest=criterion.digest()),
        readings_sha256=evidence_sha256(window),
    )


def _low_ionic(settings: CellSettings) -> LowIonicReference | None:
    check = settings.low_ionic
    if check is None:
        return None
    return LowIonicReference(
        id=settings.low_ionic_id,
        at=settings.low_ionic_at,
        bias_ph=check.bias_ph,
        standard_uncertainty_ph=check.standard_uncertainty_ph,
    )


def _budget_lines(budget: Budget | None) -> tuple[BudgetLine, ...] | None:
    """Return the budget as the record keeps it."""
    if budget is None:
        return None
    return tuple(
        BudgetLine(
            name=component.name,
            standard_uncertainty_ph=component.standard_uncertainty_ph,
            bias_ph=component.bias_ph,
            repeatability=component.repeatability,
            basis=component.basis,
        )
        for component in budget.components
    )
