"""What a cell is watched against, beside what its criterion and its records say."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class CellLimits:
    """Limits of one cell; None is not watched."""

    ph_low: float | None = None
    """For results, pH at 25 °C."""
    ph_high: float | None = None
    conductivity_low_us_cm: float | None = None
    """For live readings, raw conductivity."""
    conductivity_high_us_cm: float | None = None
    conductivity_stage_1: bool = False
    """Watch raw conductivity against the stage 1 table of USP <645>."""
    temperature_low_c: float | None = None
    temperature_high_c: float | None = None
    flow_low_ml_min: float | None = None
    flow_high_ml_min: float | None = None
    flow_stopped_ml_min: float = 1.0
    """Less than this is no flow."""
    no_result_after_s: float | None = None
    """Longest time without a valid result."""
    silent_after_s: float = 5.0
    """A meter that sent nothing for so long is silent."""
    calibration_due_before_d: float = 7.0
    """So long before it expires a calibration is due."""
    check_every_d: float | None = None
    electrolyte_every_d: float | None = None
    cleaning_every_d: float | None = None
    tubing_every_d: float | None = None
    blind_above_co2_ug_per_l: float = 100.0
    """The detector counts as blind where more carbon dioxide than this could stay hidden."""
