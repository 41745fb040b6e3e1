"""Checks of a cell, judged: against a buffer, another meter, a temperature or dilute solutions."""

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Annotated, Any, Literal

from pydantic import Field

from quietcell.config.fields import Text
from quietcell.core.bench_records import CheckBody, LowIonicEntry, LowIonicSummary, RefusalEntry
from quietcell.core.calibration_record import Bottle
from quietcell.core.electrode.calibration_limits import check_line
from quietcell.core.electrode.described_buffer import described_buffer
from quietcell.core.electrode.low_ionic import FEWEST_SOLUTIONS, Found, known_solution, low_ionic_check
from quietcell.core.electrode.uncertainty import COVERAGE_FACTOR
from quietcell.core.records import ABSENT, Absent, Json, Reason
from quietcell.core.screening import TEMPERATURE_RANGE_C
from quietcell.core.settings import CellSettings
from quietcell.errors import ArgumentError, CommandError, DomainError
from quietcell.service.commands import LongText, OfCell

Method = Literal["buffer", "comparison", "temperature", "low-ionic"]

_RESTLESS = frozenset(
    reason.value
    for reason in (
        Reason.NOT_AT_REST, Reason.STILL_RELAXING, Reason.NOISE_TOO_HIGH, Reason.TEMPERATURE_MOVING,
        Reason.FLAGGED_READINGS, Reason.GAP, Reason.RECONFIGURED, Reason.STOPPED, Reason.SUPERSEDED,
        Reason.BUSY,
    )
)  # fmt: skip
"""Of a value nobody knows to have settled. One refused for a failed check alone may clear that check."""
_OF_THE_LINE = frozenset(
    reason.value
    for reason in (Reason.CHECK_FAILED, Reason.CALIBRATION_EXPIRED, Reason.OUTSIDE_BRACKET, Reason.MAX_WAIT)
)
"""What speaks against the calibration alone: such a value is still that of the water."""
KNOWN_PH = (3.0, 12.0)
"""What 1e-3 mol/L of strong acid or base give, the base at 0 °C: beyond it no water is pure and no check
solution dilute."""
KNOWN_TEMPERATURE_C = TEMPERATURE_RANGE_C


class CheckArguments(OfCell):
    """Holds a cell against something known."""

    method: Method
    attendance: Text | None = Field(
        default=None, description="Id of the attendance, for what is done by hand."
    )
    measurements: Annotated[list[Text], Field(max_length=20)] = Field(
        default=[], description="Ids of reference measurements, or of the determination that is compared."
    )
    buffer: dict[str, Any] | None = Field(default=None, description="The check buffer, as for a calibration.")
    solutions: Annotated[list[Text], Field(max_length=20)] = Field(
        default=[], description="How the pH of each dilute solution is known: acid:5e-5, base, ammonia, ..."
    )
    conductivities_us_cm: Annotated[list[float | None], Field(max_length=20)] = Field(
        default=[], description="Conductivity of each solution, where the cell itself does not measure it."
    )
    known: float | None = Field(default=None, description="The other meter's or the laboratory's value.")
    known_from: Text | None = Field(default=None, description="Whose value that is.")
    known_expanded_uncertainty: Annotated[float, Field(ge=0)] | None = None
    tolerance: Annotated[float, Field(gt=0, le=100)] | None = Field(
        default=None, description="Largest deviation, pH or °C."
    )
    comment: LongText | None = None


def judged_check(
    asked: CheckArguments,
    measured: Sequence[Mapping[str, Json]],
    settings: CellSettings,
    *,
    body_id: str,
    at: str,
    since: str | None,
    temperature_c: float | None,
) -> CheckBody:
    """Return the record of a check.

    Parameters
    ----------
    asked : CheckArguments
        What it is held against.
    measured : sequence of mapping
        JSON bodies of the measurements named.
    settings : CellSettings
        The cell.
    since : str or None
        Time of the last good check.
    temperature_c : float or None
        The cell's own thermometer now.

    Raises
    ------
    CommandError
        If something needed is missing.
    DomainError
        If a number is out of range.
    """
    refusals: list[RefusalEntry] = []
    low_ionic: LowIonicSummary | Absent = ABSENT
    known, known_from, found = asked.known, asked.known_from or "", temperature_c
    unit: Literal["pH", "Cel"] = "pH"
    if asked.method == "low-ionic":
        low_ionic = _low_ionic(asked, measured, settings)
        known, found, known_from = 0.0, low_ionic.bias_ph, f"{len(low_ionic.solutions)} dilute solutions"
        if asked.tolerance is not None and abs(found) > asked.tolerance:
            refusals.append(
                RefusalEntry(
                    reason="low-ionic-bias-too-large",
                    text=f"the bias in dilute solutions is {found:+.3f} pH, limit {asked.tolerance:g}",
                )
            )
    elif asked.method == "buffer":
        known, known_from, found, refusals = _buffer(
            asked, measured, settings, on=date.fromisoformat(at[:10])
        )
    else:
        if asked.method == "comparison":
            found = _rested(_only(measured))["ph"]
        else:
            unit = "Cel"
        refusals = _compared(asked, found, unit)
    deviation = None if found is None or known is None else found - known
    return CheckBody(
        id=body_id,
        cell=settings.cell,
        at=at,
        method=asked.method,
        operator=asked.operator,
        electrode=settings.electrode,
        meter=settings.meter,
        calibration_id=settings.calibration_id,
        verdict="failed" if refusals else "passed",
        known=known,
        known_from=known_from,
        known_expanded_uncertainty=asked.known_expanded_uncertainty,
        found=found,
        deviation=deviation,
        tolerance=asked.tolerance,
        unit=unit,
        measurements=tuple(asked.measurements),
        refusals=tuple(refusals),
        low_ionic=low_ionic,
        since=since,
        comment=asked.comment,
    )


def _only(measured: Sequence[Mapping[str, Json]]) -> Mapping[str, Json]:
    if len(measured) != 1:
        raise CommandError("name exactly one measurement", subject="measurements")
    return measured[0]


def _rested(measured: Mapping[str, Json]) -> Mapping[str, Json]:
    """Return a determination whose value came to rest, whatever else speaks against it."""
    why = _RESTLESS.intersection(measured["reasons"])
    if why:
        raise CommandError(
            f"{measured['id']} did not come to rest ({', '.join(sorted(why))}): it is no value to compare",
            hint="Name a determination that did; one refused for another reason will do",
        )
    return measured


def tells_of_water(body: Mapping[str, Json]) -> bool:
    """Tell whether a determination says what the water's pH was, whatever its calibration is worth."""
    return body["ph"] is not None and (
        body["verdict"] in ("accepted", "qualified") or _OF_THE_LINE.issuperset(body["reasons"])
    )


def _buffer(
    asked: CheckArguments, measured: Sequence[Mapping[str, Json]], settings: CellSettings, *, on: date
) -> tuple[float, str, float, list[RefusalEntry]]:
    if asked.buffer is None or asked.tolerance is None:
        raise CommandError("a check in a buffer needs the buffer and a tolerance")
    if not settings.calibrated:
        raise CommandError("nothing to check: the cell has no calibration", hint="Calibrate it first")
    bottle = Bottle(buffer=described_buffer(asked.buffer), measurement=_only(measured))
    point = bottle.point(settings.temperature_uncertainty_c / COVERAGE_FACTOR)
    outcome = check_line(
        settings.line, point, bracket_ph=settings.bracket_ph, max_deviation_ph=asked.tolerance
    )
    unfit = "" if outcome.between_buffers else outcome.refusals[0].text
    if point.buffer.expires is not None and point.buffer.expires < on:
        unfit = f"{point.buffer.name} expired on {point.buffer.expires}. Open a fresh bottle"
    if unfit:  # neither good nor bad is then known of the electrode
        raise CommandError(f"no check: {unfit}", hint="What was measured is kept")
    name = f"{point.buffer.name} ({point.buffer.buffer_set}, lot {point.buffer.lot or 'not stated'})"
    refusals = [RefusalEntry(reason=one.reason, text=one.text) for one in outcome.refusals]
    return point.ph, name, point.ph + outcome.deviation_ph, refusals


def _compared(asked: CheckArguments, found: float | None, unit: str) -> list[RefusalEntry]:
    if asked.known is None or asked.tolerance is None:
        raise CommandError("a comparison needs the known value and a tolerance")
    words, (low, high) = ("pH", KNOWN_PH) if unit == "pH" else ("°C", KNOWN_TEMPERATURE_C)
    if not low <= asked.known <= high:
        raise ArgumentError(
            f"known: {asked.known:g} {words} is no value of water here, which has {low:g} to {high:g}"
        )
    if found is None:
        raise CommandError("the cell shows no value to compare")
    deviation = found - asked.known
    if abs(deviation) <= asked.tolerance:
        return []
    return [
        RefusalEntry(
            reason="comparison-off" if unit == "pH" else "temperature-off",
            text=f"the cell shows {deviation:+.3f} {words} against {asked.known_from or 'the known value'}, "
            f"limit {asked.tolerance:g}",
        )
    ]


def _low_ionic(
    asked: CheckArguments, measured: Sequence[Mapping[str, Json]], settings: CellSettings
) -> LowIonicSummary:
    if len(measured) != len(asked.solutions) or len(measured) < FEWEST_SOLUTIONS:
        raise CommandError(
            f"{len(measured)} measurements for {len(asked.solutions)} solutions; at least "
            f"{FEWEST_SOLUTIONS} of each are needed"
        )
    if not settings.calibrated:
        raise CommandError("the cell has no calibration", hint="Calibrate it first")
    given = [*asked.conductivities_us_cm, *[None] * len(measured)]
    entries, found = [], []
    for described, body, conductivity in zip(asked.solutions, measured, given, strict=False):
        own = body["conductivity_us_cm"] if conductivity is None else conductivity
        if body["verdict"] != "accepted" or body["ph"] is None or own is None:
            raise DomainError(
                "did not come to rest, or has no conductivity", subject=described, hint="Measure it again"
            )
        known = known_solution(
            described,
            conductivity_rel_u=settings.conductivity_uncertainty_pct / 100.0 / COVERAGE_FACTOR,
            temperature_u_c=settings.temperature_uncertainty_c / COVERAGE_FACTOR,
        )(own, body["temperature_c"])
        per_ph_mv = abs(settings.mv_per_ph(body["temperature_c"]))
        found.append(
            Found(
                known=known,
                ph=body["ph"],
                repeatability_ph=(body["mv_standard_uncertainty"] or 0.0) / per_ph_mv,
                conductivity_us_cm=own,
            )
        )
        entries.append(
            LowIonicEntry(
                measurement=body["id"],
                solution=body["solution"],
                known_from=known.known_from,
                known_ph=known.ph,
                known_standard_uncertainty_ph=known.standard_uncertainty_ph,
                found_ph=body["ph"],
                conductivity_us_cm=own,
                temperature_c=body["temperature_c"],
            )
        )
    check = low_ionic_check(found)
    return LowIonicSummary(
        bias_ph=check.bias_ph,
        standard_uncertainty_ph=check.standard_uncertainty_ph,
        lowest_conductivity_us_cm=check.lowest_conductivity_us_cm,
        highest_conductivity_us_cm=check.highest_conductivity_us_cm,
        solutions=tuple(entries),
    )
