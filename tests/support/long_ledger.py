"""Ledgers of days or months with everything a report tells of, made in seconds without a daemon.

Water, events and people are invented and seeded. Every cell is calibrated now and then, loses its meter
once, is stopped once, and takes up carbon dioxide for some hours; one calibration finds the electrode off,
which puts the results before it in doubt.
"""

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import numpy as np

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
from quietcell.core.ingress.episode import EpisodeBody, EpisodeEvidence
from quietcell.core.ingress.event import Amount, State
from quietcell.core.records import (
    ABSENT,
    BudgetLine,
    CalibrationSummary,
    ConfigurationBody,
    CriterionSummary,
    DeterminationBody,
    DoubtBody,
    GapBody,
    Json,
    Qualifier,
    SegmentBody,
    Verdict,
)
from quietcell.core.times import rfc3339
from quietcell.core.water.reference25 import ph_25c
from quietcell.ledger.canonical import canonical
from quietcell.ledger.chain import Envelope
from quietcell.ledger.digest import DigestSpan, ReadingsDigestBody
from quietcell.ledger.journal import Journal
from quietcell.ledger.readings_files import ReadingsFiles, month_of
from quietcell.service.command_records import NoteBody
from quietcell.service.records import RunBody
from tests.support.streams import cell_settings

BEGINS_UTC_MS = 1_780_272_000_000
"""2026-06-01."""
HOUR_MS, DAY_MS = 3_600_000, 86_400_000
EVERY_MS = 600_000
LIMITS = {"ph_low": 6.6, "ph_high": 7.3, "conductivity_high_us_cm": 0.11}
ROOMS = ("header-tank", "live-feed-room", "larval-hall", "quarantine")
_BUFFERS = (("phthalate", 4.005), ("phosphate", 6.865), ("borax", 9.183))
_PARTS = (
    ("zero", 0.0205, 0.0, False),
    ("junction", 0.0302, 0.0522, False),
    ("streaming", 0.0201, 0.0, False),
    ("temperature", 0.0002, 0.0, False),
    ("repeatability", 0.0011, 0.0, True),
)


@dataclass(slots=True)
class _Cell:
    """One cell on its way through the span."""

    name: str
    rng: np.random.Generator
    segment: int = 0
    ordinal: int = 0
    line: Line = field(default_factory=lambda: Line(slope_pct=98.4, zero_mv=3.1))
    calibration: str | None = None
    events: list[tuple[int, dict[str, Json]]] = field(default_factory=list)
    segments: list[tuple[int, int, int, Line]] = field(default_factory=list)
    """Number, beginning, end (UTC ms) and line of each."""
    calibrations: dict[int, str | None] = field(default_factory=dict)
    """In force, by segment."""
    attended: list[tuple[int, int]] = field(default_factory=list)
    results: list[tuple[int, str]] = field(default_factory=list)

    def add(self, at_ms: int, body: dict[str, Json]) -> None:
        self.events.append((at_ms, body))

    def next_id(self) -> str:
        self.ordinal += 1
        return f"{self.name}.{self.segment}.{self.ordinal}"


def long_ledger(
    folder: Path,
    *,
    cells: Sequence[str] = ROOMS,
    days: float = 90.0,
    reading_s: float = 10.0,
    seed: int = 1,
    text: str = "tubing changed",
    limits: dict[str, float] | None = None,
) -> None:
    """Make a ledger.

    Parameters
    ----------
    folder : Path
        Made.
    cells : sequence of str
        Their names.
    days : float
        How long; the first calibration comes after a ninth of it.
    reading_s : float
        Time between readings.
    text : str
        What people write: notes, sample ids, operators.
    limits : dict, optional
        Of the cells, in place of `LIMITS`.
    """
    folder.mkdir(parents=True)
    end_ms = BEGINS_UTC_MS + round(days * DAY_MS)
    events: list[tuple[int, dict[str, Json]]] = [(BEGINS_UTC_MS, _run(cells, limits or LIMITS))]
    with closing(ReadingsFiles(folder)) as files:
        for number, name in enumerate(cells):
            cell = _Cell(name, np.random.default_rng(seed + number))
            _fill(cell, end_ms, files, reading_s, text)
            events += cell.events
    events.sort(key=lambda event: event[0])
    with Journal(folder, new_id=f"00000000-0000-4000-8000-{seed:012d}") as journal:
        for first in range(0, len(events), 2000):
            page = events[first : first + 2000]
            envelope = Envelope(
                ledger=journal.ledger,
                recorded_at=rfc3339(page[-1][0] + 40),
                time_quality="synchronised",
                software="quietcell 0.1.0",
                engine_version=1,
            )
            journal.append([(canonical(body), 1) for _, body in page], envelope)


def _run(cells: Sequence[str], limits: dict[str, float]) -> dict[str, Json]:
    settings = {
        "site": {"name": "merrow-sound"},
        "cells": {name: {"criterion": "test", "limits": dict(limits)} for name in cells},
        "criteria": {"test": {"flow_low_ml_min": 40.0, "flow_high_ml_min": None}},
    }
    at = rfc3339(BEGINS_UTC_MS)
    return RunBody(id="daemon.1.1", cell="daemon", at=at, run=1, state="began", settings=settings).as_json()


def _fill(cell: _Cell, end_ms: int, files: ReadingsFiles, reading_s: float, text: str) -> None:
    whole_ms = end_ms - BEGINS_UTC_MS
    dips = _dips(cell, whole_ms)
    _begin(cell, BEGINS_UTC_MS, "started")
    stop_ms = BEGINS_UTC_MS + round(0.46 * whole_ms)
    calibrations = [BEGINS_UTC_MS + round(share * whole_ms) for share in (0.11, 0.27, 0.43, 0.66, 0.85)]
    gap = (
        BEGINS_UTC_MS + round(0.35 * whole_ms),
        BEGINS_UTC_MS + round(0.35 * whole_ms) + min(3 * HOUR_MS, whole_ms // 50),
    )
    for number, at_ms in enumerate(calibrations):
        if at_ms > stop_ms and number == 3:
            _end(cell, stop_ms, "stopped")
            _begin(cell, stop_ms + 2 * HOUR_MS, "started")
        _calibrate(cell, at_ms, number, text)
    _end(cell, end_ms, "stopped")
    cell.add(gap[1], _gap(cell, gap))
    _read(cell, files, reading_s, dips, gap)
    _determine(cell, dips, gap, text)
    for dip in dips:
        for event in _episode(cell, dip):
            cell.add(*event)
    _doubt(cell, calibrations[:2])
    for number in range(3):
        at_ms = BEGINS_UTC_MS + (number + 1) * whole_ms // 5
        note = NoteBody(
            id=f"daemon.1.{cell.name}-note-{number}",
            cell=cell.name,
            at=rfc3339(at_ms),
            text=text,
            operator=text,
            via="socket",
        )
        cell.add(at_ms, note.as_json())
    for at_ms in range(BEGINS_UTC_MS + HOUR_MS, end_ms, HOUR_MS):
        cell.add(at_ms, _digest(cell, at_ms, reading_s))


def _dips(cell: _Cell, whole_ms: int) -> list[tuple[int, int, float]]:
    """Return when the water takes up carbon dioxide and by how much its pH falls."""
    shares = np.sort(cell.rng.uniform(0.03, 0.97, 4))
    return [
        (
            BEGINS_UTC_MS + round(share * whole_ms),
            BEGINS_UTC_MS
            + round(share * whole_ms)
            + round(min(cell.rng.uniform(1, 6) * HOUR_MS, whole_ms / 20)),
            float(cell.rng.uniform(0.25, 0.7)),
        )
        for share in shares
    ]


def _fall(at_ms: np.ndarray, dips: Sequence[tuple[int, int, float]]) -> np.ndarray:
    """Return by how much pH at 25 °C lies lower, with soft flanks of ten minutes."""
    fall = np.zeros(len(at_ms))
    for begin, end, depth in dips:
        rise = np.clip((at_ms - begin) / EVERY_MS, 0, 1) * np.clip((end - at_ms) / EVERY_MS, 0, 1)
        fall = np.maximum(fall, depth * rise)
    return fall


def _water(cell: _Cell, at_ms: np.ndarray, dips: Sequence[tuple[int, int, float]]) -> tuple[np.ndarray, ...]:
    """Return pH at sample temperature, temperature, conductivity and flow."""
    day = 2 * np.pi * (at_ms - BEGINS_UTC_MS) / DAY_MS
    temperature_c = np.round(
        21.0 + 0.4 * np.sin(day) + 0.3 * np.sin(day / 17) + cell.rng.normal(0, 0.01, len(at_ms)), 2
    )
    fall = _fall(at_ms, dips)
    ph = (
        6.93
        + 0.01 * np.sin(day / 7)
        - fall
        + 0.0135 * (25.0 - temperature_c)
        + cell.rng.normal(0, 0.002, len(at_ms))
    )
    conductivity = np.round(
        0.052 * (1 + 0.05 * (temperature_c - 21)) * (1 + 2.0 * fall) + cell.rng.normal(0, 2e-4, len(at_ms)), 5
    )
    return ph, temperature_c, conductivity, np.round(100 + cell.rng.normal(0, 0.3, len(at_ms)), 2)


def _begin(cell: _Cell, at_ms: int, cause: str) -> None:
    cell.segment, cell.ordinal = cell.segment + 1, 0
    settings = cell_settings(
        cell=cell.name,
        line=cell.line,
        every_s=EVERY_MS / 1000,
        calibration_id=cell.calibration,
        sample_point=f"{cell.name}, tap 1",
        electrode="glass-7",
        meter="meter-2",
    )
    body = ConfigurationBody(
        id=cell.next_id(), cell=cell.name, at=rfc3339(at_ms), settings=settings.as_json()
    )
    cell.add(at_ms, body.as_json())
    began = SegmentBody(
        id=cell.next_id(),
        cell=cell.name,
        at=rfc3339(at_ms),
        segment=cell.segment,
        state="began",
        cause=cause,
        time_quality="synchronised",
    )
    cell.add(at_ms, began.as_json())
    cell.segments.append((cell.segment, at_ms, at_ms, cell.line))
    cell.calibrations[cell.segment] = cell.calibration


def _end(cell: _Cell, at_ms: int, cause: str) -> None:
    number, begin_ms, _, line = cell.segments.pop()
    cell.segments.append((number, begin_ms, at_ms, line))
    body = SegmentBody(
        id=f"{cell.name}.{number}.99999",
        cell=cell.name,
        at=rfc3339(at_ms),
        segment=number,
        state="ended",
        cause=cause,
        readings=0,
        rejected_readings={},
    )
    cell.add(at_ms, body.as_json())


def _calibrate(cell: _Cell, at_ms: int, number: int, text: str) -> None:
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
        _end(cell, until_ms, "reloaded")
        _begin(cell, until_ms, "reloaded")


def _gap(cell: _Cell, gap: tuple[int, int]) -> dict[str, Json]:
    began, ended = (rfc3339(at_ms) for at_ms in gap)
    return GapBody(
        id=f"{cell.name}.0.1",
        cell=cell.name,
        at=ended,
        began=began,
        ended=ended,
        gap_s=(gap[1] - gap[0]) / 1000,
        cause="silence",
    ).as_json()


def _read(
    cell: _Cell,
    files: ReadingsFiles,
    reading_s: float,
    dips: Sequence[tuple[int, int, float]],
    gap: tuple[int, int],
) -> None:
    """Store readings; those of a segment lie in one file per month."""
    step_ms = round(reading_s * 1000)
    for number, begin_ms, end_ms, line in cell.segments:
        at_ms = np.arange(begin_ms + 500, end_ms, step_ms, dtype=np.int64)
        at_ms = at_ms[(at_ms < gap[0]) | (at_ms > gap[1])]
        ph, temperature_c, conductivity, flow = _water(cell, at_ms, dips)
        for begin, end in cell.attended:
            in_buffer = (at_ms >= begin) & (at_ms < end)
            ph[in_buffer] = 4.005
        mv = np.round(line.mv(ph, temperature_c), 3)
        months = [month_of(int(each)) for each in at_ms[[0, -1]]] if len(at_ms) else []
        for month in dict.fromkeys(_months(months)):
            chosen = (
                np.array([month_of(int(x)) == month for x in at_ms]) if len(set(months)) > 1 else slice(None)
            )
            database: sqlite3.Connection = files._month(month)
            cell_number = files._number(month, cell.name)
            columns = (
                at_ms[chosen] - begin_ms,
                mv[chosen],
                temperature_c[chosen],
                conductivity[chosen],
                flow[chosen],
            )
            rows = zip(*(column.tolist() for column in columns), strict=True)
            database.execute("PRAGMA synchronous = OFF")
            database.execute("BEGIN")
            database.executemany(
                f"INSERT INTO reading VALUES ({cell_number},{number},?,0,?,?,?,?,0)",  # noqa: S608 # numbers are put in
                rows,
            )
            database.execute("COMMIT")


def _months(ends: Sequence[str]) -> Iterator[str]:
    """Yield the months from the first to the last."""
    if len(ends):
        year, month = (int(part) for part in ends[0].split("-"))
        while (text := f"{year:04d}-{month:02d}") <= ends[1]:
            yield text
            year, month = (year, month + 1) if month < 12 else (year + 1, 1)


def _template(cell: _Cell) -> dict[str, Json]:
    budget = tuple(
        BudgetLine(name=name, standard_uncertainty_ph=u, bias_ph=bias, repeatability=own, basis="assumed")
        for name, u, bias, own in _PARTS
    )
    return DeterminationBody(
        id="",
        cell=cell.name,
        at="",
        sample_point=f"{cell.name}, tap 1",
        sample_id=None,
        operator=None,
        mode="continuous",
        began="",
        ended="",
        verdict=Verdict.ACCEPTED,
        reasons=(),
        qualifiers=(),
        ph=7.0,
        ph_25c=7.0,
        ph_25c_model="carbonate",
        ph_25c_spread=0.0019,
        ph_reported=7.0,
        ph_expanded_uncertainty=0.13,
        ph_expanded_uncertainty_repeatability=0.0022,
        ph_expanded_uncertainty_systematic=0.084,
        ph_budget=budget,
        temperature_c=21.0,
        mv=0.0,
        conductivity_us_cm=0.05,
        conductivity_25c_us_cm=0.06,
        ph_allowed_low=6.8,
        ph_allowed_high=7.4,
        ph_margin=0.13,
        flow_ml_min=100.0,
        sample_age_s=7.2,
        time_since_disturbance_s=600.0,
        drift_mv_per_min=-0.01,
        drift_bound_mv_per_min=0.05,
        long_drift_mv_per_min=0.005,
        long_drift_bound_mv_per_min=0.02,
        remaining_ph=0.001,
        remaining_ph_bound=0.004,
        remaining_risk=0.0,
        drift_confidence=0.95,
        temperature_drift_c_per_min=0.002,
        window_s=58.8,
        readings=60,
        rejected_readings={},
        smallest_co2_ug_per_l=2.7,
        episodes=(),
        earlier_refused=0,
        calibration=CalibrationSummary(
            id=None, slope_pct=98.4, zero_mv=3.1, isopotential_ph=7.0, age_d=None, buffers=()
        ),
        low_ionic_check=None,
        electrode="glass-7",
        meter="meter-2",
        kcl_adjusted=False,
        from_buffer=False,
        portions_ph=(),
        criterion=CriterionSummary(name="test", digest="7" * 64),
        readings_sha256="6" * 64,
    ).as_json()


def _determine(cell: _Cell, dips: Sequence[tuple[int, int, float]], gap: tuple[int, int], text: str) -> None:
    template, segments = _template(cell), iter(cell.segments)
    number, begin_ms, end_ms, line = next(segments)
    began = np.arange(BEGINS_UTC_MS + 1000, cell.segments[-1][2] - EVERY_MS, EVERY_MS, dtype=np.int64)
    lasting = cell.rng.integers(200_000, 420_000, len(began))
    ended = began + lasting
    ph, temperature_c, conductivity, flow = _water(cell, ended, dips)
    at_25c = np.asarray(ph_25c(ph, temperature_c).value)
    falls, luck = _fall(ended, dips), cell.rng.random(len(began))
    lows = [
        np.round(column, places).tolist()
        for column, places in ((ph, 4), (at_25c, 4), (temperature_c, 3), (conductivity, 5), (flow, 3))
    ]
    ordinal = 10
    for row, (first, last) in enumerate(zip(began.tolist(), ended.tolist(), strict=True)):
        while first >= end_ms:
            number, begin_ms, end_ms, line = next(segments)
            ordinal = 10
        if (
            first < begin_ms
            or last > end_ms
            or any(first < end and last > begin for begin, end in cell.attended)
        ):
            continue
        ordinal += 1
        here_ph, here_25c, here_c, here_k, here_flow = (column[row] for column in lows)
        co2 = falls[row] > 0.05
        refused = luck[row] < 0.015 or (first < gap[1] and last > gap[0])
        verdict = "refused" if refused else "qualified" if co2 else "accepted"
        reasons = (
            ["gap"] if refused and luck[row] >= 0.015 else ["max-wait", "not-at-rest"] if refused else []
        )
        body = {
            **template,
            "id": f"{cell.name}.{number}.{ordinal}",
            "at": rfc3339(last),
            "began": rfc3339(first),
            "ended": rfc3339(last),
            "verdict": verdict,
            "reasons": reasons,
            "qualifiers": [Qualifier.CO2_UNLOCATED.value] if verdict == "qualified" else [],
            "ph": here_ph,
            "ph_25c": here_25c,
            "ph_reported": round(here_ph, 2),
            "temperature_c": here_c,
            "conductivity_us_cm": here_k,
            "flow_ml_min": here_flow,
            "mv": round(float(line.mv(here_ph, here_c)), 4),
            "ph_expanded_uncertainty": round(0.12 + 0.02 * float(luck[row]), 4),
            "sample_id": text if row % 500 == 7 else None,
            "operator": text if row % 500 == 7 else None,
            "calibration": {
                **template["calibration"],
                "id": cell.calibrations[number],
                "slope_pct": line.slope_pct,
                "zero_mv": line.zero_mv,
            },
        }
        cell.add(last, body)
        if verdict != "refused":
            cell.results.append((last, body["id"]))


def _episode(cell: _Cell, dip: tuple[int, int, float]) -> Iterator[tuple[int, dict[str, Json]]]:
    begin, end, depth = dip
    name = f"{cell.name}.0.episode-{begin}"
    amount = Amount(value=round(100 * depth, 1), expanded_uncertainty=round(20 * depth, 1))
    steps: tuple[tuple[State, int], ...] = (
        ("opened", begin + 120_000),
        ("updated", begin + 300_000),
        ("closed", end),
    )
    for state, at_ms in steps:
        evidence = EpisodeEvidence(
            log_likelihood_ratios={"co2-ingress": 812.4, "acidic-ingress": 809.9},
            co2_ug_per_l=amount,
            co2_ug_per_l_from_ph=amount,
            co2_ug_per_l_from_conductivity=amount,
            co2_rise_ug_per_l=amount,
            equilibrium_with_air_pct=2.9,
            ph_before=6.98,
            ph_now=round(6.98 - depth, 3),
            conductivity_before_us_cm=0.052,
            conductivity_now_us_cm=round(0.052 * (1 + 2 * depth), 5),
            temperature_before_c=21.0,
            temperature_now_c=21.0,
            sample_age_s=7.2,
        )
        body = EpisodeBody(
            id=name if state == "opened" else f"{name}-{state}",
            cell=cell.name,
            at=rfc3339(at_ms),
            episode=name,
            diagnosis="co2-ingress",
            place="unlocated",
            state=state,
            began=rfc3339(begin),
            flagged_at=rfc3339(begin + 120_000),
            closed_at=rfc3339(end) if state == "closed" else None,
            confirmed=False,
            evidence=evidence,
            text=f"Carbon dioxide is coming into the water: {amount.value} µg/L. Look first at fittings.",
        )
        yield at_ms, body.as_json()


def _doubt(cell: _Cell, calibrations: Sequence[int]) -> None:
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


def _digest(cell: _Cell, at_ms: int, reading_s: float) -> dict[str, Json]:
    """A record of its size; the hash is none, so `verify` would complain."""
    number, begin_ms, *_ = next(s for s in reversed(cell.segments) if s[1] <= at_ms)
    upto = at_ms - begin_ms
    span = DigestSpan(
        segment=number,
        after_ms=max(-1, upto - HOUR_MS),
        upto_ms=upto,
        readings=round(3600 / reading_s),
        sha256="5" * 64,
    )
    return ReadingsDigestBody(
        id=f"daemon.1.{cell.name}-{at_ms}", cell=cell.name, at=rfc3339(at_ms), spans=(span,)
    ).as_json()
