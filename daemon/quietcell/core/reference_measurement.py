"""The record of one potential at rest in a solution of known pH."""

import math

from quietcell.core.bench_records import ReferenceMeasurementBody
from quietcell.core.criterion_for import criterion_for
from quietcell.core.determination import Attempt, Outcome
from quietcell.core.electrode.response import response_time_s
from quietcell.core.evaluation import conductivity_of, mean_of, repeatability_mv
from quietcell.core.history import evidence_sha256
from quietcell.core.inputs import ReferenceRequest
from quietcell.core.readings import ReadingBlock
from quietcell.core.records import CriterionSummary, Verdict
from quietcell.core.settings import CellSettings

LARGEST_REMAINING_MV = 1000.0


def reference_measurement(
    attempt: Attempt,
    request: ReferenceRequest,
    outcome: Outcome,
    settings: CellSettings,
    *,
    body_id: str,
    ended: str,
    since: ReadingBlock,
    before_mv: float | None,
) -> ReferenceMeasurementBody:
    """Write the record of an ended reference measurement.

    Parameters
    ----------
    since : ReadingBlock
        Readings since it began.
    before_mv : float or None
        Level of the solution before, where there was one.
    """
    window, standing = outcome.window, outcome.standing
    drift = standing.drift if standing else None
    forecast = standing.forecast if standing else None
    name, criterion = criterion_for(settings, request)
    mv, temperature_c = mean_of(window.mv), mean_of(window.temperature_c)
    accepted = outcome.verdict is Verdict.ACCEPTED
    remaining_mv = None if forecast is None else min(forecast.bound_mv, LARGEST_REMAINING_MV)
    repeats_mv = repeatability_mv(drift)
    uncertainty_mv = None
    if repeats_mv is not None:
        # Bounds of what is still to come and of a rounded display are rectangles (GUM 4.3.7).
        uncertainty_mv = math.hypot(
            repeats_mv, criterion.resolution_mv / math.sqrt(12.0), (remaining_mv or 0.0) / math.sqrt(3.0)
        )
    response_s = None
    if accepted and mv is not None and before_mv is not None:
        response_s = response_time_s(
            since.ms, since.mv, began_ms=attempt.began_ms, before_mv=before_mv, after_mv=mv
        )
    return ReferenceMeasurementBody(
        id=body_id,
        cell=settings.cell,
        at=ended,
        purpose=request.purpose,
        request=request.id,
        solution=request.solution,
        operator=request.operator,
        began=attempt.began,
        ended=ended,
        verdict=outcome.verdict,
        reasons=outcome.reasons,
        mv=mv,
        mv_standard_uncertainty=uncertainty_mv,
        temperature_c=temperature_c,
        conductivity_us_cm=conductivity_of(window),
        flow_ml_min=mean_of(window.flow_ml_min),
        ph=settings.ph(mv, temperature_c),
        noise_mv=drift.scatter_mv if drift else None,
        response_time_s=response_s,
        drift_mv_per_min=drift.slope_mv_per_min if drift else None,
        drift_bound_mv_per_min=drift.bound_mv_per_min if drift else None,
        remaining_mv_bound=remaining_mv,
        window_s=(int(window.ms[-1]) - int(window.ms[0])) / 1000 if len(window) else None,
        readings=len(window),
        rejected_readings=dict(sorted(attempt.rejected.items())),
        calibration_id=settings.calibration_id,
        electrode=settings.electrode,
        meter=settings.meter,
        criterion=CriterionSummary(name=name, digest=criterion.digest()),
        readings_sha256=evidence_sha256(window),
    )
