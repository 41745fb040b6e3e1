"""What a window of readings is worth: pH with its uncertainty, at 25 °C, and whether chemistry allows it."""

import math
from dataclasses import dataclass, replace

import numpy as np

from quietcell.core.electrode.influences import Influences
from quietcell.core.electrode.known_line import KnownLine
from quietcell.core.electrode.ph_budget import Measured, ph_budget
from quietcell.core.electrode.uncertainty import COVERAGE_FACTOR, Budget
from quietcell.core.endpoint.relaxation import Forecast
from quietcell.core.endpoint.window import Drift, SlopeNoise
from quietcell.core.readings import Quantity, ReadingBlock
from quietcell.core.records import GrabSample, Qualifier, Reason
from quietcell.core.settings import CellSettings
from quietcell.core.times import DAY_MS
from quietcell.core.times import utc_ms as utc_ms_of
from quietcell.core.water.inverse_conductivity import most_conductivity_at
from quietcell.core.water.limits import allowed_ph_interval
from quietcell.core.water.reference25 import Ph25, conductivity_at, ph_25c, salt_conductivity_25c
from quietcell.errors import DomainError

CONTRADICTABLE = ("junction", "low-ionic-check", "streaming", "remaining")
"""Errors the conductivity rule is there to find; their allowances must not excuse a contradiction."""
AIR_COUNTS_US_CM = 100.0
"""Below this, air changes a sample while it is measured (common practice, no source)."""
MOST_US_CM, MOST_ML_MIN = 1e6, 1e6
"""No water conducts or flows through a cell as much; what shows more is no reading of it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Evaluation:
    """Values of one window; None is not measured or cannot be given."""

    mv: float | None
    temperature_c: float | None
    conductivity_us_cm: float | None
    flow_ml_min: float | None
    conductivity_25c_us_cm: float | None = None
    budget: Budget | None = None
    """pH at sample temperature with everything that is uncertain about it."""
    ph_25c: Ph25 | None = None
    ph_allowed: tuple[float, float] | None = None
    """Lowest and highest pH that conductivity and temperature allow."""
    ph_margin: float | None = None
    """How far inside that interval the reading and its own uncertainty lie; negative is a contradiction."""
    sample_age_s: float | None = None
    """From sample point to electrode."""
    faults: tuple[Reason, ...] = ()
    """Why the value must not be accepted, however steady it is."""
    qualifiers: tuple[Qualifier, ...] = ()
    calibration_age_d: float | None = None


def mean_of(values: Quantity) -> float | None:
    """Return the mean of what was measured, or None."""
    known = values[np.isfinite(values)]
    return float(known.sum() / len(known)) if len(known) else None


def conductivity_of(window: ReadingBlock) -> float | None:
    """Return the mean conductivity, or None: a conductivity cell that shows 0 or less sees no water."""
    seen = window.conductivity_us_cm
    return mean_of(seen[(seen > 0.0) & (seen <= MOST_US_CM)])


def evaluate(
    window: ReadingBlock,
    settings: CellSettings,
    drift: Drift | None,
    forecast: Forecast | None = None,
    *,
    utc_ms: int,
    noise: SlopeNoise | None = None,
    grab: GrabSample | None = None,
) -> Evaluation:
    """Return what a window is worth.

    Parameters
    ----------
    window : ReadingBlock
        Readings that count, shape (n,).
    settings : CellSettings
        The cell.
    drift : Drift or None
        Of the same window; gives the repeatability of its mean.
    forecast : Forecast, optional
        What is still to come behind the window.
    utc_ms : int
        Time of the verdict; ages and expiries count to it.
    noise : SlopeNoise, optional
        What the cell's noise was before.
    grab : GrabSample, optional
        How a sample was brought to the bench; a conductivity measured apart takes the window's place.
    """
    mv, temperature_c = _potential(window, drift), mean_of(window.temperature_c)
    conductivity, flow = conductivity_of(window), mean_of(window.flow_ml_min)
    most = conductivity
    if grab is not None and grab.conductivity_us_cm is not None:
        conductivity, most = _measured_apart(
            grab.conductivity_us_cm, grab.conductivity_temperature_c, temperature_c
        )
    kcl_adjusted = settings.salted(grab)
    by_water = None if kcl_adjusted else conductivity  # what says something about the sample
    bare = Evaluation(mv=mv, temperature_c=temperature_c, conductivity_us_cm=conductivity, flow_ml_min=flow)
    if mv is None or temperature_c is None:
        return bare
    if not settings.calibrated:
        return replace(bare, faults=(Reason.NOT_CALIBRATED,))  # theory's pH is no evidence of anything
    age_d = _days(settings.calibrated_utc_ms, utc_ms)
    check = None if kcl_adjusted else settings.low_ionic
    covered = check is not None and check.covers(by_water)
    try:
        budget = ph_budget(
            _known_line(settings, _drifting_d(settings, utc_ms) if covered else age_d),
            Measured(
                mv=mv,
                temperature_c=temperature_c,
                repeatability_mv=repeatability_mv(drift, noise),
                remaining_ph=_remaining_ph(forecast, settings.mv_per_ph(temperature_c)),
                conductivity_us_cm=by_water,
                flow_ml_min=None if flow is None else min(max(flow, 0.0), MOST_ML_MIN),  # -0.05 stands still
                kcl_adjusted=kcl_adjusted,
            ),
            Influences(
                resolution_mv=settings.criterion.resolution_mv,
                temperature_standard_uncertainty_c=settings.temperature_uncertainty_c / COVERAGE_FACTOR,
            ),
            low_ionic_check=check,
        )
    except DomainError:
        return bare  # a potential no electrode gives; screening names it
    faults, qualifiers = _calibration_standing(settings, budget.ph, utc_ms)
    allowed, margin = _allowed(settings, budget, temperature_c, None if kcl_adjusted else most)
    if margin is not None and margin < 0:
        faults.append(Reason.CONDUCTIVITY_CONTRADICTION)
    if conductivity is None and not kcl_adjusted:
        qualifiers.append(Qualifier.NO_CONDUCTIVITY)
    if check is not None and not covered:
        qualifiers.append(Qualifier.OUTSIDE_LOW_IONIC_CHECK)
    if grab is not None and grab.open_to_air and (conductivity is None or conductivity < AIR_COUNTS_US_CM):
        qualifiers.append(Qualifier.OPEN_TO_AIR)
    return Evaluation(
        mv=mv,
        temperature_c=temperature_c,
        conductivity_us_cm=conductivity,
        flow_ml_min=flow,
        conductivity_25c_us_cm=_conductivity_25c(conductivity, temperature_c),
        budget=budget,
        ph_25c=_ph_25c(settings, budget.ph, temperature_c, by_water),
        ph_allowed=allowed,
        ph_margin=margin,
        sample_age_s=settings.sample_age_s(flow),
        faults=tuple(faults),
        qualifiers=tuple(qualifiers),
        calibration_age_d=age_d,
    )


def _measured_apart(
    conductivity: float, measured_at_c: float | None, temperature_c: float | None
) -> tuple[float, float]:
    """Return the conductivity of a separate portion at the temperature of the one in the cell.

    As a salt's, and the most it can be there: what allows a pH must not depend on what is dissolved.
    """
    if measured_at_c is None or temperature_c is None or measured_at_c == temperature_c:
        return conductivity, conductivity
    found = conductivity_at(conductivity, measured_at_c, temperature_c, on_invalid="nan")
    if not math.isfinite(found):
        return conductivity, conductivity
    most = most_conductivity_at(conductivity, measured_at_c, temperature_c)
    return found, max(found, most) if math.isfinite(most) else found


def _potential(window: ReadingBlock, drift: Drift | None) -> float | None:
    """Return the mean potential, without the spikes that the drift left out."""
    if drift is not None and math.isfinite(drift.mean_mv):
        return drift.mean_mv
    return mean_of(window.mv)


def _days(since_utc_ms: int | None, utc_ms: int) -> float | None:
    """Return days gone by; None where it is not known since when."""
    return None if since_utc_ms is None else max(0.0, (utc_ms - since_utc_ms) / DAY_MS)


def _drifting_d(settings: CellSettings, utc_ms: int) -> float | None:
    """Return the days in which the line may have drifted: a later check took off what it had by then."""
    since, checked = settings.calibrated_utc_ms, settings.low_ionic_at
    if since is not None and checked is not None:
        since = max(since, utc_ms_of(checked))
    return _days(since, utc_ms)


def _known_line(settings: CellSettings, age_d: float | None) -> KnownLine:
    """Return the calibration line with what is known of its errors."""
    if settings.calibration_errors is not None:
        return KnownLine(
            line=settings.line,
            errors=settings.calibration_errors,
            age_d=age_d,
            temperature_c=settings.calibration_temperature_c,
        )
    return KnownLine.from_figures(
        settings.line,
        slope_standard_uncertainty_pct=_halved(settings.slope_uncertainty_pct),
        zero_standard_uncertainty_mv=_halved(settings.zero_uncertainty_mv),
        age_d=age_d,
    )


def _halved(expanded: float | None) -> float | None:
    """Return a standard uncertainty from one with k = 2."""
    return None if expanded is None else expanded / COVERAGE_FACTOR


def repeatability_mv(drift: Drift | None, noise: SlopeNoise | None = None) -> float | None:
    """Return the standard uncertainty of the window's mean as determinations repeat.

    From the noise the cell has shown before, where the drift rests on it. Else from the slope's: on evenly
    spread readings both stand in the ratio span / sqrt(12) while noise is white; slower noise moves the
    mean more.
    """
    if drift is None or not math.isfinite(drift.se_mv_per_min):
        return None
    found = None
    if noise is not None and (known := noise.slope_se(drift.span_s)) and known[0] == drift.se_mv_per_min:
        found = noise.level_se_mv(drift.span_s)
    if found is None:
        found = drift.se_mv_per_min * drift.span_s / 60.0 / math.sqrt(12.0)
    return min(found, 1000.0)


def _remaining_ph(forecast: Forecast | None, mv_per_ph: float) -> tuple[float, float] | None:
    """Return the span of what is still to come, pH."""
    if forecast is None or not math.isfinite(forecast.bound_mv):
        return None
    bound_ph = min(abs(forecast.bound_mv / mv_per_ph), 14.0)
    return -bound_ph, bound_ph


def _calibration_standing(
    settings: CellSettings, ph: float, utc_ms: int
) -> tuple[list[Reason], list[Qualifier]]:
    faults: list[Reason] = []
    if settings.calibration_expires_utc_ms is not None and utc_ms >= settings.calibration_expires_utc_ms:
        faults.append(Reason.CALIBRATION_EXPIRED)
    if settings.bracket_ph is not None and not settings.bracket_ph[0] <= ph <= settings.bracket_ph[1]:
        faults.append(Reason.OUTSIDE_BRACKET)
    if settings.failed_check_id is not None:
        faults.append(Reason.CHECK_FAILED)
    stated = settings.calibration_expires_utc_ms is not None and settings.bracket_ph is not None
    # One made in buffers tells its bracket and age; that it never expires is then somebody's decision.
    known = stated or settings.calibration_id is not None
    return faults, [] if known else [Qualifier.CALIBRATION_NOT_KNOWN]


def _allowed(
    settings: CellSettings, budget: Budget, temperature_c: float, conductivity: float | None
) -> tuple[tuple[float, float] | None, float | None]:
    """Return the interval conductivity allows and how far inside it the reading lies."""
    if conductivity is None:
        return None, None
    allowed = allowed_ph_interval(
        conductivity,
        temperature_c,
        conductivity_rel_u=settings.conductivity_uncertainty_pct / 100 / COVERAGE_FACTOR,
        temperature_u_c=settings.temperature_uncertainty_c / COVERAGE_FACTOR,
        on_invalid="nan",
    )
    low, high = float(allowed.low), float(allowed.high)
    if not (math.isfinite(low) and math.isfinite(high)):
        return None, None
    own = COVERAGE_FACTOR * math.hypot(
        *(c.standard_uncertainty_ph for c in budget.components if c.name not in CONTRADICTABLE)
    )
    return (low, high), min(budget.ph + own - low, high + own - budget.ph)


def _ph_25c(
    settings: CellSettings, ph: float, temperature_c: float, conductivity: float | None
) -> Ph25 | None:
    found = ph_25c(ph, temperature_c, settings.water_model, conductivity_us_cm=conductivity, on_invalid="nan")
    return found if math.isfinite(float(found.value)) else None


def _conductivity_25c(conductivity: float | None, temperature_c: float) -> float | None:
    if conductivity is None:
        return None
    value = float(salt_conductivity_25c(conductivity, temperature_c, on_invalid="nan"))
    return value if value > 0.0 else None  # less than pure water of its temperature has: no salt makes that
