"""What the words and field names of records are called in a report, with their units."""

from collections.abc import Mapping
from dataclasses import fields
from typing import Final

from quietcell.core.bench_records import CalibrationBody
from quietcell.core.records import Body, DeterminationBody, Json

UNITS: Final[Mapping[str, str]] = {
    "Cel": "°C",
    "1": "",
    "uS/cm": "µS/cm",
    "ug/L": "µg/L",
    "Cel/min": "°C/min",
}
"""Units as the fields state them, where people write them otherwise."""

CAUSES: Final[Mapping[str, str]] = {
    "accepted": "valid result, accepted",
    "qualified": "valid result, qualified",
    "result-in-doubt": "a result that is in doubt by now",
    "not-running": "not measured: no segment was open (stopped, or not yet begun)",
    "no-determination": "measured, but no determination spoke for the time",
    "not-recorded": "behind the last record: it still ran, or had ended without a word",
    "on-request": "measured, determinations on request only",
    "no-readings": "no readings came from the meter",
    "sanitisation": "sanitisation (function check)",
}
"""What time goes to; others are said as they are."""

REASONS: Final[Mapping[str, str]] = {
    "not-at-rest": "the potential drifted by more than the criterion allows",
    "still-relaxing": "more change was still to come than the criterion allows",
    "noise-too-high": "too noisy to tell the drift",
    "temperature-moving": "the temperature moved",
    "flow-out-of-band": "the flow left the band of the criterion",
    "conductivity-contradiction": "conductivity and temperature do not allow this pH",
    "ingress-in-sample-path": "air got in between sample point and electrode",
    "not-calibrated": "there was no calibration",
    "calibration-expired": "the calibration had expired",
    "outside-bracket": "outside the buffers of the calibration",
    "check-failed": "the last check had failed",
    "too-few-agreeing-portions": "fewer portions agreed than the criterion wants",
    "flagged-readings": "the meter or the line marked readings as not valid",
    "gap": "readings were missing",
    "max-wait": "it took longer than the criterion waits",
    "reconfigured": "the configuration changed meanwhile",
    "stopped": "measuring was stopped meanwhile",
    "superseded": "a request, or work at the cell, took its place",
    "busy": "another determination was under way",
    "co2-in-water": "carbon dioxide was in the water",
    "co2-unlocated": "carbon dioxide was there, where it came from is not known",
    "outside-low-ionic-check": "outside the conductivity the low-ionic check covers",
    "calibration-not-known": "bracket or last day of the calibration is not known",
    "time-not-synchronised": "the clock was not synchronised",
    "no-conductivity": "no conductivity was measured",
    "open-to-air": "the sample stood open to air, which changes it",
}
"""Reasons and qualifiers in words."""

QUANTITIES: Final[Mapping[str, str]] = {
    "ph_25c": "pH at 25 °C",
    "ph": "pH at sample temperature",
    "temperature_c": "temperature, °C",
    "conductivity_us_cm": "conductivity (raw), µS/cm",
    "flow_ml_min": "flow, mL/min",
    "sample_age_s": "sample age, s",
    "smallest_co2_ug_per_l": "smallest CO₂ that would have been found, µg/L",
    "ph_25c_expanded_uncertainty": "expanded uncertainty U of pH at 25 °C (k = 2)",
    "ph_expanded_uncertainty": "expanded uncertainty U of pH at sample temperature (k = 2)",
    "ph_expanded_uncertainty_repeatability": "its repeatability part (k = 2)",
    "ph_expanded_uncertainty_systematic": "its systematic part (k = 2)",
}
PLACES: Final[Mapping[str, int]] = {
    "ph_25c": 3,
    "ph": 3,
    "temperature_c": 2,
    "conductivity_us_cm": 4,
    "flow_ml_min": 1,
    "sample_age_s": 1,
    "smallest_co2_ug_per_l": 1,
    "ph_25c_expanded_uncertainty": 4,
    "ph_expanded_uncertainty": 4,
    "ph_expanded_uncertainty_repeatability": 4,
    "ph_expanded_uncertainty_systematic": 4,
}
"""Decimals shown."""


def cause(name: str) -> str:
    """Return what time went to, in words."""
    kind, colon, rest = name.partition(": ")
    if not colon:
        return CAUSES.get(name, name)
    if name == "attended: sanitisation":
        return "the cell was sanitised"
    if kind == "attended":
        return f"someone worked at the cell ({rest})"
    return f"{kind}: {rest} ({REASONS[rest]})" if rest in REASONS else name


def reason(name: str) -> str:
    """Return a reason or qualifier with what it means."""
    return f"{name}: {REASONS[name]}" if name in REASONS else name


def judged(verdict: Mapping[str, Json]) -> str:
    """Return what a person said of an episode, and why."""
    why = "" if verdict["why"] is None else f": {verdict['why']}"
    return f"{verdict['verdict']}ed{why}"


def units_of(kind: type[Body]) -> dict[str, str]:
    """Return the unit of each number of a kind of record, by field name."""
    return {f.name: _unit(f.metadata["unit"]) for f in fields(kind) if "unit" in f.metadata}


def _unit(stated: str) -> str:
    return UNITS.get(stated, stated)


DETERMINATION_UNITS: Final = units_of(DeterminationBody)
CALIBRATION_UNITS: Final = units_of(CalibrationBody)
