"""What a report says about one cell: the forms its numbers come in."""

from dataclasses import dataclass

from quietcell.core.records import Json
from quietcell.report.alarm_times import AlarmTimes
from quietcell.report.coverage import Share


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """How the values of one quantity lie; no mean, for that of a pH means little."""

    quantity: str
    number: int
    lowest: float
    p5: float
    """5th percentile, interpolated linearly."""
    median: float
    p95: float
    highest: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Component:
    """One component of the uncertainty budget over all results."""

    name: str
    repeatability: bool
    basis: tuple[str, ...]
    number: int
    median_standard_uncertainty_ph: float
    largest_standard_uncertainty_ph: float
    median_bias_ph: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ReasonCount:
    """How often a reason spoke against a determination."""

    reason: str
    number: int
    first_at: str
    last_at: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Episode:
    """An episode as its last record up to the end of the span has it."""

    id: str
    diagnosis: str
    place: str
    began: str
    closed_at: str | None
    confirmed: bool
    in_sample: bool
    """It was found in a sample someone had brought, and not in the water of the cell."""
    co2_ug_per_l: float | None
    """Of the record with the most that is sure: value less uncertainty."""
    co2_expanded_uncertainty_ug_per_l: float | None
    ph_before: float
    ph_furthest: float
    """Of the record furthest from what was before."""
    conductivity_before_us_cm: float | None
    conductivity_furthest_us_cm: float | None
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ExcursionRow:
    """An excursion, and what was determined meanwhile."""

    limit: str
    limit_value: float | None
    quantity: str
    unit: str
    from_at: str
    to_at: str
    duration_s: float
    readings: int
    furthest: float
    furthest_at: str
    results: int
    """Results whose window ended meanwhile."""
    results_past: int
    """Of these, those that lie past the limit themselves."""
    sanitisation: bool
    """The cell was in function check when it began."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Day:
    """One calendar day."""

    day: str
    accepted: int
    qualified: int
    refused: int
    """Cannot-tell among them."""
    valid_pct: float
    ph_25c_lowest: float | None
    ph_25c_median: float | None
    ph_25c_highest: float | None
    ph_25c_largest_uncertainty: float | None
    conductivity_median_us_cm: float | None
    temperature_median_c: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SettingChange:
    """One setting that is not as it was before."""

    setting: str
    before: Json
    after: Json


@dataclass(frozen=True, slots=True, kw_only=True)
class Configuration:
    """Settings of a cell from some instant on."""

    seq: int
    at: str
    sha256: str
    """Of the record."""
    mode: str
    every_s: float
    criterion: str
    calibrated: bool
    """Without a calibration slope and zero stand for nothing, and no pH is shown."""
    calibration_id: str | None
    slope_pct: float
    zero_mv: float
    electrode: str | None
    meter: str | None
    changed: tuple[SettingChange, ...] | None
    """Against the settings before; None for the first of the cell."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Digests:
    """What ties stored readings of the span to the journal."""

    records: int
    first_seq: int | None
    last_seq: int | None
    readings: int
    """Covered by them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CellReport:
    """All there is to say about one cell."""

    cell: str
    sample_point: str | None
    electrode: str | None
    meter: str | None
    mode: str | None
    every_s: float | None
    determinations: int
    verdicts: dict[str, int]
    in_doubt: int
    """Results of the span that are in doubt by now."""
    valid_pct: float
    shares: tuple[Share, ...]
    spreads: tuple[Spread, ...]
    uncertainty: tuple[Spread, ...]
    """Of the results: expanded uncertainty (k = 2), its repeatability and its systematic part."""
    components: tuple[Component, ...]
    ph_25c_models: dict[str, int]
    largest_ph_25c_spread: float | None
    qualifiers: tuple[ReasonCount, ...]
    reasons: tuple[ReasonCount, ...]
    days: tuple[Day, ...]
    episodes: tuple[Episode, ...]
    limits: dict[str, float | None]
    excursions: tuple[ExcursionRow, ...]
    readings: int | None
    """Stored in the span; None where they were not looked at."""
    readings_counted: int | None
    readings_missing: tuple[str, ...]
    """Months in which it was measured and of which no readings are stored any more."""
    doubts: tuple[dict[str, Json], ...]
    """Records of doubts about results in the span, or raised in it."""
    calibrations: tuple[dict[str, Json], ...]
    """Records up to the end of the span."""
    checks: tuple[dict[str, Json], ...]
    flow_tests: tuple[dict[str, Json], ...]
    notes: tuple[dict[str, Json], ...]
    alarms: tuple[AlarmTimes, ...]
    acts: tuple[dict[str, Json], ...]
    """Records of what people did with alarms, and with electrodes and meters."""
    faults: dict[str, int]
    """Gaps, faults of driver and program, and steps of the clock, by kind."""
    clock_set_back: int
    """How often times of the span were gone through once more."""
    silent_s: float
    configurations: tuple[Configuration, ...]
    """In force at some instant of the span."""
    criteria: dict[str, str]
    """Criteria the determinations were held against: name to digest."""
    digests: Digests
    rows: tuple[dict[str, Json], ...]
    """The determinations themselves, their number in the journal among their fields."""
    samples: tuple[dict[str, Json], ...]
    """Those of samples brought to a continuous cell: of other water, so in no other number here."""
