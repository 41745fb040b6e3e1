"""What tests of the report share: its command, and the stored records its tables are held against."""

import json
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

from quietcell.ledger.journal import FILE_NAME
from tests.support.page_tables import Page, Table

CELLS = ("header-tank", "larval-hall")
DAYS = 1.25
VALID = ("accepted", "qualified")


def bodies(folder: Path, kind: str, cell: str | None = None) -> list[dict[str, Any]]:
    """Stored bodies with their numbers, read with sqlite3 and json alone."""
    with closing(sqlite3.connect(f"file:{folder / FILE_NAME}?mode=ro", uri=True)) as database:
        rows = database.execute("SELECT seq, record FROM journal ORDER BY seq").fetchall()
    found = [{"seq": seq, **json.loads(record)["body"]} for seq, record in rows]
    return [b for b in found if b["record"] == kind and cell in {None, b["cell"]}]


def results(folder: Path, cell: str) -> list[dict[str, Any]]:
    """Stored determinations with a value."""
    return [b for b in bodies(folder, "determination", cell) if b["verdict"] in VALID]


def table(page: Page, cell: str, name: str) -> Table:
    """A table of a cell's part of the page."""
    return page.tables[f"cell-{cell}-{name}"]
