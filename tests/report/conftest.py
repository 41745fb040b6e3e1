"""A ledger of two cells over more than a day, with hostile text in it, and its report."""

from pathlib import Path

import pytest

from tests.support.command import ran
from tests.support.long_ledger import long_ledger
from tests.support.page_tables import Page
from tests.support.reporting import CELLS, DAYS

HOSTILE = "</td><script>alert(1)</script>\" onload='x' \u202e& <b>bold</b>"


@pytest.fixture(scope="session")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("report") / "ledger"
    long_ledger(place, cells=CELLS, days=DAYS, reading_s=20.0, text=HOSTILE)
    return place


@pytest.fixture(scope="session")
def page(folder: Path) -> Page:
    out = folder.parent / "report.html"
    ran("report", "--ledger", folder, "--from", "2026-06-01", "--out", out)
    return Page(out)
