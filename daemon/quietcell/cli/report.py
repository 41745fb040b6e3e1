"""``quietcell report``: what the ledger holds of a span, as a page to read, print and sign."""

import sys
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import asdict, replace
from datetime import UTC, date, datetime, tzinfo
from functools import partial
from pathlib import Path
from zoneinfo import ZoneInfo

import click

from quietcell.cli.checked import checked
from quietcell.cli.options import Number, Place, ledger_options, outside, print_json, whole_file
from quietcell.core.records import Json
from quietcell.core.times import DAY_MS, rfc3339, utc_ms
from quietcell.errors import QuietcellError, UsageError
from quietcell.ledger.journal import Journal
from quietcell.ledger.readings_files import ReadingsFiles
from quietcell.report.build import LedgerFacts, Report, Tell, build
from quietcell.report.cell_part import cell_part
from quietcell.report.excursions import limits_from
from quietcell.report.indications import Traces
from quietcell.report.material import Span, whole_span
from quietcell.report.pen import Pen
from quietcell.report.single import (
    CalibrationReport,
    DeterminationReport,
    calibration_report,
    determination_report,
)
from quietcell.service.clock import SystemClock

_LAST_MS = 253_370_764_800_000
"""When 9999 begins, UTC: time zones need room."""
_USUAL_DAYS = 7.0


@click.command("report")
@ledger_options
@click.option("--cell", "cells", multiple=True, help="Only this cell; may be given several times.")
@click.option(
    "--from", "from_text", metavar="TIME", help="Beginning: a day (2026-03-01) or a time with zone."
)
@click.option("--to", "to_text", metavar="TIME", help="End, not included. Absent: the last record.")
@click.option(
    "--days",
    type=Number(min=0, min_open=True, max=100_000),
    help=f"So many days up to the end, in place of --from; {_USUAL_DAYS:g} where neither is given.",
)
@click.option("--determination", metavar="ID", help="Report on one determination, in place of a span.")
@click.option("--calibration", metavar="ID", help="Report on one calibration, in place of a span.")
@click.option("--out", type=click.Path(dir_okay=False, path_type=Path), help="The HTML file to write.")
@click.option("--json", "as_json", is_flag=True, help="Print the same numbers as JSON.")
@click.option(
    "--time-zone",
    "zone_name",
    default="UTC",
    show_default=True,
    help="Show times, and part days, as there; a name such as Atlantic/Reykjavik.",
)
@click.option(
    "--limit",
    "limits",
    multiple=True,
    metavar="NAME=NUMBER",
    help="Measure excursions by this, named as in [cells.NAME.limits], and not by the configured limits.",
)
@click.option("--readings/--no-readings", default=True, help="Look at the stored readings, or do not.")
@click.option(
    "--verify", "verifying", is_flag=True, help="Verify the whole ledger, and say so in the report."
)
def command(
    place: Place,
    *,
    cells: tuple[str, ...],
    from_text: str | None,
    to_text: str | None,
    days: float | None,
    determination: str | None,
    calibration: str | None,
    out: Path | None,
    as_json: bool,
    zone_name: str,
    limits: tuple[str, ...],
    readings: bool,
    verifying: bool,
) -> int:
    """Report on a span, a cell, a determination or a calibration.

    Writes one HTML file that needs nothing else: figures, the share of time with a valid result and why not,
    excursions as the readings show them, uncertainty with its parts apart, doubts, calibrations, digests, and
    a field for a reviewer. It only reads; the daemon may go on running.

        quietcell report --config quietcell.toml --days 30 --out month.html

        quietcell report --ledger state --determination live-feed-room.1.14 --out one.html

    Ends with status 1 too where the ledger is damaged.
    """
    if out is None and not as_json:
        raise UsageError("nowhere to write to", hint="Give --out FILE.html, or --json")
    if determination is not None or calibration is not None:
        spanning = [cells, from_text, to_text, days, limits]
        if any(spanning) or None not in (determination, calibration):
            raise UsageError(
                "name one of --determination, --calibration, or a span with its cells and limits"
            )
    zone, folder = _zone(zone_name), place.folder()
    if out is not None:
        outside(out, folder)
    pen = None if out is None else Pen(zone)  # before the work: without the library there is nothing to draw
    verified = _verified(folder, quiet=as_json) if verifying else None
    made_at = rfc3339(SystemClock().utc_ms())
    with _progress(quiet=as_json) as tell:
        report: Report | DeterminationReport | CalibrationReport
        around = None
        if determination is not None:
            report, around = determination_report(
                folder, determination, made_at=made_at, time_zone=zone_name, readings=readings
            )
        elif calibration is not None:
            report = calibration_report(folder, calibration, made_at=made_at, time_zone=zone_name)
        else:
            chosen = _cells(folder, cells)
            span = _span(folder, from_text, to_text, days, zone)
            own = limits_from(limits) if limits else None
            report = build(
                folder,
                chosen,
                span,
                made_at=made_at,
                zone=zone,
                limits=own,
                readings=readings,
                part=None if pen is None else partial(cell_part, zone=zone),
                rows=as_json,
                tell=tell,
            )
        report = replace(report, ledger=replace(report.ledger, verified=verified))
        if out is not None and pen is not None:
            _write(out, _html(report, around, pen))
    if as_json:
        print_json(_plain(report))
    fault = _fault(report.ledger)
    if fault is not None:
        click.echo(f"quietcell: the ledger is damaged: {fault}", err=True)
    return 0 if fault is None else 1


def _html(report: Report | DeterminationReport | CalibrationReport, around: Traces | None, pen: Pen) -> str:
    from quietcell.report.page import page  # noqa: PLC0415 # only who writes a page pays for it
    from quietcell.report.sheets import calibration_page, determination_page  # noqa: PLC0415 # same

    if isinstance(report, DeterminationReport):
        return determination_page(report, around, pen)
    return page(report, pen.zone) if isinstance(report, Report) else calibration_page(report, pen)


def _plain(report: Report | DeterminationReport | CalibrationReport) -> dict[str, Json]:
    plain = asdict(replace(report, parts={}) if isinstance(report, Report) else report)
    plain.pop("parts", None)
    return plain


def _write(path: Path, html: str) -> None:
    with whole_file(path) as file:
        file.write(html)
    click.echo(f"{path}: {path.stat().st_size / 1e6:.1f} MB", err=True)


def _fault(ledger: LedgerFacts) -> str | None:
    """Return what is wrong with the ledger, None where nothing is."""
    if ledger.verified is not None and not ledger.verified["sound"]:
        return str(ledger.verified["fault"])
    return None if ledger.links is None or ledger.links.sound else ledger.links.fault


def _zone(name: str) -> tzinfo:
    if name == "UTC":
        return UTC
    try:
        return ZoneInfo(name)
    except (ValueError, OSError, KeyError) as error:
        raise UsageError(
            f"--time-zone {name!r} is not known here", hint="Write it like UTC or Atlantic/Reykjavik"
        ) from error


def _cells(folder: Path, wanted: Sequence[str]) -> list[str]:
    with Journal(folder) as journal:
        known = journal.cells()
    for name in wanted:
        if name not in known:
            raise UsageError(f"--cell {name!r}: the ledger has {', '.join(known) or 'no cell'}")
    if not known:
        raise QuietcellError("no cell was measured yet; there is nothing to report on", subject=str(folder))
    return list(dict.fromkeys(wanted)) or known


def _span(folder: Path, from_text: str | None, to_text: str | None, days: float | None, zone: tzinfo) -> Span:
    if from_text is not None and days is not None:
        raise UsageError("give --from or --days, not both")
    with Journal(folder) as journal:
        whole = whole_span(journal)
    if whole is None:
        raise QuietcellError("nothing is recorded yet", subject=str(folder))
    to_ms = whole.to_ms if to_text is None else _instant("--to", to_text, zone)
    if from_text is not None:
        from_ms = _instant("--from", from_text, zone)
    else:
        from_ms = max(0, to_ms - round((_USUAL_DAYS if days is None else days) * DAY_MS))
        if days is None:
            from_ms = max(from_ms, min(whole.from_ms, to_ms - 1))  # a young ledger has no empty days before
    if from_ms >= to_ms:
        raise UsageError(f"the span is empty: from {rfc3339(from_ms)} to {rfc3339(to_ms)}")
    return Span(from_ms=from_ms, to_ms=to_ms)


def _instant(option: str, text: str, zone: tzinfo) -> int:
    """Return a day's beginning in the zone, or an instant, as UTC ms."""
    try:
        if len(text) == len("2026-03-01"):
            day = date.fromisoformat(text)
            at_ms = round(datetime(day.year, day.month, day.day, tzinfo=zone).timestamp() * 1000)
        else:
            at_ms = utc_ms(text)
    except (ValueError, OverflowError) as error:
        raise UsageError(
            f"{option} {text!r} is neither a day nor a time with zone",
            hint="Write 2026-03-01 or 2026-03-01T08:00:00Z",
        ) from error
    if not 0 <= at_ms < _LAST_MS:
        raise UsageError(f"{option} {text!r} lies before 1970 or behind 9998")
    return at_ms


def _verified(folder: Path, *, quiet: bool) -> dict[str, Json]:
    with Journal(folder) as journal, closing(ReadingsFiles(folder, read_only=True)) as files:
        return checked(journal, files, quiet=quiet)


@contextmanager
def _progress(*, quiet: bool) -> Iterator[Tell]:
    """Show how far the work is."""
    if quiet:
        yield lambda done, whole: None  # noqa: ARG005 # nobody looks
        return
    with click.progressbar(length=1, label="Reporting", file=sys.stderr) as bar:

        def tell(done: int, whole: int) -> None:
            bar.length = whole
            bar.update(done - bar.pos)

        yield tell
