"""The bodies of the records one cell produces: frozen, versioned, pure functions of engine input.

A body says what happened at the cell; the ledger wraps it in an envelope that says when and by
which program it was stored. Field names are the keys of the stored JSON. A field that was not
measured is None (null); one that does not apply is `ABSENT` and is left out.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from enum import Enum
from functools import cache
from math import isfinite
from typing import Any, ClassVar, Final, Literal

import numpy as np

ENGINE_VERSION: Final = 1
"""Raised whenever the same input could give another verdict or other digits."""


class Absent(Enum):
    """Marks a field that does not apply."""

    ABSENT = "absent"


ABSENT: Final = Absent.ABSENT
PH_DECIMALS: Final = 4
"""Of the pH in records."""
Json = Any
"""What JSON can express: None, bool, int, float, str, list and dict of these."""


class Verdict(Enum):
    """Outcome of a determination."""

    ACCEPTED = "accepted"
    QUALIFIED = "qualified"
    REFUSED = "refused"
    CANNOT_TELL = "cannot-tell"


class Reason(Enum):
    """Why a determination was not accepted."""

    NOT_AT_REST = "not-at-rest"
    STILL_RELAXING = "still-relaxing"
    NOISE_TOO_HIGH = "noise-too-high"
    TEMPERATURE_MOVING = "temperature-moving"
    FLOW_OUT_OF_BAND = "flow-out-of-band"
    CONDUCTIVITY_CONTRADICTION = "conductivity-contradiction"
    INGRESS_IN_SAMPLE_PATH = "ingress-in-sample-path"
    NOT_CALIBRATED = "not-calibrated"
    CALIBRATION_EXPIRED = "calibration-expired"
    OUTSIDE_BRACKET = "outside-bracket"
    CHECK_FAILED = "check-failed"
    TOO_FEW_AGREEING_PORTIONS = "too-few-agreeing-portions"
    FLAGGED_READINGS = "flagged-readings"
    GAP = "gap"
    MAX_WAIT = "max-wait"
    RECONFIGURED = "reconfigured"
    STOPPED = "stopped"
    SUPERSEDED = "superseded"
    BUSY = "busy"


class Qualifier(Enum):
    """A caveat that travels with an accepted or qualified value."""

    CO2_IN_WATER = "co2-in-water"
    CO2_UNLOCATED = "co2-unlocated"
    OUTSIDE_LOW_IONIC_CHECK = "outside-low-ionic-check"
    CALIBRATION_NOT_KNOWN = "calibration-not-known"
    TIME_NOT_SYNCHRONISED = "time-not-synchronised"
    NO_CONDUCTIVITY = "no-conductivity"
    OPEN_TO_AIR = "open-to-air"


def decimals(places: int, unit: str) -> Any:
    """Describe a stored number: its unit and the decimals it is rounded to."""
    return field(metadata={"decimals": places, "unit": unit})


@dataclass(frozen=True, slots=True, kw_only=True)
class Body:
    """What every body of a cell carries."""

    kind: ClassVar[str]
    schema: ClassVar[int] = 1

    id: str
    """``cell.segment.ordinal``: the same input gives the same id."""
    cell: str
    at: str
    """Engine time of the event, RFC 3339 UTC."""

    def as_json(self) -> dict[str, Json]:
        """Return the body as JSON values, numbers rounded to their stated decimals."""
        return {"record": self.kind, **_object(self)}


_AS_THEY_ARE: Final = frozenset({str, int, bool, type(None)})


def _object(record: Any) -> dict[str, Json]:
    """Return the fields of a dataclass as JSON values."""
    return {
        name: value if type(value) in _AS_THEY_ARE else json_value(value, places)
        for name, places in _fields_of(record.__class__)
        if (value := getattr(record, name)) is not ABSENT
    }


@cache
def _fields_of(kind: Any) -> tuple[tuple[str, int | None], ...]:
    """Return names and decimals of the fields of a dataclass."""
    return tuple((f.name, f.metadata.get("decimals")) for f in fields(kind))


def json_value(value: Any, places: int | None) -> Json:
    """Return one field's value as JSON can hold it, numbers rounded to `places` unless None."""
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, (float, np.floating)):
        if not isfinite(value):
            return None
        number = float(value) if places is None else round(float(value), places)
        return number + 0.0  # no negative zero: JSON's canonical form has none
    if isinstance(value, np.integer):
        return int(value)
    if isinstance(value, (tuple, list)):
        return [json_value(item, places) for item in value]
    if isinstance(value, Mapping):
        return {key: json_value(item, places) for key, item in value.items()}
    if hasattr(value, "__dataclass_fields__"):
        return _object(value)
    return value


@dataclass(frozen=True, slots=True, kw_only=True)
class ConfigurationBody(Body):
    """The settings the engine of a cell works with, from here on."""

    kind: ClassVar[str] = "configuration"

    settings: Mapping[str, Json]


SegmentCause = Literal["started", "reopened", "reloaded", "clock-step", "clock-synchronised", "resumed"]
SegmentEndCause = Literal[
    "stopped",
    "interrupted",
    "reopened",
    "reloaded",
    "clock-step",
    "clock-synchronised",
    "resumed",
    "recording-ended",
]
TimeQuality = Literal["synchronised", "not-synchronised", "not-known"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SegmentBody(Body):
    """A stretch of one open port, one configuration and one UTC anchor begins or ends."""

    kind: ClassVar[str] = "segment"

    segment: int
    state: Literal["began", "ended"]
    cause: str
    time_quality: TimeQuality | Absent = ABSENT
    """How far UTC could be trusted when the segment began."""
    readings: int | Absent = ABSENT
    """Readings of an ended segment."""
    rejected_readings: Mapping[str, int] | Absent = ABSENT
    """What spoke against those outside all determinations that did not count, and how often."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GapBody(Body):
    """A stretch of a cell's time without any reading, or with readings too far apart."""

    kind: ClassVar[str] = "gap"

    began: str
    """Receipt of the last reading before."""
    ended: str
    """Receipt of the first reading after."""
    gap_s: float = decimals(3, "s")
    cause: str
    """``silence``, why a new segment began in between, or ``readings-too-sparse``."""
    goes_on: bool | Absent = ABSENT
    """Of readings too sparse: true in the record that says so once, false in that of the whole stretch."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DoubtBody(Body):
    """Something found later qualifies results of an earlier span of time; nothing is rewritten."""

    kind: ClassVar[str] = "doubt"

    cause: Literal["ingress", "check-failed", "as-found-calibration"]
    about: str
    """Id of the record that raised it."""
    since: str
    until: str
    determinations: tuple[str, ...]
    """Ids of the results known to lie in the span."""
    text: str
    """One plain sentence: what is doubted and why."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationSummary:
    """The calibration a determination rests on."""

    id: str | None
    """Of the calibration record; None for one fixed in the configuration."""
    slope_pct: float = decimals(3, "%")
    zero_mv: float = decimals(3, "mV")
    isopotential_ph: float = decimals(3, "1")
    age_d: float | None = decimals(2, "d")
    buffers: tuple[str, ...]
    """With their lots; empty where not known."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LowIonicReference:
    """The check in water of low ionic strength that stands behind a determination."""

    id: str | None
    at: str | None
    bias_ph: float = decimals(4, "1")
    """Taken off where the check covers the conductivity."""
    standard_uncertainty_ph: float = decimals(4, "1")


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetLine:
    """One component of the uncertainty of a pH."""

    name: str
    standard_uncertainty_ph: float = decimals(5, "1")
    bias_ph: float = decimals(5, "1")
    """Expected error on one side that is not corrected."""
    repeatability: bool
    basis: str
    """``measured``, ``stated``, ``assumed`` or ``not-known``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CriterionSummary:
    """The criterion a determination was held against."""

    name: str
    digest: str


@dataclass(frozen=True, slots=True, kw_only=True)
class GrabSample:
    """How a sample came from its point to the electrode."""

    portion: int
    """1 for the first of those that have to agree."""
    container: str | None
    """Material of the container."""
    age_min: float | None = decimals(1, "min")
    """From filling the container to the measurement."""
    conductivity_us_cm: float | None = decimals(5, "uS/cm")
    """Of a separate portion, before an electrode leaked salt into it."""
    conductivity_temperature_c: float | None = decimals(2, "Cel")
    open_to_air: bool
    kcl_adjusted: bool
    """0.3 mL of saturated potassium chloride added to 100 mL."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DeterminationBody(Body):
    """One attempt at a reportable value, with its evidence."""

    kind: ClassVar[str] = "determination"

    sample_point: str | None
    request: str | Absent = ABSENT
    """Id of the request record it answers."""
    sample_id: str | None
    operator: str | None
    grab: GrabSample | Absent = ABSENT
    """How a sample was brought to the bench."""
    mode: Literal["continuous", "on-request"]
    began: str
    ended: str
    verdict: Verdict
    reasons: tuple[Reason, ...]
    qualifiers: tuple[Qualifier, ...]
    ph: float | None = decimals(PH_DECIMALS, "1")
    """At sample temperature."""
    ph_25c: float | None = decimals(4, "1")
    """Referred to 25 °C. The uncertainty of `ph` is not its own: near neutral, errors of warm water grow."""
    ph_25c_model: str | None
    """What is taken to be dissolved for that."""
    ph_25c_spread: float | None = decimals(4, "1")
    """Difference between the largest and smallest value other plausible models give."""
    ph_reported: float | None
    """`ph` rounded to the decimals of the configuration; being a number it drops zeros at its end."""
    ph_expanded_uncertainty: float | None = decimals(4, "1")
    """k = 2, of `ph`; holds also for errors that lie on one side."""
    ph_expanded_uncertainty_repeatability: float | None = decimals(4, "1")
    """Its part from what differs between repeated determinations, k = 2."""
    ph_expanded_uncertainty_systematic: float | None = decimals(4, "1")
    """Its part from what is the same in every determination, k = 2."""
    ph_budget: tuple[BudgetLine, ...] | None
    temperature_c: float | None = decimals(3, "Cel")
    mv: float | None = decimals(4, "mV")
    conductivity_us_cm: float | None = decimals(5, "uS/cm")
    conductivity_25c_us_cm: float | None = decimals(5, "uS/cm")
    """Referred to 25 °C as a neutral salt in pure water."""
    ph_allowed_low: float | None = decimals(4, "1")
    """Lowest pH that conductivity and temperature allow."""
    ph_allowed_high: float | None = decimals(4, "1")
    """Highest pH that conductivity and temperature allow."""
    ph_margin: float | None = decimals(4, "1")
    """How far inside that interval `ph` and its own uncertainty lie; negative is a contradiction."""
    flow_ml_min: float | None = decimals(3, "mL/min")
    sample_age_s: float | None = decimals(1, "s")
    """From sample point to electrode, by hold-up and flow."""
    time_since_disturbance_s: float = decimals(3, "s")
    drift_mv_per_min: float | None = decimals(5, "mV/min")
    drift_bound_mv_per_min: float | None = decimals(5, "mV/min")
    """The two-sided bound of the drift's magnitude."""
    long_drift_mv_per_min: float | None = decimals(5, "mV/min")
    """Over the longer span of the criterion."""
    long_drift_bound_mv_per_min: float | None = decimals(5, "mV/min")
    remaining_ph: float | None = decimals(4, "1")
    """Change still to come by the forecast, pH; positive when pH will rise."""
    remaining_ph_bound: float | None = decimals(4, "1")
    """Two-sided bound of its size."""
    remaining_risk: float | None = decimals(4, "1")
    """Probability that more than the criterion allows is still to come."""
    drift_confidence: float
    temperature_drift_c_per_min: float | None = decimals(5, "Cel/min")
    window_s: float | None = decimals(3, "s")
    """Span of the readings judged."""
    readings: int
    """Readings in the window that count."""
    rejected_readings: Mapping[str, int]
    """Readings since the determination began that do not count, by flag."""
    smallest_co2_ug_per_l: float | None = decimals(1, "ug/L")
    """Rise of total carbonate, as CO2, that would have been found by now; None where none would."""
    episodes: tuple[str, ...]
    """Ids of the first records of the episodes open at the verdict."""
    earlier_refused: int
    """Determinations refused since the last accepted or qualified one."""
    calibration: CalibrationSummary
    low_ionic_check: LowIonicReference | None
    electrode: str | None
    meter: str | None
    kcl_adjusted: bool
    """Potassium chloride was added to the sample: its conductivity says nothing about its pH."""
    from_buffer: bool
    """The electrode came from a buffer, and nothing had been accepted since."""
    portions_ph: tuple[float, ...] | Absent
    """This portion and those before it, oldest first, where the criterion asks for several."""
    criterion: CriterionSummary
    readings_sha256: str
    """Over the window's readings, one line each as `evidence_sha256` writes them."""
