"""What a report says about one determination or one calibration."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from quietcell import __version__
from quietcell.core.history import evidence_sha256
from quietcell.core.readings import ReadingBlock
from quietcell.core.records import ENGINE_VERSION, Json
from quietcell.core.times import utc_ms
from quietcell.errors import LedgerError, UsageError
from quietcell.ledger.journal import Journal
from quietcell.report.build import LedgerFacts, count, facts_of
from quietcell.report.indications import Traces, traces, wanted
from quietcell.report.material import Entry, Span, entry, gather
from quietcell.report.referred import uncertainties_25c

AROUND_MS = 300_000
"""Readings are shown from so long before a determination to so long behind it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _OfOneRecord:
    """Where a report on one record comes from, and which record it is on."""

    made_at: str
    made_by: str
    engine_version: int
    time_zone: str
    ledger: LedgerFacts
    seq: int
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DeterminationReport(_OfOneRecord):
    """All about one determination."""

    determination: dict[str, Json]
    ph_25c_expanded_uncertainty: float | None
    """Of its pH at 25 °C, k = 2."""
    doubts: tuple[dict[str, Json], ...]
    """Records that name it."""
    episodes: tuple[dict[str, Json], ...]
    """The last record of each episode open at the verdict."""
    operator_verdicts: tuple[dict[str, Json], ...]
    """What people said of these, in order."""
    calibration: dict[str, Json] | None
    """The record it rests on, where there is one."""
    readings_match: bool | None
    """Whether the stored readings give its digest; None where that can't be told from them alone."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationReport(_OfOneRecord):
    """All about one calibration."""

    calibration: dict[str, Json]
    measurements: tuple[dict[str, Json], ...]
    """Reference measurements in the buffers."""
    doubts: tuple[dict[str, Json], ...]
    """Raised by it."""
    history: tuple[dict[str, Json], ...]
    """All calibrations of the cell up to this one."""
    results: int
    """Results that rest on it."""
    first_result_at: str | None
    last_result_at: str | None


def named(journal: Journal, body_id: str, kind: str) -> Entry:
    """Return a record by the id of its body.

    Raises
    ------
    UsageError
        If there is none of that kind.
    """
    stored = journal.with_id(body_id)
    found = None if stored is None else entry(stored)
    if found is None or found.body["record"] != kind:
        other = "" if found is None else f"; it is a record of kind {found.body['record']}"
        raise UsageError(f"the ledger has no {kind} {body_id!r}{other}")
    return found


def determination_report(
    folder: Path, body_id: str, *, made_at: str, time_zone: str, readings: bool = True
) -> tuple[DeterminationReport, Traces | None]:
    """Return what there is to say about a determination, and the readings around it.

    Raises
    ------
    UsageError
        If the ledger has no such determination.
    """
    with Journal(folder) as journal:
        found = named(journal, body_id, "determination")
        body = found.body
        span = Span(from_ms=utc_ms(body["began"]) - AROUND_MS, to_ms=utc_ms(body["ended"]) + AROUND_MS)
        material = gather(journal, body["cell"], span)
        around = None
        if readings:
            try:
                around = traces(wanted(folder, material))
            except LedgerError:
                around = None  # readings that were given up; what is recorded stays
        doubts = [e.body for e in material.doubts if body_id in e.body["determinations"]]
        calibration_id = body["calibration"]["id"]
        calibration = None if calibration_id is None else journal.with_id(calibration_id)
        report = DeterminationReport(
            made_at=made_at,
            made_by=f"quietcell {__version__}",
            engine_version=ENGINE_VERSION,
            time_zone=time_zone,
            ledger=facts_of(journal, count([found], material.site)),
            seq=found.seq,
            sha256=found.sha256,
            determination=body,
            ph_25c_expanded_uncertainty=uncertainties_25c(
                [(found.seq, body)],
                [(each.seq, each.body) for each in material.until_end("configuration")],
            )[0],
            doubts=tuple(doubts),
            episodes=tuple(_last_of(journal, body["cell"], body["episodes"])),
            operator_verdicts=tuple(_said_of(journal, body["cell"], body["episodes"])),
            calibration=None if calibration is None else calibration.body(),
            readings_match=None if around is None else _matches(body, around),
        )
    return report, around if around is not None and len(around.at_ms) else None


def _last_of(journal: Journal, cell: str, episodes: Sequence[str]) -> Iterable[dict[str, Json]]:
    last: dict[str, dict[str, Json]] = {}
    if episodes:
        for record in journal.of_cell(cell, kinds=("episode",)):
            body = record.body()
            if body["episode"] in episodes:
                last[body["episode"]] = body
    return last.values()


def _said_of(journal: Journal, cell: str, episodes: Sequence[str]) -> Iterable[dict[str, Json]]:
    told = journal.of_cell(cell, kinds=("operator-verdict",)) if episodes else ()
    return (body for record in told if (body := record.body())["episode"] in episodes)


def _matches(body: dict[str, Json], around: Traces) -> bool | None:
    """Tell whether the last readings up to the verdict give the digest of its window.

    Screening may have left readings out in between; only the engine can tell which.
    """
    ended_ms, number = utc_ms(body["ended"]), body["readings"]
    for block, anchor_ms in zip(around.blocks, around.anchors_ms, strict=True):
        until = int(np.searchsorted(block.ms, ended_ms - anchor_ms, side="right"))
        window: ReadingBlock = block[slice(max(0, until - number), until)]
        if number and len(window) == number and evidence_sha256(window) == body["readings_sha256"]:
            return True
    return None


def calibration_report(folder: Path, body_id: str, *, made_at: str, time_zone: str) -> CalibrationReport:
    """Return what there is to say about a calibration.

    Raises
    ------
    UsageError
        If the ledger has no such calibration.
    """
    with Journal(folder) as journal:
        found = named(journal, body_id, "calibration")
        body = found.body
        cell = body["cell"]
        measured = [journal.with_id(point["measurement"]) for point in body["points"]]
        history = [e for e in map(entry, journal.of_cell(cell, kinds=("calibration",))) if e.seq <= found.seq]
        doubts = [record.body() for record in journal.of_cell(cell, kinds=("doubt",))]
        results, first, last = journal.resting_on(cell, body_id)
        site = None
        for record in journal.latest("daemon", "run"):
            if "settings" in (run := record.body()):
                site = run["settings"].get("site", {}).get("name")
                break
        return CalibrationReport(
            made_at=made_at,
            made_by=f"quietcell {__version__}",
            engine_version=ENGINE_VERSION,
            time_zone=time_zone,
            ledger=facts_of(journal, count([found], site)),
            seq=found.seq,
            sha256=found.sha256,
            calibration=body,
            measurements=tuple(record.body() for record in measured if record is not None),
            doubts=tuple(doubt for doubt in doubts if doubt["about"] == body_id),
            history=tuple({"seq": e.seq, **e.body} for e in history),
            results=results,
            first_result_at=first,
            last_result_at=last,
        )
