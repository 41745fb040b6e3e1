"""The part of a report on one cell."""

import json
from collections.abc import Sequence
from datetime import tzinfo
from functools import cache

from quietcell.core.records import Json
from quietcell.report import events_part, results_part
from quietcell.report.calibration_part import calibration_figure, calibration_table
from quietcell.report.cell_report import CellReport, Configuration
from quietcell.report.figures import calibration_history
from quietcell.report.frame import digest, figure
from quietcell.report.html import NOT_KNOWN, Html, joined, number, tag
from quietcell.report.indications import Indications
from quietcell.report.material import Span
from quietcell.report.overview import overview
from quietcell.report.part import MOST_ROWS, Part, cut
from quietcell.report.pen import Pen

MOST_LINES = 1
"""So many of the last calibrations are drawn with their points; --calibration draws any."""
_LONGEST_VALUE = 40
_OF_CALIBRATION = (
    "bracket_ph",
    "calibrated",
    "calibration_",
    "line.",
    "slope_uncertainty_pct",
    "zero_uncertainty_mv",
)
"""Settings that come with a calibration, which is told as one."""


def cell_part(report: CellReport, found: Indications | None, span: Span, *, zone: tzinfo) -> str:
    """Return what a page says of a cell.

    Parameters
    ----------
    report : CellReport
        Its numbers.
    found : Indications or None
        What its readings show.
    span : Span
        Of the report.
    zone : tzinfo
        Of the times.
    """
    part, pen = Part(report, zone), _pen(zone)
    return tag(
        "section",
        tag("h2", report.cell, id=part.id),
        _what(part),
        _overview(part, pen, found, span),
        results_part.share_of_time(part),
        results_part.results(part),
        results_part.uncertainty(part),
        results_part.refused(part),
        events_part.episodes(part),
        events_part.excursions(part),
        events_part.doubts(part),
        _calibrations(part, pen),
        events_part.checks(part),
        events_part.flow_tests(part),
        results_part.days(part),
        results_part.determinations(part),
        results_part.samples(part),
        events_part.alarms(part),
        events_part.notes(part),
        _settings(part),
    )


@cache
def _pen(zone: tzinfo) -> Pen:
    """Return one pen for all cells a process draws."""
    return Pen(zone)


def how_measured(configurations: Sequence[Configuration]) -> str:
    """Return in words how a cell was measured; work at the bench without a daemon adds a mode of its own."""
    words = {
        "on request" if each.mode == "on-request" else f"continuously, every {each.every_s:g} s": None
        for each in configurations
    }
    return " and ".join(words) or "–"


def _what(part: Part) -> Html:
    cell = part.cell
    return tag(
        "p",
        f"Sample point: {cell.sample_point or 'not stated'}. Electrode: {cell.electrode or 'not named'}. "
        f"Meter: {cell.meter or 'not named'}. Measured {how_measured(cell.configurations)}.",
        class_="soft",
    )


def _overview(part: Part, pen: Pen, found: Indications | None, span: Span) -> Html:
    cell = part.cell
    ph = next((s for s in cell.spreads if s.quantity == "ph_25c"), None)
    told = f"median {ph.median:.3f}, from {ph.lowest:.3f} to {ph.highest:.3f}" if ph else "no result"
    alt = (
        f"Four charts over time for {cell.cell}: pH at 25 °C ({told}), conductivity, temperature, and "
        "the number "
        f"of determinations by outcome ({_counts(cell)}). {len(cell.episodes)} episodes are hatched."
    )
    grey = (
        "The grey band is what the stored readings show, through the calibration in force. " if found else ""
    )
    return figure(
        overview(pen, cell, found, span),
        alt,
        f"{cell.cell}: pH at 25 °C, raw conductivity, temperature and outcomes. {grey}"
        "Hatched stretches are episodes, numbered as in their table.",
    )


def _calibrations(part: Part, pen: Pen) -> Html:
    cell, title = part.cell, tag("h3", "Calibrations")
    if not cell.calibrations:
        fixed = "The ledger has no calibration of this cell until then; see its settings below."
        return joined([title, tag("p", fixed)])
    drawn = [
        figure(
            calibration_history(pen, cell.calibrations),
            f"Slope and zero of {len(cell.calibrations)} calibrations of {cell.cell} over time; the last "
            "has slope "
            f"{cell.calibrations[-1]['slope_pct']:.2f} % and zero {cell.calibrations[-1]['zero_mv']:.2f} "
            "mV.",
            "Slope and zero over time with expanded uncertainties (k = 2).",
        )
    ]
    drawn += [calibration_figure(pen, c) for c in cell.calibrations[-MOST_LINES:]]
    return joined(
        [title, calibration_table(cell.calibrations, part.times, f"{part.id}-calibrations"), *drawn]
    )


def line_of(c: Configuration) -> tuple[object, object]:
    """Return slope and zero, and where they come from."""
    if not c.calibrated:
        return NOT_KNOWN, "none: no pH was shown"
    shown = joined([number(c.slope_pct), " %, ", number(c.zero_mv), " mV"])
    return shown, c.calibration_id or "fixed in the configuration"


def what_changed(c: Configuration) -> str:
    """Return what is not as in the settings before, setting by setting."""
    if c.changed is None:
        return "the first of this cell"
    told = [
        f"{each.setting}: {_value(each.before)} → {_value(each.after)}"
        for each in c.changed
        if not each.setting.startswith(_OF_CALIBRATION)
    ]
    if len(told) < len(c.changed):
        told.append("the calibration")
    return "; ".join(told) or "nothing"


def _value(value: Json) -> str:
    """Return a setting, unless it is too long to be read in a table."""
    text = "none" if value is None else value if isinstance(value, str) else json.dumps(value)
    return text if len(text) <= _LONGEST_VALUE else "…"


def _settings(part: Part) -> Html:
    cell = part.cell
    rows: list[tuple[object, ...]] = [
        (
            joined(["record ", number(c.seq)]),
            part.times(c.at),
            what_changed(c),
            how_measured([c]),
            c.criterion,
            *line_of(c),
            digest(c.sha256),
        )
        for c in cell.configurations[-MOST_ROWS:]
    ]
    headers = (
        "Settings",
        "From",
        "What changed",
        "Mode",
        "Criterion",
        "Slope and zero",
        "Calibration",
        "SHA-256 of the record",
    )
    criteria: list[tuple[object, ...]] = [(name, digest(value)) for name, value in cell.criteria.items()]
    d = cell.digests
    covered = (
        tag("p", number(d.records), " digests (records ", number(d.first_seq), " to ",
        number(d.last_seq), ") cover ",
            number(d.readings), " readings.")
        if d.records
        else tag("p", "No digest of readings was recorded in the span.")
    )  # fmt: skip
    return joined(
        [
            tag("h3", "Settings and digests in force"),
            part.table("settings", "Settings of the cell", headers, rows),
            cut(len(cell.configurations)),
            part.table("criteria", "Criteria of the determinations", ("Criterion", "SHA-256"), criteria)
            if criteria
            else "",
            covered,
        ]
    )


def _counts(cell: CellReport) -> str:
    return ", ".join(f"{count} {verdict}" for verdict, count in cell.verdicts.items()) or "none"
