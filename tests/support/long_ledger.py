"""Ledgers of days or months with everything a report tells of, made in seconds without a daemon.

Water, events and people are invented and seeded. Every cell is calibrated now and then, loses its meter
once, is stopped once, and takes up carbon dioxide for some hours; one calibration finds the electrode off,
which puts the results before it in doubt.
"""

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing
from pathlib import Path

import numpy as np

from quietcell.core.records import GapBody, Json
from quietcell.core.times import DAY_MS, rfc3339
from quietcell.ledger.canonical import canonical
from quietcell.ledger.chain import Envelope
from quietcell.ledger.digest import DigestSpan, ReadingsDigestBody
from quietcell.ledger.journal import Journal
from quietcell.ledger.readings_files import ReadingsFiles, month_of
from quietcell.service.command_records import NoteBody
from quietcell.service.records import RunBody
from tests.support.long_bench import calibrate, doubt
from tests.support.long_cell import LongCell
from tests.support.long_results import determine, episode
from tests.support.long_water import BEGINS_UTC_MS, HOUR_MS, Dip, dips_within, water

LIMITS = {"ph_low": 6.6, "ph_high": 7.3, "conductivity_high_us_cm": 0.11}
ROOMS = ("header-tank", "live-feed-room", "larval-hall", "quarantine")


def long_ledger(
    folder: Path,
    *,
    cells: Sequence[str] = ROOMS,
    days: float,
    reading_s: float,
    text: str = "tubing changed",
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
    """
    folder.mkdir(parents=True)
    end_ms = BEGINS_UTC_MS + round(days * DAY_MS)
    events: list[tuple[int, dict[str, Json]]] = [(BEGINS_UTC_MS, _run(cells))]
    with closing(ReadingsFiles(folder)) as files:
        for number, name in enumerate(cells):
            cell = LongCell(name, np.random.default_rng(1 + number))
            _fill(cell, end_ms, files, reading_s, text)
            events += cell.events
    events.sort(key=lambda event: event[0])
    with Journal(folder, new_id="00000000-0000-4000-8000-000000000001") as journal:
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


def _run(cells: Sequence[str]) -> dict[str, Json]:
    settings = {
        "site": {"name": "merrow-sound"},
        "cells": {name: {"criterion": "test", "limits": LIMITS} for name in cells},
        "criteria": {"test": {"flow_low_ml_min": 40.0, "flow_high_ml_min": None}},
    }
    at = rfc3339(BEGINS_UTC_MS)
    return RunBody(id="daemon.1.1", cell="daemon", at=at, run=1, state="began", settings=settings).as_json()


def _fill(cell: LongCell, end_ms: int, files: ReadingsFiles, reading_s: float, text: str) -> None:
    whole_ms = end_ms - BEGINS_UTC_MS
    dips = dips_within(cell.rng, whole_ms)
    cell.begin(BEGINS_UTC_MS, "started")
    stop_ms = BEGINS_UTC_MS + round(0.46 * whole_ms)
    calibrations = [BEGINS_UTC_MS + round(share * whole_ms) for share in (0.11, 0.27, 0.43, 0.66, 0.85)]
    gap = (
        BEGINS_UTC_MS + round(0.35 * whole_ms),
        BEGINS_UTC_MS + round(0.35 * whole_ms) + min(3 * HOUR_MS, whole_ms // 50),
    )
    for number, at_ms in enumerate(calibrations):
        if at_ms > stop_ms and number == 3:
            cell.end(stop_ms, "stopped")
            cell.begin(stop_ms + 2 * HOUR_MS, "started")
        calibrate(cell, at_ms, number, text)
    cell.end(end_ms, "stopped")
    cell.add(gap[1], _gap(cell, gap))
    _read(cell, files, reading_s, dips, gap)
    determine(cell, dips, gap, text)
    for dip in dips:
        for event in episode(cell, dip):
            cell.add(*event)
    doubt(cell, calibrations[:2])
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


def _gap(cell: LongCell, gap: tuple[int, int]) -> dict[str, Json]:
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
    cell: LongCell,
    files: ReadingsFiles,
    reading_s: float,
    dips: Sequence[Dip],
    gap: tuple[int, int],
) -> None:
    """Store readings; those of a segment lie in one file per month."""
    step_ms = round(reading_s * 1000)
    for number, begin_ms, end_ms, line in cell.segments:
        at_ms = np.arange(begin_ms + 500, end_ms, step_ms, dtype=np.int64)
        at_ms = at_ms[(at_ms < gap[0]) | (at_ms > gap[1])]
        ph, temperature_c, conductivity, flow = water(cell.rng, at_ms, dips)
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


def _digest(cell: LongCell, at_ms: int, reading_s: float) -> dict[str, Json]:
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
