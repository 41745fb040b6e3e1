"""The bodies of what people do at the bench: attendance, calibration, check, electrode.

One of them, the reference measurement, is the engine's own work; the others carry what a person
decided or said and have ids of the run.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar, Final, Literal

from quietcell.core.electrode.condition import Signal
from quietcell.core.electrode.known_line import Covariance
from quietcell.core.ingress.event import Amount
from quietcell.core.ingress.flow_test import FlowVerdict
from quietcell.core.records import (
    ABSENT,
    Absent,
    Body,
    CriterionSummary,
    Json,
    Reason,
    Verdict,
    decimals,
)

Work = Literal["calibration", "check", "measure", "flow-test", "sanitisation"]
"""What someone does at a cell, or what is done to it."""
Purpose = Literal["calibration", "check", "low-ionic", "flow-test"]
"""Why a solution of known pH is measured, or the water at one flow of a flow test."""

IN_BUFFER: Final = ("calibration", "check")
"""What a solution of many ions is for; behind it the electrode comes from there, however the work ends."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AttendanceBody(Body):
    """Someone begins or ends work at a cell; meanwhile its readings are not of the water."""

    kind: ClassVar[str] = "attendance"

    segment: int
    ms: int
    """Engine time, ms since the segment began."""
    state: Literal["began", "ended"]
    work: Work
    operator: str | None
    outcome: Literal["done", "aborted", "abandoned"] | Absent = ABSENT
    """How it ended; `abandoned` when nobody was heard of for long."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceRequestBody(Body):
    """Someone asks for the potential of a solution of known pH."""

    kind: ClassVar[str] = "reference-request"

    segment: int
    ms: int
    """Engine time, ms since the segment began."""
    purpose: Purpose
    solution: str
    operator: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceMeasurementBody(Body):
    """One attempt at a potential at rest in a buffer or check solution; never a result."""

    kind: ClassVar[str] = "reference-measurement"

    purpose: Purpose
    request: str
    """Id of the request record it answers."""
    solution: str
    """As whoever asked for it named it."""
    operator: str | None
    began: str
    ended: str
    verdict: Verdict
    reasons: tuple[Reason, ...]
    mv: float | None = decimals(4, "mV")
    mv_standard_uncertainty: float | None = decimals(4, "mV")
    """Repeatability, resolution and what is still to come."""
    temperature_c: float | None = decimals(3, "Cel")
    conductivity_us_cm: float | None = decimals(5, "uS/cm")
    flow_ml_min: float | None = decimals(3, "mL/min")
    ph: float | None = decimals(4, "1")
    """By the calibration in force, None without one."""
    noise_mv: float | None = decimals(4, "mV")
    """Standard deviation of the readings about their line."""
    response_time_s: float | None = decimals(1, "s")
    """From leaving the last level to 95 % of the change; None when there was no change to see."""
    drift_mv_per_min: float | None = decimals(5, "mV/min")
    drift_bound_mv_per_min: float | None = decimals(5, "mV/min")
    remaining_mv_bound: float | None = decimals(4, "mV")
    """Two-sided bound of the change still to come."""
    window_s: float | None = decimals(3, "s")
    readings: int
    rejected_readings: Mapping[str, int]
    calibration_id: str | None
    """Of the calibration in force meanwhile."""
    electrode: str | None
    meter: str | None
    criterion: CriterionSummary
    readings_sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RefusalEntry:
    """One reason against a calibration or check."""

    reason: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationPointEntry:
    """One buffer of a calibration."""

    measurement: str
    """Id of the reference measurement."""
    buffer: str
    buffer_set: str
    lot: str | None
    expires: str | None
    """Last day of use of the bottle."""
    ph: float = decimals(6, "1")
    """Of the buffer at the temperature measured."""
    buffer_standard_uncertainty_ph: float = decimals(6, "1")
    temperature_c: float = decimals(3, "Cel")
    temperature_standard_uncertainty_c: float = decimals(4, "Cel")
    mv: float = decimals(4, "mV")
    mv_standard_uncertainty: float = decimals(4, "mV")
    residual_mv: float = decimals(6, "mV")
    """Measured minus fitted."""
    residual_ph: float = decimals(6, "1")
    """By the fitted line minus the buffer's."""
    as_found_ph: float | None = decimals(4, "1")
    """By the calibration in force before."""
    response_time_s: float | None = decimals(1, "s")


@dataclass(frozen=True, slots=True, kw_only=True)
class LineErrorEntry:
    """One source of error of a calibration line."""

    source: str
    covariance: Covariance
    """Of slope, zero and isopotential point."""
    assumed: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class PreviousLine:
    """The calibration in force before."""

    id: str | None
    at: str | None
    slope_pct: float = decimals(6, "%")
    zero_mv: float = decimals(6, "mV")


@dataclass(frozen=True, slots=True, kw_only=True)
class AsFound:
    """What the electrode showed in the buffers before it was calibrated anew."""

    worst_deviation_ph: float = decimals(4, "1")
    limit_ph: float = decimals(4, "1")
    out_of_limit: bool
    believed: bool
    """False where the buffers themselves are in question."""
    since: str | None
    """Time of the last good check or calibration."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationBody(Body):
    """What buffers say about an electrode, and whether it is used from here on."""

    kind: ClassVar[str] = "calibration"

    operator: str | None
    electrode: str | None
    meter: str | None
    verdict: Literal["accepted", "refused", "declined"]
    """Only an accepted one is used; a declined one could have been."""
    refusals: tuple[RefusalEntry, ...]
    accepted_despite: tuple[RefusalEntry, ...]
    """Questions the operator answered with yes."""
    points: tuple[CalibrationPointEntry, ...]
    slope_pct: float = decimals(6, "%")
    slope_expanded_uncertainty_pct: float = decimals(6, "%")
    zero_mv: float = decimals(6, "mV")
    zero_expanded_uncertainty_mv: float = decimals(6, "mV")
    isopotential_ph: float = decimals(6, "1")
    fitted: tuple[str, ...]
    errors: tuple[LineErrorEntry, ...]
    temperature_c: float = decimals(4, "Cel")
    bracket_ph: tuple[float, float] = decimals(6, "1")
    chi_squared: float = decimals(6, "1")
    degrees_of_freedom: int
    expected_ph: tuple[float, float] | None = decimals(3, "1")
    """Where the sample is expected; the buffers must lie on both sides."""
    expires: str | None
    """From then on nothing rests on it."""
    previous: PreviousLine | None
    as_found: AsFound | None
    response_time_s: float | None = decimals(1, "s")
    """The slowest of its points."""
    noise_mv: float | None = decimals(4, "mV")
    """The largest of its points."""
    comment: str | None
    condition: Signal | None = None
    """Of the electrode by its history, this record included, after NAMUR NE 107."""
    condition_reasons: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class LowIonicEntry:
    """One dilute solution of independently known pH."""

    measurement: str
    solution: str
    known_from: str
    known_ph: float = decimals(4, "1")
    known_standard_uncertainty_ph: float = decimals(4, "1")
    found_ph: float = decimals(4, "1")
    conductivity_us_cm: float | None = decimals(5, "uS/cm")
    temperature_c: float = decimals(3, "Cel")


@dataclass(frozen=True, slots=True, kw_only=True)
class LowIonicSummary:
    """The bias of a cell in water of low ionic strength."""

    bias_ph: float = decimals(4, "1")
    standard_uncertainty_ph: float = decimals(4, "1")
    lowest_conductivity_us_cm: float = decimals(5, "uS/cm")
    highest_conductivity_us_cm: float = decimals(5, "uS/cm")
    solutions: tuple[LowIonicEntry, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckBody(Body):
    """A cell held against something known."""

    kind: ClassVar[str] = "check"

    method: Literal["buffer", "comparison", "temperature", "low-ionic"]
    operator: str | None
    electrode: str | None
    meter: str | None
    calibration_id: str | None
    verdict: Literal["passed", "failed"]
    known: float | None = decimals(4, "unit")
    """What it should have been."""
    known_from: str
    """The buffer with its lot, the other meter, the laboratory."""
    known_expanded_uncertainty: float | None = decimals(4, "unit")
    found: float | None = decimals(4, "unit")
    deviation: float | None = decimals(4, "unit")
    """Found minus known."""
    tolerance: float | None = decimals(4, "unit")
    unit: Literal["pH", "Cel"]
    measurements: tuple[str, ...]
    """Ids of the records it rests on."""
    refusals: tuple[RefusalEntry, ...]
    low_ionic: LowIonicSummary | Absent = ABSENT
    since: str | None
    """Time of the last good check or calibration before."""
    comment: str | None
    condition: Signal | None = None
    """Of the electrode by its history, this record included, after NAMUR NE 107."""
    condition_reasons: tuple[str, ...] = ()


CHECK_GROUPS: Mapping[str, str] = {
    "buffer": "ph",
    "comparison": "ph",
    "low-ionic": "low-ionic",
    "temperature": "temperature",
}
"""What each kind of check speaks of: one that passes clears only what failed of the same."""
CLEARED_BY_CALIBRATION = frozenset({"ph", "low-ionic"})
"""What a calibration clears: buffers tell nothing of the thermometer."""
CARE_OF_ELECTRODE = frozenset({"electrolyte-refilled", "cleaned", "stored"})
"""Work people note that goes with an electrode to another cell; other work stays with the cell."""
OF_THE_WAY_IT_WAS_DONE = frozenset({
    "expected-value-outside", "buffer-expired", "too-few-points", "buffer-span-out-of-limits",
    "temperatures-apart", "slope-not-known",
})  # fmt: skip
"""Refusals of a calibration for its buffers, which say nothing against the electrode."""


def tells_of_electrode(body: Mapping[str, Json]) -> bool:
    """Return whether a calibration or check shows how the electrode is.

    One that somebody declined does not, nor does a thermometer, nor a calibration refused for the choice of
    buffers alone.
    """
    if body["verdict"] == "declined" or body.get("method") == "temperature":
        return False
    reasons = {each["reason"] for each in body.get("refusals", ())}
    return body["record"] != "calibration" or not reasons or not reasons <= OF_THE_WAY_IT_WAS_DONE


@dataclass(frozen=True, slots=True, kw_only=True)
class FlowStepEntry:
    """What the cell read at one flow."""

    measurement: str
    """Id of the reference measurement."""
    flow_ml_min: float = decimals(3, "mL/min")
    ph: float = decimals(4, "1")
    standard_uncertainty_ph: float = decimals(4, "1")
    """As far as it differs from step to step."""
    conductivity_us_cm: float | None = decimals(5, "uS/cm")
    temperature_c: float = decimals(3, "Cel")


@dataclass(frozen=True, slots=True, kw_only=True)
class FlowTestBody(Body):
    """Three flows and back: where carbon dioxide comes in, if it does."""

    kind: ClassVar[str] = "flow-test"

    segment: int
    ms: int
    """Engine time, ms since the segment began."""
    operator: str | None
    electrode: str | None
    meter: str | None
    calibration_id: str | None
    verdict: FlowVerdict
    steps: tuple[FlowStepEntry, ...]
    """Three flows, then the first again."""
    log_evidence: Mapping[str, float]
    """Per explanation, relative to no effect of the flow."""
    co2_ug_per_l: Amount | None
    """What comes in at the first flow, or what the water brings."""
    smallest_co2_ug_per_l: float | None = decimals(1, "ug/L")
    """A leak of this size at the first flow would have shown; None where none would."""
    text: str
    """For the technician, with what to look at first."""
    comment: str | None


Thing = Literal["electrode", "meter", "conductivity-cell"]
"""What a cell is made of and people keep track of."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ElectrodeBody(Body):
    """An electrode, meter or conductivity cell comes into use, moves or goes."""

    kind: ClassVar[str] = "electrode"

    thing: Thing
    name: str
    serial: str | None
    state: Literal["in-use", "stored", "retired"]
    """In use at `cell`, else away from it."""
    already_there: bool
    """It was in the cell before it had a name: what was recorded without one is of it."""
    operator: str | None
    text: str | None
    electrolyte_at: str | None
    """When the electrode's electrolyte was last refilled, wherever it was."""
    condition: Signal | None
    """Of the electrode by its history, after NAMUR NE 107; None for other things."""
    condition_reasons: tuple[str, ...]
