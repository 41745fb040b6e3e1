"""People at work in a long ledger: calibrations with a check, and the doubt one of them casts."""

from collections.abc import Sequence
from typing import Literal

from quietcell.core.bench_records import (
    AsFound,
    AttendanceBody,
    CalibrationBody,
    CalibrationPointEntry,
    CheckBody,
    PreviousLine,
    RefusalEntry,
)
from quietcell.core.electrode.nernst import Line
from quietcell.core.records import ABSENT, DoubtBody
from quietcell.core.times import DAY_MS, rfc3339
from tests.support.long_cell import LongCell
from tests.support.long_water import HOUR_MS

_BUFFERS = (("phthalate", 4.005), ("phosphate", 6.865), ("borax", 9.183))


def calibrate(cell: LongCell, at_ms: int, number: int, text: str) -> None:
    """Let someone work at the cell for half an hour; every fourth calibration is refused."""
    until_ms, refused = at_ms + HOUR_MS // 2, number % 4 == 3
    cell.attended.append((at_ms, until_ms))
    steps: tuple[tuple[Literal["began", "ended"], int], ...] = (("began", at_ms), ("ended", until_ms))
    for state, when in steps:
        own = AttendanceBody(
            id=f"daemon.1.{cell.name}-work-{number}-{state}",
            cell=cell.name,
            at=rfc3339(when),
            segment=cell.segment,
            ms=0,
            state=state,
            work="calibration",
            operator=text,
            outcome="done" if state == "ended" else ABSENT,
        )
        cell.add(when, own.as_json())
    before = cell.line
    slope = 88.0 if refused else round(float(98.4 - 0.25 * number + cell.rng.normal(0, 0.05)), 4)
    line = Line(slope_pct=slope, zero_mv=round(float(3.1 + 0.8 * number + cell.rng.normal(0, 0.1)), 4))
    points = []
    for name, ph in _BUFFERS:
        residual = float(cell.rng.normal(0, 0.004))
        mv = line.mv(ph + residual, 24.8)
        points.append(
            CalibrationPointEntry(
                measurement=f"{cell.name}.{cell.segment}.{name}",
                buffer=name,
                buffer_set="iupac-2002",
                lot=text,
                expires="2027-01-31",
                ph=ph,
                buffer_standard_uncertainty_ph=0.005,
                temperature_c=24.8,
                temperature_standard_uncertainty_c=0.1,
                mv=mv,
                mv_standard_uncertainty=0.05,
                residual_mv=mv - line.mv(ph, 24.8),
                residual_ph=residual,
                as_found_ph=before.ph(mv, 24.8),
                response_time_s=22.5,
            )
        )
    name = f"daemon.1.{cell.name}-calibration-{number}"
    body = CalibrationBody(
        id=name,
        cell=cell.name,
        at=rfc3339(until_ms - 60_000),
        operator=text,
        electrode="glass-7",
        meter="meter-2",
        verdict="refused" if refused else "accepted",
        refusals=(RefusalEntry(reason="slope-out-of-limits", text="Slope 88.0 % lies outside 92 to 102 %"),)
        if refused
        else (),
        accepted_despite=(),
        points=tuple(points),
        slope_pct=slope,
        slope_expanded_uncertainty_pct=0.31,
        zero_mv=line.zero_mv,
        zero_expanded_uncertainty_mv=0.42,
        isopotential_ph=7.0,
        fitted=("slope", "zero"),
        errors=(),
        temperature_c=24.8,
        bracket_ph=(4.005, 9.183),
        chi_squared=1.3,
        degrees_of_freedom=1,
        expected_ph=(6.5, 7.2),
        expires=rfc3339(until_ms + 90 * DAY_MS),
        previous=PreviousLine(
            id=cell.calibration, at=None, slope_pct=before.slope_pct, zero_mv=before.zero_mv
        ),
        as_found=AsFound(
            worst_deviation_ph=-0.061, limit_ph=0.05, out_of_limit=number == 1, believed=True, since=None
        ),
        response_time_s=22.5,
        noise_mv=0.03,
        comment=text,
    )
    cell.add(until_ms - 60_000, body.as_json())
    check = CheckBody(
        id=f"daemon.1.{cell.name}-check-{number}",
        cell=cell.name,
        at=rfc3339(until_ms - 30_000),
        method="buffer",
        operator=text,
        electrode="glass-7",
        meter="meter-2",
        calibration_id=name,
        verdict="failed" if refused else "passed",
        known=6.865,
        known_from=f"phosphate, lot {text}",
        known_expanded_uncertainty=0.01,
        found=6.871,
        deviation=0.006,
        tolerance=0.05,
        unit="pH",
        measurements=(),
        refusals=(),
        since=None,
        comment=None,
    )
    cell.add(until_ms - 30_000, check.as_json())
    if not refused:
        cell.line, cell.calibration = line, name
        cell.end(until_ms, "reloaded")
        cell.begin(until_ms, "reloaded")


def doubt(cell: LongCell, calibrations: Sequence[int]) -> None:
    """Put the results between two calibrations in doubt."""
    since, until = calibrations[0] + HOUR_MS // 2, calibrations[1] + HOUR_MS // 2
    body = DoubtBody(
        id=f"daemon.1.{cell.name}-doubt",
        cell=cell.name,
        at=rfc3339(until),
        cause="as-found-calibration",
        about=f"daemon.1.{cell.name}-calibration-1",
        since=rfc3339(since),
        until=rfc3339(until),
        determinations=tuple(name for at_ms, name in cell.results if since <= at_ms <= until),
        text="The electrode was 0.061 pH low in phosphate before it was calibrated anew.",
    )
    cell.add(until, body.as_json())
