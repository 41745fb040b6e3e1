"""A column that no record fills is told when the configuration is checked; it may be of the envelope."""

import csv
from pathlib import Path

import pytest

from quietcell.config import parse_config
from quietcell.config.outlets import CsvColumn, CsvSettings
from quietcell.outlets.csv_format import DETERMINATION_COLUMNS
from quietcell.service.beside import looked_at
from quietcell.service.drivers import InstalledDrivers
from quietcell.service.interface.columns import never_filled
from quietcell.service.outlets import csv_sheet
from tests.support.ledgers import ResultBody, open_ledger

CONFIGURATION = """
[site]
name = "merrow-sound"
[store]
folder = "state"
[cells.live-feed-room]
[outlets.files]
folder = "results"
[outlets.files.csv]
"""


def told(tmp_path: Path, form: str) -> list[str]:
    config = parse_config(CONFIGURATION + form, str(tmp_path / "quietcell.toml"), InstalledDrivers())
    return [line for line in looked_at(config)[1] if line.startswith("outlets.files.csv")]


def test_no_column_that_is_there_by_default_stays_empty(tmp_path: Path) -> None:
    assert never_filled([column.path for column in DETERMINATION_COLUMNS], ["determination"]) == []
    assert told(tmp_path, "") == []


@pytest.mark.parametrize(
    "path",
    ["ph_reported", "recorded_at", "calibration.buffers.0", "reasons.0", "qualifiers.12", "state"],
)
def test_a_path_into_any_of_the_kinds_or_what_is_around_them_is_taken(path: str) -> None:
    assert never_filled([path], ["determination", "alarm"]) == []


def test_a_mistyped_column_and_rows_without_columns_of_their_own_are_told(tmp_path: Path) -> None:
    (mistyped,) = told(tmp_path, 'columns = [{ path = "ph" }, { path = "ph_reportd" }]')
    assert mistyped == (
        "outlets.files.csv.columns: 'ph_reportd' is no field of determination; the column stays empty"
    )
    (rows,) = told(tmp_path, 'records = ["determination", "alarm"]')
    assert "rows of alarm have the columns of a determination" in rows


async def test_a_row_can_hold_what_is_around_its_record(tmp_path: Path) -> None:
    columns = tuple(CsvColumn(path=path) for path in ("seq", "id", "recorded_at", "time_quality"))
    sheet = csv_sheet(CsvSettings(columns=columns))
    ledger = open_ledger(tmp_path)
    body = ResultBody(
        id="live-feed-room.1.1",
        cell="live-feed-room",
        at="2026-11-25T09:52:29.744Z",
        verdict="accepted",
        text="",
    )
    (stored,) = await ledger.record([body])
    await ledger.close()
    envelope = stored.envelope()
    line = sheet.line(stored, envelope)
    assert line is not None
    assert next(csv.reader([line])) == [
        "1", "live-feed-room.1.1", envelope["recorded_at"], envelope["time_quality"],
    ]  # fmt: skip
