"""From reference measurements in buffers to a calibration record, and back to the line in force.

A calibration is judged three times over: by its limits (refusals), by its change since the last one
(questions, because a fresh electrode also changes), and by what the old line made of the buffers (as
found), which says how far the results since then can be trusted.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Literal

from quietcell.core.bench_records import (
    AsFound,
    CalibrationBody,
    CalibrationPointEntry,
    LineErrorEntry,
    PreviousLine,
    RefusalEntry,
)
from quietcell.core.electrode.buffers import Buffer
from quietcell.core.electrode.calibration import Calibration, CalibrationPoint, calibrate
from quietcell.core.electrode.calibration_limits import CalibrationLimits, Refusal, refusals
from quietcell.core.electrode.known_line import KnownLine
from quietcell.core.electrode.nernst import Line
from quietcell.core.electrode.ph_budget import line_standard_uncertainty_ph
from quietcell.core.electrode.uncertainty import COVERAGE_FACTOR
from quietcell.core.records import Json
from quietcell.core.settings import CellSettings, error_from
from quietcell.core.times import DAY_MS, utc_ms
from quietcell.errors import DomainError

QUESTIONS = frozenset({"slope-changed", "zero-changed"})
"""Refusals a person may answer: an electrode may really have changed, or be another one."""
RISING = "slope-sign"
"""One more where nothing was calibrated before: two buffers swapped look like mV that rise with pH."""
BUFFERS_IN_QUESTION = frozenset({"buffer-expired", "slope-sign", "residual-too-large"})
"""Refusals that speak against the buffers: what the old line made of them proves nothing."""
AS_FOUND_LIMIT_PH = 0.05
"""An electrode this far off in a buffer has not measured rightly; after USP <791> and Ph. Eur. 2.2.3."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bottle:
    """One buffer as the person at the bench describes it, and the measurement made in it.

    Parameters
    ----------
    buffer : Buffer
        With lot and expiry.
    measurement : mapping
        JSON body of the reference measurement.
    """

    buffer: Buffer
    measurement: Mapping[str, Json]

    def point(self, temperature_standard_uncertainty_c: float) -> CalibrationPoint:
        """Return the point for the fit; a DomainError when nothing came to rest."""
        body = self.measurement
        if body["verdict"] != "accepted" or body["mv"] is None or body["temperature_c"] is None:
            raise DomainError(
                f"the measurement in {self.buffer.name} did not come to rest: {', '.join(body['reasons'])}",
                subject=body["id"],
                hint="Measure it again",
            )
        return CalibrationPoint(
            buffer=self.buffer,
            mv=body["mv"],
            temperature_c=body["temperature_c"],
            mv_standard_uncertainty=max(body["mv_standard_uncertainty"] or 0.0, 0.01),
            temperature_standard_uncertainty_c=temperature_standard_uncertainty_c,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Before:
    """The calibration in force until now."""

    line: Line
    id: str | None = None
    at: str | None = None
    good_since: str | None = None
    """Time of the last good check or calibration."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """A calibration with everything that speaks for and against it."""

    calibration: Calibration
    bottles: tuple[Bottle, ...]
    against: tuple[Refusal, ...]
    """It must not be used."""
    questions: tuple[Refusal, ...]
    """It may be used if the operator says so."""
    as_found: AsFound | None
    as_found_ph: tuple[float | None, ...]
    before: Before | None
    expected_ph: tuple[float, float] | None


def judge_calibration(
    bottles: Sequence[Bottle],
    *,
    before: Before | None,
    on: date,
    expected_ph: tuple[float, float] | None,
    temperature_standard_uncertainty_c: float,
    isopotential_ph: float = 7.0,
    as_found_limit_ph: float = AS_FOUND_LIMIT_PH,
) -> Judged:
    """Fit a calibration and hold it against its limits, the old line and the expected value.

    Raises
    ------
    DomainError
        If the points cannot fix a line.
    """
    points = [one.point(temperature_standard_uncertainty_c) for one in bottles]
    found = calibrate(points, isopotential_ph=isopotential_ph)
    rising = found.slope_pct < 0.0 and (before is None or before.line.slope_pct < 0.0)
    limits = CalibrationLimits(rising_mv=rising)
    reasons = [
        *refusals(found, limits, previous=before.line if before else None, on=on),
        *_against_expected(found, expected_ph),
    ]
    answerable = QUESTIONS
    if rising and before is None:
        answerable = QUESTIONS | {RISING}
        text = (
            f"The slope is {found.slope_pct:.1f} %: this meter's mV rise with pH, and no buffers were swapped"
        )
        reasons.append(Refusal(reason=RISING, text=text))
    against = tuple(one for one in reasons if one.reason not in answerable)
    as_found_ph = tuple(None if before is None else before.line.ph(p.mv, p.temperature_c) for p in points)
    return Judged(
        calibration=found,
        bottles=tuple(bottles),
        against=against,
        questions=tuple(one for one in reasons if one.reason in answerable),
        as_found=_as_found(points, as_found_ph, before, against, as_found_limit_ph),
        as_found_ph=as_found_ph,
        before=before,
        expected_ph=expected_ph,
    )


def _against_expected(found: Calibration, expected_ph: tuple[float, float] | None) -> list[Refusal]:
    low, high = found.bracket_ph
    if expected_ph is None or (low <= expected_ph[0] and expected_ph[1] <= high):
        return []
    expected = " to ".join(f"{value:.2f}" for value in sorted(set(expected_ph)))
    return [
        Refusal(
            reason="expected-value-outside",
            text=f"The sample is expected at pH {expected}, the buffers reach from {low:.2f} to {high:.2f}. "
            "Choose buffers on both sides of it",
        )
    ]


def _as_found(
    points: Sequence[CalibrationPoint],
    as_found_ph: Sequence[float | None],
    before: Before | None,
    against: Sequence[Refusal],
    limit_ph: float,
) -> AsFound | None:
    deviations = [
        found - point.ph for point, found in zip(points, as_found_ph, strict=True) if found is not None
    ]
    if before is None or not deviations:
        return None
    worst = max(deviations, key=abs)
    return AsFound(
        worst_deviation_ph=worst,
        limit_ph=limit_ph,
        out_of_limit=abs(worst) > limit_ph,
        believed=not any(one.reason in BUFFERS_IN_QUESTION for one in against),
        since=before.good_since,
    )


def calibration_body(
    judged: Judged,
    settings: CellSettings,
    *,
    body_id: str,
    at: str,
    operator: str | None,
    use: bool,
    expires: str | None,
    comment: str | None = None,
) -> CalibrationBody:
    """Return the record of a calibration.

    Parameters
    ----------
    judged : Judged
        The calibration; with reasons against it the record says refused.
    settings : CellSettings
        The cell as it was.
    use : bool
        The operator wants it used from here on.
    """
    found, before = judged.calibration, judged.before
    verdict: Literal["accepted", "refused", "declined"] = (
        "refused" if judged.against else "accepted" if use else "declined"
    )
    rows = zip(
        judged.bottles,
        found.points,
        found.residuals_mv,
        found.residuals_ph,
        judged.as_found_ph,
        strict=True,
    )
    responses = [
        b.measurement["response_time_s"]
        for b in judged.bottles
        if b.measurement["response_time_s"] is not None
    ]
    noises = [b.measurement["noise_mv"] for b in judged.bottles if b.measurement["noise_mv"] is not None]
    return CalibrationBody(
        id=body_id,
        cell=settings.cell,
        at=at,
        operator=operator,
        electrode=settings.electrode,
        meter=settings.meter,
        verdict=verdict,
        refusals=_entries(judged.against),
        accepted_despite=_entries(judged.questions if verdict == "accepted" else ()),
        points=tuple(
            CalibrationPointEntry(
                measurement=bottle.measurement["id"],
                buffer=point.buffer.name,
                buffer_set=point.buffer.buffer_set,
                lot=point.buffer.lot or None,
                expires=None if point.buffer.expires is None else point.buffer.expires.isoformat(),
                ph=point.ph,
                buffer_standard_uncertainty_ph=point.buffer.standard_uncertainty_at(point.temperature_c),
                temperature_c=point.temperature_c,
                temperature_standard_uncertainty_c=point.temperature_standard_uncertainty_c,
                mv=point.mv,
                mv_standard_uncertainty=point.mv_standard_uncertainty,
                residual_mv=residual_mv,
                residual_ph=residual_ph,
                as_found_ph=as_found_ph,
                response_time_s=bottle.measurement["response_time_s"],
            )
            for bottle, point, residual_mv, residual_ph, as_found_ph in rows
        ),
        slope_pct=found.slope_pct,
        slope_expanded_uncertainty_pct=COVERAGE_FACTOR * found.slope_standard_uncertainty_pct,
        zero_mv=found.zero_mv,
        zero_expanded_uncertainty_mv=COVERAGE_FACTOR * found.zero_standard_uncertainty_mv,
        isopotential_ph=found.isopotential_ph,
        fitted=found.fitted,
        errors=tuple(
            LineErrorEntry(source=e.source, covariance=e.covariance, assumed=e.assumed) for e in found.errors
        ),
        temperature_c=found.temperature_c,
        bracket_ph=found.bracket_ph,
        chi_squared=found.chi_squared,
        degrees_of_freedom=found.degrees_of_freedom,
        expected_ph=judged.expected_ph,
        expires=expires,
        previous=None
        if before is None
        else PreviousLine(
            id=before.id, at=before.at, slope_pct=before.line.slope_pct, zero_mv=before.line.zero_mv
        ),
        as_found=judged.as_found,
        response_time_s=max(responses, default=None),
        noise_mv=max(noises, default=None),
        comment=comment,
    )


def _entries(found: Sequence[Refusal]) -> tuple[RefusalEntry, ...]:
    return tuple(RefusalEntry(reason=one.reason, text=one.text) for one in found)


def line_error_at(check: Mapping[str, Json], calibration: Mapping[str, Json] | None) -> float:
    """Return how uncertain the line was that a low-ionic check was read by, pH.

    Parameters
    ----------
    check : mapping
        JSON body of the check.
    calibration : mapping or None
        That of the calibration then in force; None where the ledger holds none, so that usual figures and
        a usual age are assumed.
    """
    known = KnownLine.from_figures(Line(slope_pct=100.0, zero_mv=0.0))
    if calibration is not None:
        known = KnownLine(
            line=_line_of(calibration),
            errors=tuple(error_from(error) for error in calibration["errors"]),
            age_d=max(0.0, (utc_ms(check["at"]) - utc_ms(calibration["at"])) / DAY_MS),
        )
    solutions = check["low_ionic"]["solutions"]
    ph, temperature_c = (
        math.fsum(one[name] for one in solutions) / len(solutions) for name in ("found_ph", "temperature_c")
    )
    return line_standard_uncertainty_ph(known, ph, temperature_c)


def _line_of(body: Mapping[str, Json]) -> Line:
    return Line(slope_pct=body["slope_pct"], zero_mv=body["zero_mv"], isopotential_ph=body["isopotential_ph"])


def with_calibration(settings: CellSettings, body: Mapping[str, Json]) -> CellSettings:
    """Return a cell's settings with a recorded calibration in force.

    Parameters
    ----------
    settings : CellSettings
        The cell.
    body : mapping
        JSON body of an accepted calibration.
    """
    low, high = body["bracket_ph"]
    return replace(
        settings,
        calibrated=True,
        line=_line_of(body),
        calibration_id=body["id"],
        calibrated_utc_ms=utc_ms(body["at"]),
        calibration_expires_utc_ms=None if body["expires"] is None else utc_ms(body["expires"]),
        bracket_ph=(low, high),
        slope_uncertainty_pct=body["slope_expanded_uncertainty_pct"],
        zero_uncertainty_mv=body["zero_expanded_uncertainty_mv"],
        calibration_errors=tuple(error_from(error) for error in body["errors"]),
        calibration_temperature_c=body["temperature_c"],
        calibration_buffers=tuple(
            f"{p['buffer']} ({p['buffer_set']}, lot {p['lot'] or 'not stated'})" for p in body["points"]
        ),
    )
