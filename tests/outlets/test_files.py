"""Daily files equal the journal whatever a crash leaves; a drop folder gets each result whole."""

import csv
import json
import os
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from quietcell.config.outlets import CsvSettings
from quietcell.ledger.chain import GENESIS, Envelope, Stored, digest
from quietcell.ledger.cursors import Cursor, Cursors
from quietcell.outlets.files import DailyFiles, DropFolder
from quietcell.service.outlets import csv_sheet, json_sheet


def stored(count: int, *, day: int = 25, first: int = 1, verdict: str = "accepted") -> list[Stored]:
    """Records of determinations, two days of them when there are more than four."""
    records: list[Stored] = []
    head = GENESIS
    for seq in range(first, first + count):
        envelope = Envelope(
            ledger="5779e4ce-91d7-4920-8a28-31753b333c2c",
            recorded_at=f"2026-11-{day + (seq > 4):02}T23:59:5{seq % 10}.000Z",
            time_quality="synchronised",
            software="quietcell 0",
            engine_version=1,
        )
        body = {
            "record": "determination",
            "id": f"live-feed-room.1.{seq}",
            "cell": "live-feed-room",
            "at": "2026-11-25T09:00:00.000Z",
            "ended": f"2026-11-25T09:00:0{seq % 10}.000Z",
            "verdict": verdict,
            "reasons": [],
            "ph": 6.61 + seq / 100,
            "operator": "=1+1",
        }
        records.append(envelope.seal(body, schema=1, seq=seq, previous=head))
        head = digest(records[-1].text)
    return records


def texts(folder: Path, pattern: str = "*.jsonl") -> str:
    return "".join(path.read_text() for path in sorted(folder.glob(pattern)))


def test_a_line_a_record_and_a_file_a_day(tmp_path: Path) -> None:
    cursors = Cursors(tmp_path)
    DailyFiles(tmp_path / "out", json_sheet(), cursors).write(stored(7))
    assert [p.name for p in sorted((tmp_path / "out").iterdir())] == [
        "records-2026-11-25.jsonl",
        "records-2026-11-26.jsonl",
    ]
    assert texts(tmp_path / "out") == "".join(record.text + "\n" for record in stored(7))
    cursors.close()


@given(
    batches=st.lists(st.integers(1, 4), min_size=1, max_size=4),
    crash_after=st.integers(0, 3),
    torn_bytes=st.integers(0, 900),
)
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_a_crash_between_write_and_cursor_neither_loses_nor_doubles_a_line(
    tmp_path_factory: pytest.TempPathFactory, batches: list[int], crash_after: int, torn_bytes: int
) -> None:
    folder = tmp_path_factory.mktemp("crash")
    records = stored(sum(batches))
    cursors = Cursors(folder)
    files = DailyFiles(folder / "out", json_sheet(), cursors)
    at = 0
    for number, size in enumerate(batches):
        before = cursors.get("files.jsonl")
        files.write(records[at : at + size])
        at += size
        if number == crash_after:
            # The cursor did not get as far as the bytes, of which a part reached the disk.
            detail = before.detail or {"file": cursors.get("files.jsonl").detail["file"], "bytes": 0}
            day = cursors.get("files.jsonl").detail["file"]
            if detail["file"] != day:
                break  # the cursor always names the file before bytes go into it
            path = folder / "out" / day
            os.truncate(path, max(detail["bytes"], path.stat().st_size - torn_bytes))
            cursors.put("files.jsonl", Cursor(before.seq, detail))
            break
    again = DailyFiles(folder / "out", json_sheet(), cursors)
    if left := [record for record in records if record.seq > again.seq]:
        again.write(left)
    assert texts(folder / "out") == "".join(record.text + "\n" for record in records)
    cursors.close()


def test_csv_agrees_with_json_field_by_field_and_is_safe_to_open(tmp_path: Path) -> None:
    cursors = Cursors(tmp_path)
    settings_ = CsvSettings.model_validate({"delimiter": ";", "decimal_comma": True}, strict=False)
    DailyFiles(tmp_path / "out", json_sheet(), cursors).write(stored(4))
    DailyFiles(tmp_path / "out", csv_sheet(settings_), cursors).write(stored(4))
    with (tmp_path / "out" / "determinations-2026-11-25.csv").open(newline="") as file:
        rows = list(csv.DictReader(file, delimiter=";"))
    envelopes = [json.loads(line) for line in texts(tmp_path / "out").splitlines()]
    assert len(rows) == len(envelopes) == 4
    for row, envelope in zip(rows, envelopes, strict=True):
        body = envelope["body"]
        assert float(row["ph"].replace(",", ".")) == body["ph"]
        assert int(row["seq"]) == envelope["seq"]
        assert (row["id"], row["verdict"]) == (body["id"], body["verdict"])
        assert row["operator"] == "'=1+1"
    cursors.close()


def test_other_columns_begin_another_file(tmp_path: Path) -> None:
    cursors = Cursors(tmp_path)
    DailyFiles(tmp_path / "out", csv_sheet(CsvSettings()), cursors).write(stored(1))
    other = CsvSettings.model_validate({"columns": [{"path": "ph", "name": "pH"}]}, strict=False)
    DailyFiles(tmp_path / "out", csv_sheet(other), cursors).write(stored(2)[1:])
    assert (tmp_path / "out" / "determinations-2026-11-25-2.csv").read_bytes() == b"pH\r\n6.63\r\n"
    cursors.close()


def test_a_folder_that_cannot_be_written_keeps_the_cursor(tmp_path: Path) -> None:
    cursors = Cursors(tmp_path)
    (tmp_path / "out").write_text("a file stands in the way")
    files = DailyFiles(tmp_path / "out", json_sheet(), cursors)
    with pytest.raises(OSError, match="exists"):
        files.write(stored(2))
    assert files.seq == 0
    (tmp_path / "out").unlink()
    files.write(stored(2))
    assert files.seq == 2
    cursors.close()


def test_a_clock_that_goes_back_a_day_doubles_and_loses_nothing(tmp_path: Path) -> None:
    cursors = Cursors(tmp_path)
    files = DailyFiles(tmp_path / "out", json_sheet(), cursors)
    files.write(stored(2, day=26))
    files.write(stored(2, day=25, first=3))
    files.write(stored(2, day=26, first=5))
    lines = texts(tmp_path / "out").splitlines()
    assert sorted(json.loads(line)["seq"] for line in lines) == [1, 2, 3, 4, 5, 6]
    cursors.close()


def test_the_drop_folder_gets_each_result_once_and_nothing_else(tmp_path: Path) -> None:
    cursors = Cursors(tmp_path)
    drop = DropFolder(tmp_path / "drop", cursors)
    drop.write(stored(2))
    drop.write(stored(1, first=3, verdict="refused"))
    names = sorted(path.name for path in (tmp_path / "drop").iterdir())
    assert names == [
        "20261125T090001000Z_live-feed-room_000000001.json",
        "20261125T090002000Z_live-feed-room_000000002.json",
    ]
    assert (tmp_path / "drop" / names[0]).read_text() == stored(1)[0].text
    cursors.put("files.drop", Cursor(1, {}))  # as a crash before the last cursor leaves it
    again: Any = DropFolder(tmp_path / "drop", cursors)
    again.write(stored(2)[1:])
    assert sorted(path.name for path in (tmp_path / "drop").iterdir()) == names
    cursors.close()
