"""Daily files equal the journal whatever a crash leaves; a drop folder gets each result whole."""

import csv
import errno
import json
import os
import stat
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from unittest.mock import Mock, patch

import pytest
import structlog
from hypothesis import given, settings
from hypothesis import strategies as st

from quietcell.config.outlets import CsvSettings
from quietcell.core.records import Json
from quietcell.ledger.canonical import canonical
from quietcell.ledger.chain import GENESIS, Envelope, Stored, digest
from quietcell.ledger.cursors import Cursor, Cursors
from quietcell.outlets.files import DailyFiles, DropFolder, Sheet
from quietcell.service.outlets import csv_sheet, json_sheet

HEADED = Sheet(
    name="headed", stem="headed", suffix="txt", header="text\n", line=lambda record, _: record.text + "\n"
)


def stored(days: Sequence[int], *, first: int = 1, **values: Json) -> list[Stored]:
    """Records of determinations, each stored on its day of the month."""
    records: list[Stored] = []
    for seq, day in enumerate(days, first):
        envelope = Envelope(
            ledger="5779e4ce-91d7-4920-8a28-31753b333c2c",
            recorded_at=f"2026-11-{day:02}T23:59:5{seq % 10}.000Z",
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
            "verdict": "accepted",
            "reasons": [],
            "ph": 6.61 + seq / 100,
            "operator": "=1+1",
            **values,
        }
        head = digest(records[-1].text) if records else GENESIS
        records += envelope.seal([(canonical(body), 1)], behind=(seq - 1, head))[0]
    return records


def texts(folder: Path, pattern: str = "*.jsonl") -> str:
    return "".join(path.read_text() for path in sorted(folder.glob(pattern)))


def lines(records: Sequence[Stored]) -> str:
    return "".join(record.text + "\n" for record in records)


@pytest.fixture
def cursors(tmp_path: Path) -> Iterator[Cursors]:
    cursors = Cursors(tmp_path)
    yield cursors
    cursors.close()


class KilledError(BaseException):
    """Ends the writer as SIGKILL would: nothing runs after it."""


@contextmanager
def killed_at(step: int) -> Iterator[None]:
    """Kill at the given one of all steps that leave a trace on the disk; with none left, do nothing."""
    left = step

    def deadly(work: Callable[..., Any]) -> Callable[..., Any]:
        def run(*arguments: Any) -> Any:
            nonlocal left
            left -= 1
            if left == 0:
                raise KilledError
            done = work(*arguments)
            left -= 1
            if left == 0:
                raise KilledError
            return done

        return run

    with (
        patch.object(Cursors, "put", deadly(Cursors.put)),
        patch("quietcell.outlets.files.os.fsync", deadly(os.fsync)),
        patch("quietcell.outlets.files.os.truncate", deadly(os.truncate)),
        patch.object(Path, "rename", deadly(Path.rename)),
    ):
        try:
            yield
        except KilledError:
            return


def tear(cursor: Cursor, part: float) -> None:
    """Take back a part of the bytes the cursor does not know of, as if they had not reached the disk."""
    path = Path(cursor.detail.get("file", ""))
    if path.is_file():
        known, size = cursor.detail["bytes"], path.stat().st_size
        os.truncate(path, known + round((size - known) * part))


def test_a_line_a_record_and_a_file_a_day(tmp_path: Path, cursors: Cursors) -> None:
    records = stored([25] * 4 + [26] * 3)
    DailyFiles(tmp_path / "out", json_sheet(), cursors).write(records)
    assert [p.name for p in sorted((tmp_path / "out").iterdir())] == [
        "records-2026-11-25.jsonl",
        "records-2026-11-26.jsonl",
    ]
    assert texts(tmp_path / "out") == lines(records)


@pytest.mark.parametrize("sheet", [json_sheet(), HEADED], ids=lambda sheet: sheet.stem)
@given(
    batches=st.lists(st.lists(st.integers(24, 26), min_size=1, max_size=4), min_size=1, max_size=4),
    kills=st.lists(st.tuples(st.integers(1, 30), st.floats(0, 1)), max_size=4),
)
@settings(max_examples=60, deadline=None)
def test_kills_at_any_step_neither_lose_nor_double_a_line_whatever_way_the_date_goes(
    sheet: Sheet, batches: list[list[int]], kills: list[tuple[int, float]]
) -> None:
    days = [day for batch in batches for day in batch]
    records = stored(days)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        cursors = Cursors(folder)
        for step, part in [*kills, (0, 0.0)]:
            files = DailyFiles(folder / "out", sheet, cursors)
            with killed_at(step):
                end = 0
                for batch in batches:
                    end += len(batch)
                    if left := records[files.seq : end]:
                        files.write(left)
            if step:
                tear(cursors.get(sheet.name), part)
        cursors.close()
        assert len(list((folder / "out").iterdir())) == len(set(days))
        for day in set(days):
            expected = [record for record, its in zip(records, days, strict=True) if its == day]
            path = folder / "out" / f"{sheet.stem}-2026-11-{day}.{sheet.suffix}"
            assert path.read_text() == sheet.header + lines(expected)


@given(
    batches=st.lists(st.integers(1, 4), min_size=1, max_size=4),
    kills=st.lists(st.integers(1, 30), max_size=4),
)
@settings(max_examples=60, deadline=None)
def test_kills_at_any_step_leave_each_result_once_and_whole_in_the_drop_folder(
    batches: list[int], kills: list[int]
) -> None:
    records = stored([25] * sum(batches))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        cursors = Cursors(folder)
        for step in [*kills, 0]:
            drop = DropFolder(folder / "drop", cursors)
            with killed_at(step):
                end = 0
                for size in batches:
                    end += size
                    if left := records[drop.seq : end]:
                        drop.write(left)
            for path in (folder / "drop").glob("*.json"):  # a reader may come at any time
                assert json.loads(path.read_text())["ledger"]
        cursors.close()
        files = sorted((folder / "drop").iterdir())
        assert sorted(path.read_text() for path in files) == sorted(record.text for record in records)


def test_csv_agrees_with_json_field_by_field_and_is_safe_to_open(tmp_path: Path, cursors: Cursors) -> None:
    form = CsvSettings.model_validate({"delimiter": ";", "decimal_comma": True}, strict=False)
    DailyFiles(tmp_path / "out", json_sheet(), cursors).write(stored([25] * 4))
    DailyFiles(tmp_path / "out", csv_sheet(form), cursors).write(stored([25] * 4))
    with (tmp_path / "out" / "determinations-2026-11-25.csv").open(newline="") as file:
        rows = list(csv.DictReader(file, delimiter=";"))
    envelopes = [json.loads(line) for line in texts(tmp_path / "out").splitlines()]
    assert len(rows) == len(envelopes) == 4
    for row, envelope in zip(rows, envelopes, strict=True):
        fields = {**envelope["body"], "seq": envelope["seq"], "ledger": envelope["ledger"]}
        for column, cell in row.items():
            value = fields.get(column)
            if value is None or value == []:
                assert cell == ""
            elif isinstance(value, float):
                assert float(cell.replace(",", ".")) == value
            elif column == "operator":
                assert cell == "'=1+1"
            else:
                assert cell == str(value)


def test_only_the_kinds_asked_for_are_written_and_the_cursor_passes_the_others(
    tmp_path: Path, cursors: Cursors
) -> None:
    files = DailyFiles(tmp_path / "out", json_sheet(["determination"]), cursors)
    files.write([*stored([25]), *stored([25], first=2, record="note")])
    assert texts(tmp_path / "out") == lines(stored([25]))
    assert DailyFiles(tmp_path / "out", json_sheet(), cursors).seq == 2


def test_other_columns_begin_another_file_and_the_same_go_on_in_the_first(
    tmp_path: Path, cursors: Cursors
) -> None:
    other = CsvSettings.model_validate({"columns": [{"path": "ph", "name": "pH"}]}, strict=False)
    for seq, form in enumerate([CsvSettings(), other, CsvSettings(), other], 1):
        DailyFiles(tmp_path / "out", csv_sheet(form), cursors).write(stored([25], first=seq))
    assert (tmp_path / "out" / "determinations-2026-11-25-2.csv").read_bytes() == b"pH\r\n6.63\r\n6.65\r\n"
    assert (tmp_path / "out" / "determinations-2026-11-25.csv").read_text().count("live-feed-room.1") == 2


def test_decimal_commas_and_points_are_not_mixed_in_one_file(tmp_path: Path, cursors: Cursors) -> None:
    shape = {"columns": [{"path": "ph", "name": "pH", "decimals": 2}], "delimiter": ";"}
    points, commas = (
        CsvSettings.model_validate({**shape, "decimal_comma": comma}, strict=False) for comma in (False, True)
    )
    for seq, form in enumerate([points, commas, points, commas], 1):
        DailyFiles(tmp_path / "out", csv_sheet(form), cursors).write(stored([25], first=seq))
    assert (tmp_path / "out" / "determinations-2026-11-25.csv").read_bytes() == b"pH\r\n6.62\r\n6.64\r\n"
    assert (tmp_path / "out" / "determinations-2026-11-25-2.csv").read_bytes() == b"pH\r\n6,63\r\n6,65\r\n"


def test_a_folder_that_cannot_be_written_keeps_the_cursor(tmp_path: Path, cursors: Cursors) -> None:
    (tmp_path / "out").write_text("a file stands in the way")
    files = DailyFiles(tmp_path / "out", json_sheet(), cursors)
    with pytest.raises(OSError, match="exists"):
        files.write(stored([25] * 2))
    assert files.seq == 0
    (tmp_path / "out").unlink()
    files.write(stored([25] * 2))
    assert files.seq == 2


def test_a_write_that_failed_half_way_is_cut_off_before_the_next_attempt(
    tmp_path: Path, cursors: Cursors, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_room(_descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    files = DailyFiles(tmp_path / "out", json_sheet(), cursors)
    with monkeypatch.context() as patched:
        patched.setattr(os, "fsync", no_room)
        with pytest.raises(OSError, match="No space left"):
            files.write(stored([25] * 2))
    files.write(stored([25] * 2))
    assert texts(tmp_path / "out") == lines(stored([25] * 2))


def test_another_folder_of_the_same_day_is_not_cut_to_the_length_of_the_first(
    tmp_path: Path, cursors: Cursors
) -> None:
    records = stored([25] * 4)
    DailyFiles(tmp_path / "first", json_sheet(), cursors).write(records[:2])
    DailyFiles(tmp_path / "second", json_sheet(), cursors).write(records[2:3])
    DailyFiles(tmp_path / "first", json_sheet(), cursors).write(records[3:])
    assert texts(tmp_path / "first") == lines([*records[:2], records[3]])
    assert texts(tmp_path / "second") == lines(records[2:3])


@pytest.mark.parametrize("left", [0, 1, 700])
def test_a_file_that_somebody_shortened_goes_on_with_whole_lines(
    tmp_path: Path, cursors: Cursors, left: int
) -> None:
    records = stored([25] * 4)
    DailyFiles(tmp_path / "out", json_sheet(), cursors).write(records[:3])
    path = tmp_path / "out" / "records-2026-11-25.jsonl"
    os.truncate(path, left)
    with killed_at(4):  # the cursor knows the new length; the line is written and not yet synced
        DailyFiles(tmp_path / "out", json_sheet(), cursors).write(records[3:])
    DailyFiles(tmp_path / "out", json_sheet(), cursors).write(records[3:])
    kept = left // len(records[0].text)
    assert path.read_text() == lines([*records[:kept], records[3]])


@pytest.mark.parametrize("sheet", [json_sheet(), HEADED], ids=lambda sheet: sheet.stem)
def test_what_a_restored_ledger_lacks_stays_beside_the_daily_file(
    tmp_path: Path, cursors: Cursors, sheet: Sheet
) -> None:
    records = stored([25] * 4)
    DailyFiles(tmp_path / "out", sheet, cursors).write(records[:2])
    at_backup = cursors.get(sheet.name)
    DailyFiles(tmp_path / "out", sheet, cursors).write(records[2:])
    for others in (stored([25] * 2, first=3, verdict="refused"), stored([25], first=3, verdict="qualified")):
        cursors.put(sheet.name, at_backup)
        with structlog.testing.capture_logs() as logs:
            DailyFiles(tmp_path / "out", sheet, cursors).write(others)
        assert len(logs) == 1
    (path,) = (tmp_path / "out").glob(f"*.{sheet.suffix}")
    assert path.read_text() == sheet.header + lines([*records[:2], *others])
    first, second = sorted((tmp_path / "out").glob("*.not-in-ledger-*"))
    assert first.read_text() == lines(records[2:])
    assert second.read_text() == lines(stored([25] * 2, first=3, verdict="refused"))


def test_a_restart_finds_its_file_as_it_left_it_and_says_nothing(tmp_path: Path, cursors: Cursors) -> None:
    with structlog.testing.capture_logs() as logs:
        for first in (1, 3):
            DailyFiles(tmp_path / "out", json_sheet(), cursors).write(stored([25, 25], first=first))
    assert logs == []
    assert texts(tmp_path / "out").count("\n") == 4


def test_a_file_saved_without_its_last_line_end_meanwhile_gets_no_two_records_in_one_line(
    tmp_path: Path, cursors: Cursors
) -> None:
    records = stored([25] * 3)
    files = DailyFiles(tmp_path / "out", HEADED, cursors)
    files.write(records[:2])
    path = tmp_path / "out" / "headed-2026-11-25.txt"
    path.write_text(path.read_text().rstrip("\n"))
    files.write(records[2:])
    assert path.read_text() == "text\n" + lines(records)


def test_a_file_that_was_taken_away_begins_anew(tmp_path: Path, cursors: Cursors) -> None:
    records = stored([25] * 3)
    files = DailyFiles(tmp_path / "out", HEADED, cursors)
    files.write(records[:2])
    (tmp_path / "out" / "headed-2026-11-25.txt").unlink()
    files.write(records[2:])
    assert texts(tmp_path / "out", "*.txt") == "text\n" + lines(records[2:])


def test_the_drop_folder_gets_results_alone_under_names_that_sort_by_time(
    tmp_path: Path, cursors: Cursors
) -> None:
    drop = DropFolder(tmp_path / "drop", cursors)
    drop.write([*stored([25] * 2), *stored([25], first=3, verdict="refused")])
    drop.write(stored([25], first=4, verdict="qualified"))
    drop.write(stored([25], first=5, record="note"))
    assert (drop.seq, cursors.get(drop.name).seq) == (5, 5)  # or that were looked at without end
    assert sorted(path.name for path in (tmp_path / "drop").iterdir()) == [
        "20261125T090001000Z_live-feed-room_000000001.json",
        "20261125T090002000Z_live-feed-room_000000002.json",
        "20261125T090004000Z_live-feed-room_000000004.json",
    ]


def test_a_share_that_syncs_no_folders_takes_files_all_the_same(
    tmp_path: Path, cursors: Cursors, monkeypatch: pytest.MonkeyPatch
) -> None:
    sync = os.fsync

    def of_files_alone(descriptor: int) -> None:
        if stat.S_ISDIR(os.fstat(descriptor).st_mode):
            raise OSError(errno.EINVAL, "Invalid argument")
        sync(descriptor)

    monkeypatch.setattr(os, "fsync", of_files_alone)
    records = stored([25] * 2)
    DropFolder(tmp_path / "drop", cursors).write(records)
    DailyFiles(tmp_path / "out", json_sheet(), cursors).write(records)
    assert len(list((tmp_path / "drop").iterdir())) == 2
    assert texts(tmp_path / "out") == lines(records)


def test_the_drop_folder_gets_doubts_about_results_too(tmp_path: Path, cursors: Cursors) -> None:
    doubt = stored([25], record="doubt", at="2026-11-25T10:00:00.000Z")
    DropFolder(tmp_path / "drop", cursors).write(doubt)
    (path,) = (tmp_path / "drop").iterdir()
    assert path.name == "20261125T100000000Z_live-feed-room_000000001.json"
    assert path.read_text() == doubt[0].text


def test_a_dropped_file_that_was_taken_away_does_not_come_again_for_a_later_one_that_failed(
    tmp_path: Path, cursors: Cursors
) -> None:
    drop, records = DropFolder(tmp_path / "drop", cursors), stored([25] * 2)
    with patch.object(Path, "rename", side_effect=[Mock(), OSError(28, "full")]) as moved:
        with pytest.raises(OSError, match="full"):
            drop.write(records)
        assert moved.call_count == 2
    drop.write(records[drop.seq :])
    (path,) = (tmp_path / "drop").glob("*.json")
    assert path.read_text() == records[1].text


def test_a_dropped_file_is_never_overwritten(tmp_path: Path, cursors: Cursors) -> None:
    (tmp_path / "drop").mkdir()
    foreign = tmp_path / "drop" / "20261125T090001000Z_live-feed-room_000000001.json"
    foreign.write_text("somebody else's")
    DropFolder(tmp_path / "drop", cursors).write(stored([25]))
    cursors.put(DropFolder.name, Cursor(0, {}))  # as a crash before the cursor leaves it
    DropFolder(tmp_path / "drop", cursors).write(stored([25]))
    assert foreign.read_text() == "somebody else's"
    (other,) = (path for path in (tmp_path / "drop").iterdir() if path != foreign)
    assert (other.name, other.read_text()) == (f"{foreign.stem}-2.json", stored([25])[0].text)


@pytest.mark.parametrize("name", ["headed-2026-11-25.txt", "drop"])
@pytest.mark.parametrize("planted", ["link", "pipe", "link to nothing"])
def test_a_link_or_a_pipe_put_in_the_place_of_a_file_is_neither_followed_nor_waited_for(
    tmp_path: Path, cursors: Cursors, name: str, planted: str
) -> None:
    private, out, records = tmp_path / "journal", tmp_path / "out", stored([25])
    private.write_text("only the daemon may write this")
    out.mkdir()
    dropped = "20261125T090001000Z_live-feed-room_000000001.json"
    names = [dropped, f".{dropped}.part"] if name == "drop" else [name]
    for each in names:
        if planted == "pipe":
            os.mkfifo(out / each)
        else:
            (out / each).symlink_to(private if planted == "link" else tmp_path / "nothing")
    if name == "drop":
        DropFolder(out, cursors).write(records)
        (path,) = (path for path in out.iterdir() if path.is_file() and not path.is_symlink())
        assert path.read_text() == records[0].text
    else:
        files = DailyFiles(out, HEADED, cursors)
        with pytest.raises(OSError, match="is a link, or no plain file; remove it"):
            files.write(records)
        (out / name).unlink()
        files.write(records)
        assert (out / name).read_text() == "text\n" + lines(records)
    assert private.read_text() == "only the daemon may write this"
    assert not (tmp_path / "nothing").exists()


def test_a_daily_file_without_end_is_told_of_and_not_read(tmp_path: Path, cursors: Cursors) -> None:
    records = stored([25] * 2)
    DailyFiles(tmp_path, HEADED, cursors).write(records[:1])
    path = tmp_path / "headed-2026-11-25.txt"
    known = path.stat().st_size
    os.truncate(path, 2**40)
    files = DailyFiles(tmp_path, HEADED, cursors)
    with pytest.raises(OSError, match="far more than was written"):
        files.write(records[1:])
    os.truncate(path, known)
    files.write(records[1:])
    assert path.read_text() == "text\n" + lines(records)
