"""A report on a span as one page of HTML: no script, nothing from elsewhere."""

from collections.abc import Iterable
from datetime import tzinfo

from quietcell.report.build import Report
from quietcell.report.cell_report import CellReport
from quietcell.report.coverage import VALID
from quietcell.report.frame import checking, document, provenance, review
from quietcell.report.html import NOT_KNOWN, Html, Times, joined, number, table, tag, words


def page(report: Report, zone: tzinfo) -> str:
    """Return the report as a page of HTML.

    Parameters
    ----------
    report : Report
        What it says, with the parts of its cells.
    zone : tzinfo
        Of its times.
    """
    times = Times(zone)
    site = f" of {report.ledger.counted.site}" if report.ledger.counted.site else ""
    title = f"pH report{site}"
    stretch = joined(["From ", times(report.from_at), " to ", times(report.to_at), "."])
    cells = [cell.cell for cell in report.cells]
    parts = [
        tag("header", tag("h1", title), tag("p", stretch, class_="big"), tag("p", f"Cells: {words(cells)}.")),
        _contents(cells),
        provenance(
            report.ledger, report.made_by, report.made_at, report.engine_version, report.time_zone, times
        ),
        tag("h2", "Summary", id="summary", class_="first"),
        _summary(report),
        *(Html(report.parts[cell.cell]) for cell in report.cells),
        checking(report.ledger),
        review(),
    ]
    return document(title, joined(parts))


def _contents(cells: Iterable[str]) -> Html:
    places = [("summary", "Summary"), *((f"cell-{cell}", cell) for cell in cells)]
    places += [("check", "How to check this report"), ("review", "Review")]
    return tag(
        "nav",
        tag("ul", *(tag("li", tag("a", name, href=f"#{at}")) for at, name in places)),
        aria_label="Contents",
    )


def _summary(report: Report) -> Html:
    rows = []
    for cell in report.cells:
        ph = next((s for s in cell.spreads if s.quantity == "ph_25c"), None)
        rows.append(
            (
                tag("a", cell.cell, href=f"#cell-{cell.cell}"),
                cell.sample_point or NOT_KNOWN,
                number(cell.verdicts.get("accepted", 0)),
                number(cell.verdicts.get("qualified", 0)),
                number(_not_valid(cell)),
                number(cell.in_doubt),
                number(cell.valid_pct, 1),
                number(ph.median if ph else None, 3),
                joined([number(ph.lowest, 3), " to ", number(ph.highest, 3)]) if ph else NOT_KNOWN,
                number(len(cell.episodes)),
                number(len(cell.excursions)) if cell.readings is not None and cell.limits else NOT_KNOWN,
            )
        )
    headers = (
        "Cell", "Sample point", "Accepted", "Qualified", "Refused", "In doubt", "Time with a valid result, %",
        "Median pH at 25 °C", "Lowest to highest", "Episodes", "Excursions",
    )  # fmt: skip
    return table("Every cell in one line", headers, rows, id_="summary-table")


def _not_valid(cell: CellReport) -> int:
    return cell.determinations - sum(cell.verdicts.get(verdict, 0) for verdict in VALID)
