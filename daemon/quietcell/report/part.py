"""What the sections of a page about one cell have in common."""

from datetime import tzinfo

from quietcell.report.cell_report import CellReport
from quietcell.report.html import Html, Times, table, tag

MOST_ROWS = 60
"""Longer lists are cut on the page, which says so; the JSON has them whole."""


class Part:
    """The part of a page on one cell: what is told, in which time zone, and how its tables are named."""

    def __init__(self, cell: CellReport, zone: tzinfo) -> None:
        self.cell = cell
        self.times = Times(zone)
        self.id = f"cell-{cell.cell}"

    def table(
        self, name: str, caption: str, headers: tuple[str, ...], rows: list[tuple[object, ...]]
    ) -> Html:
        """Return a table whose name on the page is the cell's own."""
        return table(caption, headers, rows, id_=f"{self.id}-{name}")


def cut(whole: int) -> Html:
    """Say how many rows of so many are not listed, if any."""
    if whole <= MOST_ROWS:
        return Html("")
    return tag("p", f"{MOST_ROWS} of {whole} are listed; --json lists all.", class_="soft")
