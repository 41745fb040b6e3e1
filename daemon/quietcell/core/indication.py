"""The indication: a live reading nobody has accepted, and what the cell waits for."""

from dataclasses import dataclass

from quietcell.core.endpoint.machine import Standing
from quietcell.core.readings import Row
from quietcell.core.records import Reason, decimals
from quietcell.core.settings import CellSettings

_BARS = {Reason.NOT_CALIBRATED, Reason.CHECK_FAILED, Reason.CALIBRATION_EXPIRED}
_NOTHING: Row = (0, None, None, None, None, 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Indication:
    """A live reading nobody has accepted, and what the cell waits for."""

    cell: str
    at: str | None
    """Receipt of the last reading."""
    age_s: float | None = decimals(3, "s")
    mv: float | None = decimals(4, "mV")
    temperature_c: float | None = decimals(3, "Cel")
    conductivity_us_cm: float | None = decimals(5, "uS/cm")
    flow_ml_min: float | None = decimals(3, "mL/min")
    ph: float | None = decimals(4, "1")
    phase: str
    waits_for: str
    attended: str | None = None
    """Work someone does at the cell meanwhile; its readings are then not of the water."""
    hindrance: str = ""
    """Why no readings come, as far as the driver can tell; part of `waits_for` too."""


def indication(
    cell: str,
    last: Row | None,
    *,
    at: str | None,
    age_s: float | None,
    settings: CellSettings | None,
    where: Standing | None,
    due_s: float | None,
    barred: str = "",
    attended: str | None = None,
) -> Indication:
    """Put together what a cell shows from its last reading and where its determination stands.

    Without `settings` nobody wants its pH. `due_s` is the time until the next begins, s; None where it
    begins only when asked for. What bars every value is told first and at once, not when one has come to
    rest in vain.
    """
    waits_for = where.waits_for if where else _idle(due_s, attended)
    if barred and attended is None:
        at_rest = where is not None and where.lacks and set(where.lacks) <= _BARS
        waits_for = barred if at_rest else f"{barred}; {waits_for}"
    _, mv, temperature_c, conductivity_us_cm, flow_ml_min, _ = last or _NOTHING
    ph = None
    if settings is not None:  # what someone has put the electrode into is not the water
        of_water = attended is None
        ph = (
            settings.water_ph(mv, temperature_c, conductivity_us_cm)
            if of_water
            else settings.ph(mv, temperature_c)
        )
    return Indication(
        cell=cell,
        at=at,
        age_s=age_s,
        mv=mv,
        temperature_c=temperature_c,
        conductivity_us_cm=conductivity_us_cm,
        flow_ml_min=flow_ml_min,
        ph=ph,
        phase=where.phase.value if where else "idle",
        waits_for=waits_for,
        attended=attended,
    )


def bar(settings: CellSettings, utc_ms: int) -> str:
    """Return what a cell waits for before any value can be accepted, or nothing."""
    if not settings.calibrated:
        return "a calibration, without which nothing is accepted"
    if settings.failed_check_id is not None:
        again = f"a check like {settings.failed_check_id}, which failed, to pass"
        fixed = settings.calibration_id is None  # by the configuration: one at the bench clears nothing
        return again if fixed else f"{again}; if that was of the pH, a calibration will do"
    expires = settings.calibration_expires_utc_ms
    return "a calibration, for the last has expired" if expires is not None and utc_ms >= expires else ""


def _idle(due_s: float | None, attended: str | None) -> str:
    if attended == "sanitisation":
        return "the end of the sanitisation"
    if attended is not None:
        return f"whoever works at the cell ({attended})"
    return "a request" if due_s is None else f"the next determination, {max(0.0, due_s):.0f} s to go"
