"""Of a long span several cells are worked on at a time, each in a process of its own."""

import os
from pathlib import Path

import pytest

from quietcell.core.times import DAY_MS
from quietcell.errors import QuietcellError
from quietcell.report import build as module
from quietcell.report.build import build
from quietcell.report.cell_report import CellReport
from quietcell.report.indications import Indications
from quietcell.report.material import Span
from tests.support.long_ledger import long_ledger
from tests.support.long_water import BEGINS_UTC_MS

CELLS = ("header-tank", "larval-hall", "quarantine")
SPAN = Span(from_ms=BEGINS_UTC_MS, to_ms=BEGINS_UTC_MS + DAY_MS)
NOW = "2026-06-02T00:00:00.000Z"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("side-by-side") / "ledger"
    long_ledger(place, cells=CELLS, days=1.0, reading_s=120.0)
    return place


def named(report: CellReport, found: Indications | None, span: Span) -> str:
    """A part of a page."""
    assert found is not None
    return f"{report.cell}: {found.readings} readings, {len(report.rows)} determinations in {span}"


def ended(report: CellReport, found: Indications | None, span: Span) -> str:  # noqa: ARG001 # as `named`
    """End the process as the system does for want of memory."""
    os._exit(9)


def test_the_report_is_that_of_one_cell_after_the_other(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told: list[tuple[int, int]] = []
    one_by_one = build(folder, CELLS, SPAN, made_at=NOW, part=named)
    monkeypatch.setattr(module, "LONG_MS", 0)
    at_a_time = build(folder, CELLS, SPAN, made_at=NOW, part=named, tell=lambda *at: told.append(at))
    assert [cell.cell for cell in at_a_time.cells] == list(CELLS)
    assert at_a_time == one_by_one
    assert told[-1] == (3 * module.STEPS, 3 * module.STEPS)
    assert told == sorted(told)


def test_a_process_that_is_ended_from_outside_is_told_with_what_to_do(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "LONG_MS", 0)
    with pytest.raises(QuietcellError, match=r"ended from outside.*one cell at a time"):
        build(folder, CELLS, SPAN, made_at=NOW, part=ended)
