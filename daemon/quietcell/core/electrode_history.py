"""An electrode's history from its records, and the condition that follows from it."""

from collections.abc import Iterable, Mapping

from quietcell.core.electrode.condition import ElectrodeCondition, HistoryEntry, assess
from quietcell.core.records import Json
from quietcell.core.times import DAY_MS, utc_ms

OF_THE_ELECTRODE = frozenset({"slope-out-of-limits", "zero-out-of-limits"})
"""Reasons against a calibration that tell of the electrode, not of buffers or of how it was done."""


def condition_of(bodies: Iterable[Mapping[str, Json]]) -> ElectrodeCondition:
    """Return the condition of an electrode.

    Parameters
    ----------
    bodies : iterable of mapping
        JSON bodies of its calibrations and checks, whatever the cell, oldest first.

    Examples
    --------
    >>> condition_of([]).signal.value
    'none'
    """
    entries = [entry for body in bodies if (entry := _entry(body)) is not None]
    return assess(sorted(entries, key=lambda entry: entry.day))


def _entry(body: Mapping[str, Json]) -> HistoryEntry | None:
    """Return what a record says of the electrode; None where it says nothing."""
    day = utc_ms(body["at"]) / DAY_MS
    if body["record"] == "check":
        summary = body.get("low_ionic")
        return None if summary is None else HistoryEntry(day=day, junction_ph=summary["bias_ph"])
    if {refusal["reason"] for refusal in body["refusals"]} - OF_THE_ELECTRODE:
        return None
    return HistoryEntry(
        day=day,
        slope_pct=body["slope_pct"],
        zero_mv=body["zero_mv"],
        response_time_s=body["response_time_s"],
        noise_mv=body["noise_mv"],
    )
