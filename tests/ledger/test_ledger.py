"""The ledger keeps what it was given, in order, durable, and for one writer."""

import asyncio
import errno
import hashlib
import json
import os
import sqlite3
import stat
from collections.abc import Sequence
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from quietcell.core.readings import ReadingBlock
from quietcell.core.records import SegmentBody
from quietcell.core.times import rfc3339
from quietcell.errors import LedgerError, LedgerLockedError, LedgerTooNewError
from quietcell.ledger import ledger as ledger_module
from quietcell.ledger.chain import Envelope, Stored
from quietcell.ledger.journal import FILE_NAME, Journal
from quietcell.ledger.readings_files import ReadingsFiles, SegmentReadings, month_of
from tests.support.ledgers import note, open_ledger
from tests.support.streams import ANCHOR_UTC_MS, readings
from tests.support.until import until


def kept(block: ReadingBlock, segment: int = 1, anchor_utc_ms: int = ANCHOR_UTC_MS) -> SegmentReadings:
    return SegmentReadings(cell="live-feed-room", segment=segment, anchor_utc_ms=anchor_utc_ms, block=block)


def only_to_read(path: Path, version: bytes = b"\3") -> bytes:
    """Let SQLite only read a file, whoever asks: of a format above 2 it writes none."""
    with path.open("r+b") as file:
        file.seek(18)
        before = file.read(1)
        file.seek(18)
        file.write(version)
    return before


async def test_records_are_numbered_without_gap_across_restarts(tmp_path: Path) -> None:
    ledger = open_ledger(tmp_path)
    await ledger.record([note(1), note(2)])
    first_id = ledger.id
    await ledger.close()
    ledger = open_ledger(tmp_path)
    (third,) = await ledger.record([note(3)])
    assert (third.seq, ledger.id) == (3, first_id)
    assert [r.seq for r in await ledger.after(0)] == [1, 2, 3]
    await ledger.close()


async def test_what_is_rare_is_found_among_years_of_the_rest_without_reading_that(tmp_path: Path) -> None:
    others = [replace(note(n), cell=f"room-{n % 3}", id=f"room.1.{n}") for n in range(3000)]
    began = SegmentBody(id="", cell="", at=rfc3339(0), segment=1, state="began", cause="started")
    rare = [replace(began, id=f"{cell}.1.1", cell=cell) for cell in ("room-2", "room-0")]
    ledger = open_ledger(tmp_path)
    await ledger.record([rare[0], *others, rare[1]])
    await ledger.close()
    steps = 0

    def step() -> None:
        nonlocal steps
        steps += 1

    with Journal(tmp_path) as journal:
        journal._database.set_progress_handler(step, 100)
        assert [record.seq for record in journal.of_kind("segment")] == [1, 3002]
        assert (journal.count("segment"), journal.cells()) == (2, ["room-0", "room-2"])
    assert steps < 10  # a look at each of the others would be a few hundred


async def test_a_few_lines_with_hashlib_check_the_chain(tmp_path: Path) -> None:
    ledger = open_ledger(tmp_path)
    await ledger.record([note(1), note(2, "µS/cm ≤ 0.1 \u2028")])
    await ledger.record([note(3)])
    await ledger.close()
    previous = "0" * 64
    with closing(sqlite3.connect(tmp_path / FILE_NAME)) as database:
        rows = database.execute("SELECT CAST(record AS BLOB) FROM journal ORDER BY seq").fetchall()
    for (stored,) in rows:
        assert json.loads(stored)["previous"] == previous
        previous = hashlib.sha256(stored).hexdigest()
    assert previous == ledger.head[1]


async def test_many_at_once_share_commits_and_keep_their_order(tmp_path: Path) -> None:
    ledger = open_ledger(tmp_path)
    stored = await asyncio.gather(*(ledger.record([note(2 * n), note(2 * n + 1)]) for n in range(50)))
    assert [r.seq for pair in stored for r in pair] == list(range(1, 101))
    await ledger.close()


async def test_what_comes_during_a_commit_is_told_in_order_and_only_when_durable(tmp_path: Path) -> None:
    ledger = open_ledger(tmp_path)
    told: list[int] = []

    async def source(first: int) -> None:
        for number in range(first, first + 25):
            (record,) = await ledger.record([note(number)])
            assert record.seq <= ledger.seq
            told.append(record.seq)
            await asyncio.sleep(0.0005 * (number % 3))

    await asyncio.gather(*(source(100 * each) for each in range(4)))
    assert told == list(range(1, 101))
    await ledger.close()


async def test_who_follows_gets_the_same_from_what_is_at_hand_and_from_the_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ledger_module, "NEWEST", 4)
    ledger = open_ledger(tmp_path)
    for first in range(0, 12, 3):
        await ledger.record([note(first + each) for each in range(3)])
        for seq in range(ledger.seq):
            for limit in (1, 2, 500):
                assert await ledger.after(seq, limit=limit) == ledger.journal.after(seq, limit=limit)
    waiting = asyncio.create_task(ledger.after(12))
    await ledger.record([note(13)])
    assert [record.seq for record in await waiting] == [13]
    await ledger.close()


async def test_a_body_without_canonical_form_is_refused_alone(tmp_path: Path) -> None:
    ledger = open_ledger(tmp_path)
    with pytest.raises(ValueError, match="surrogate"):
        await ledger.record([note(1), note(2, "\ud800")])
    (record,) = await ledger.record([note(1)])
    assert record.seq == 1
    await ledger.close()


async def test_whoever_gives_up_waiting_loses_no_record(tmp_path: Path) -> None:
    ledger = open_ledger(tmp_path)
    waiting = asyncio.create_task(ledger.record([note(1)]))
    await asyncio.sleep(0)
    waiting.cancel()
    (record,) = await ledger.record([note(2)])
    assert record.seq == 2
    await ledger.close()


async def test_a_fault_of_ours_stops_the_ledger_and_leaves_nobody_waiting(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ledger = open_ledger(tmp_path)
    monkeypatch.setattr(ledger.journal, "append", lambda *_: 1 / 0)
    with pytest.raises(LedgerError, match="commit failed: division by zero"):
        await ledger.submit([note(1)])
    assert ledger.failure is not None
    with pytest.raises(LedgerError):
        await ledger.flush()
    await ledger.close()


async def test_readings_are_durable_before_the_record_that_rests_on_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    order: list[str] = []
    append_readings, append_records = ReadingsFiles.append, Journal.append

    def told_readings(files: ReadingsFiles, batch: Sequence[SegmentReadings]) -> None:
        order.append("readings")
        append_readings(files, batch)

    def told_records(journal: Journal, bodies: Sequence[tuple[str, int]], envelope: Envelope) -> list[Stored]:
        order.append("record")
        return append_records(journal, bodies, envelope)

    monkeypatch.setattr(ReadingsFiles, "append", told_readings)
    monkeypatch.setattr(Journal, "append", told_records)
    ledger = open_ledger(tmp_path, readings_commit_s=1000)
    ledger.keep(kept(readings(5)))
    await ledger.record([note(1)])
    assert order == ["readings", "record"]
    await ledger.close()


async def test_readings_come_back_bit_for_bit_across_a_month_with_equal_times(tmp_path: Path) -> None:
    end_of_month_ms = 1_790_812_790_000  # 2026-09-30T23:59:50Z
    block = readings(30)
    block.ms[4] = block.ms[3] = block.ms[2]
    block.conductivity_us_cm[7] = 0.05500000000000001
    block.flags[9] = 5
    ledger = open_ledger(tmp_path)
    for row in range(len(block)):
        ledger.keep(kept(block[row : row + 1], anchor_utc_ms=end_of_month_ms))
        if row % 7 == 0:
            await ledger.flush()
    await ledger.close()
    files = ReadingsFiles(tmp_path, read_only=True)
    assert files.months() == ["2026-09", "2026-10"]
    back = ReadingBlock.concatenate(list(files.of_segment("live-feed-room", 1, page=4)))
    for name in ("ms", "mv", "temperature_c", "conductivity_us_cm", "flow_ml_min", "flags"):
        np.testing.assert_array_equal(getattr(back, name), getattr(block, name))
    files.close()


def test_a_year_of_readings_keeps_few_files_open_and_all_within_reach(tmp_path: Path) -> None:
    files = ReadingsFiles(tmp_path)
    month_ms = 31 * 86_400_000
    for month in range(12):
        files.append(
            [
                kept(
                    readings(20, seed=month),
                    segment=month + 1,
                    anchor_utc_ms=ANCHOR_UTC_MS + month * month_ms,
                )
            ]
        )
    assert sorted(files._open) == files.months()[-2:]
    assert len(files.months()) == 12
    assert [sum(map(len, files.of_segment("live-feed-room", s + 1))) for s in range(12)] == [20] * 12
    files.close()


async def test_commits_are_synchronous_to_the_disk(tmp_path: Path) -> None:
    ledger = open_ledger(tmp_path)
    ledger.keep(kept(readings(3)))
    await ledger.flush()
    for database in (ledger.journal._database, *ledger.readings._open.values()):
        assert database.execute("PRAGMA synchronous").fetchone()[0] == 2
        assert database.execute("PRAGMA journal_mode").fetchone()[0] == "wal"
    await ledger.close()


async def test_after_a_stop_each_file_alone_holds_everything_whoever_still_reads(tmp_path: Path) -> None:
    folder, elsewhere = tmp_path / "ledger", tmp_path / "elsewhere"
    ledger = open_ledger(folder)
    ledger.keep(kept(readings(30)))
    await ledger.record([note(1), note(2)])
    with Journal(folder) as reader, closing(ReadingsFiles(folder, read_only=True)) as files:
        in_the_middle = reader.all()
        assert next(in_the_middle).seq == 1
        assert sum(map(len, files.of_segment("live-feed-room", 1))) == 30
        await ledger.close()
        elsewhere.mkdir()
        for path in folder.glob("*.sqlite"):
            (elsewhere / path.name).write_bytes(path.read_bytes())
    with Journal(elsewhere) as copied, closing(ReadingsFiles(elsewhere, read_only=True)) as files:
        assert [record.seq for record in copied.all()] == [1, 2]
        assert sum(map(len, files.of_segment("live-feed-room", 1))) == 30


async def test_a_record_cannot_be_stored_twice(tmp_path: Path) -> None:
    ledger = open_ledger(tmp_path)
    await ledger.record([note(1)])
    with pytest.raises(LedgerError, match="UNIQUE"):
        await ledger.record([note(2), note(1)])
    assert ledger.failure is not None
    assert ledger.seq == 1
    with pytest.raises(LedgerError):
        await ledger.record([note(3)])
    await ledger.close()


async def test_a_second_writer_is_refused_and_told_what_to_do(tmp_path: Path) -> None:
    ledger = open_ledger(tmp_path)
    with pytest.raises(LedgerLockedError, match="folder of its own"):
        open_ledger(tmp_path)
    await ledger.close()
    await open_ledger(tmp_path).close()


async def test_a_newer_ledger_is_refused_untouched(tmp_path: Path) -> None:
    await open_ledger(tmp_path).close()
    database = sqlite3.connect(tmp_path / FILE_NAME)
    database.execute("PRAGMA user_version = 99")
    database.close()
    before = (tmp_path / FILE_NAME).read_bytes()
    with pytest.raises(LedgerTooNewError, match="newer"):
        open_ledger(tmp_path)
    assert (tmp_path / FILE_NAME).read_bytes() == before


def test_a_foreign_file_is_refused(tmp_path: Path) -> None:
    (tmp_path / FILE_NAME).write_text("not a database, however long it may be " * 50)
    with pytest.raises(LedgerError, match=r"the file is damaged: .* Keep it .* go on from the last backup"):
        open_ledger(tmp_path)


def test_a_file_that_cannot_be_opened_is_not_called_damaged(tmp_path: Path) -> None:
    (tmp_path / FILE_NAME).mkdir()
    with pytest.raises(LedgerError, match=r"cannot open: .* Look at the folder's rights"):
        open_ledger(tmp_path)


async def test_a_file_that_may_only_be_read_is_refused_at_the_start(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    await open_ledger(tmp_path).close()
    only_to_read(tmp_path / FILE_NAME)
    monkeypatch.setattr(
        "os.access", lambda path, rights: str(path).endswith(("sqlite", "wal")) or not rights & os.W_OK
    )
    (tmp_path / f"{FILE_NAME}-shm").touch()
    with pytest.raises(
        LedgerError, match=r"readonly.* may not write journal.sqlite-shm; all must belong to the daemon"
    ):
        open_ledger(tmp_path)


async def test_a_month_that_may_only_be_read_is_waited_for_until_it_may_be_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ledger_module, "RETRY_S", 0.01)
    ledger = open_ledger(tmp_path)
    ledger.keep(kept(readings(20)))
    await ledger.close()
    month = tmp_path / f"readings-{month_of(ANCHOR_UTC_MS)}.sqlite"
    writable = only_to_read(month)
    ledger = open_ledger(tmp_path)
    ledger.keep(kept(readings(20), segment=2))
    await ledger.submit([note(1)])
    await until(lambda: ledger.failing)
    only_to_read(month, writable)
    await ledger.flush()
    assert ledger.readings.total(ledger.readings.months()) == 40
    await ledger.close()


def test_a_disk_without_room_for_a_new_file_is_said_to_be_full(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> int:
        raise OSError(errno.ENOSPC, "No space left on device", str(tmp_path / "lock"))

    monkeypatch.setattr("os.open", full)
    with pytest.raises(LedgerError, match=r"lock: nothing can be written: No space .*Free some"):
        open_ledger(tmp_path)


def test_a_file_that_cannot_be_laid_out_is_named(tmp_path: Path) -> None:
    (tmp_path / f"{FILE_NAME}-wal").mkdir()  # as where no inode is left for it
    with pytest.raises(LedgerError, match=r"journal.sqlite: cannot open: .*room on the disk"):
        open_ledger(tmp_path)


def test_a_folder_that_cannot_be_made_says_what_to_do(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(LedgerError, match=r"state: nothing can be written: Not a dir.*daemon's user"):
        open_ledger(tmp_path / "file" / "state")


async def test_whoever_may_only_read_a_ledger_cannot_hold_its_lock(tmp_path: Path) -> None:
    await open_ledger(tmp_path).close()
    assert stat.S_IMODE((tmp_path / "lock").stat().st_mode) == 0o600
