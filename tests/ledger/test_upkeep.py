"""Backups, older and newer ledgers, months given up, and folders no ledger may lie in."""

import asyncio
import json
import os
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from itertools import count
from pathlib import Path
from typing import Any
from unittest.mock import Mock

import numpy as np
import pytest

from quietcell.cli import export
from quietcell.core.engine import Engine
from quietcell.core.records import Json
from quietcell.errors import LedgerError, LedgerTooNewError
from quietcell.ledger import file_system
from quietcell.ledger.backup import backup
from quietcell.ledger.canonical import canonical
from quietcell.ledger.chain import Stored
from quietcell.ledger.cursors import Cursor, Cursors
from quietcell.ledger.file_system import NETWORK, type_of
from quietcell.ledger.journal import FILE_NAME, Journal
from quietcell.ledger.readings_files import ReadingsFiles, SegmentReadings
from quietcell.ledger.store import open_file
from quietcell.ledger.upcast import upcast
from quietcell.ledger.verify import Verified, verify
from quietcell.service import retention
from quietcell.service.digests import record_digest
from quietcell.service.export import recording_lines
from quietcell.service.recompute import Recomputed, recompute
from quietcell.service.records import DaemonIds
from quietcell.service.retention import expire, expire_hourly
from tests.support.clocks import HeldClock
from tests.support.command import ran
from tests.support.ledgers import note, open_ledger
from tests.support.recorded import CELL, record_run, recorded
from tests.support.streams import ANCHOR_UTC_MS, began, cell_settings, readings

DATA = Path(__file__).parents[1] / "data" / "ledgers"
DECEMBER_MS = 1_796_083_200_000  # 2026-12-01T00:00:00Z
MOUNTS = r"""
22 1 8:1 / / rw,relatime shared:1 - ext4 /dev/root rw
40 22 0:35 / /srv/all\040of\040it rw - nfs4 server:/x rw
41 22 0:36 / /home rw - btrfs /dev/sdb rw
42 41 0:37 / /home rw - cifs //server/home rw
"""


def checked(folder: Path) -> Verified:
    with Journal(folder) as journal, closing(ReadingsFiles(folder, read_only=True)) as files:
        return verify(journal, files, tell=lambda _: None)


async def test_a_backup_of_a_ledger_at_work_is_a_sound_ledger(tmp_path: Path) -> None:
    ledger, engine = open_ledger(tmp_path / "state"), Engine(cell_settings())
    await record_run(ledger, engine, readings(60), segment=1)
    found = backup(tmp_path / "state", tmp_path / "copy")
    assert (found.records, found.readings) == (ledger.seq, 60)
    await ledger.record([note(900)])
    await ledger.close()
    assert sorted(path.name for path in (tmp_path / "copy").iterdir()) == [
        "journal.sqlite",
        "readings-2026-09.sqlite",
    ]
    assert checked(tmp_path / "copy").head == found.head
    copy = open_ledger(tmp_path / "copy")  # and can be gone on with
    await copy.record([note(901)])
    await copy.close()


async def test_nothing_in_a_backup_is_ahead_of_its_journal(tmp_path: Path) -> None:
    folder, loop = tmp_path / "state", asyncio.get_running_loop()
    ledger, engine = open_ledger(folder), Engine(cell_settings())
    await record_run(ledger, engine, readings(30), segment=1)
    with closing(Cursors(folder)) as cursors:
        cursors.put("mqtt", Cursor(ledger.seq, {}))

        async def go_on() -> None:
            await ledger.record(engine.take(began(2, utc_ms=ANCHOR_UTC_MS + 60_000)))
            part = SegmentReadings(
                cell=CELL, segment=2, anchor_utc_ms=ANCHOR_UTC_MS + 60_000, block=readings(9)
            )
            ledger.keep(part)
            await ledger.flush()

        def deliver(told: str) -> None:
            if told.startswith("copying readings"):  # the journal is copied
                asyncio.run_coroutine_threadsafe(go_on(), loop).result(20)
                cursors.put("mqtt", Cursor(ledger.seq, {}))

        copied = await asyncio.to_thread(backup, folder, tmp_path / "copy", tell=deliver)
    await ledger.close()
    with closing(Cursors(tmp_path / "copy")) as cursors:
        assert cursors.get("mqtt").seq == copied.records < ledger.seq
    with closing(ReadingsFiles(tmp_path / "copy", read_only=True)) as files:
        assert files.segments("2026-09") == [(CELL, 1)]


def test_a_ledger_in_a_folder_that_cannot_be_written_is_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "medium"
    recorded(folder, seconds=30)
    before = sorted(folder.iterdir())
    monkeypatch.setattr(os, "access", lambda *_: False)  # the rights may be no hindrance to who runs this
    assert checked(folder).readings == backup(folder, tmp_path / "copy").readings == 60
    assert sorted(folder.iterdir()) == before


def test_what_a_backup_prints_for_a_script_is_a_head_to_verify_by(tmp_path: Path) -> None:
    recorded(tmp_path / "state", seconds=30)
    told = ran("backup", "--ledger", tmp_path / "state", "--out", tmp_path / "copy", "--json")
    assert not told.err
    (tmp_path / "head.json").write_text(told.out)
    again = ran("verify", "--ledger", tmp_path / "state", "--head", tmp_path / "head.json", "--json")
    assert json.loads(again.out)["witnessed"] == json.loads(told.out)["hash"]


def test_a_backup_overwrites_nothing(tmp_path: Path) -> None:
    recorded(tmp_path / "state", seconds=30)
    (tmp_path / "copy").mkdir()
    (tmp_path / "copy" / "letter.txt").write_text("x")
    with pytest.raises(LedgerError, match="is not empty"):
        backup(tmp_path / "state", tmp_path / "copy")
    with pytest.raises(LedgerError, match="is a file"):
        backup(tmp_path / "state", tmp_path / "copy" / "letter.txt")
    (tmp_path / "other.partial").mkdir()
    with pytest.raises(LedgerError, match="not finished"):
        backup(tmp_path / "state", tmp_path / "other")


def test_the_command_tells_the_head(tmp_path: Path) -> None:
    recorded(tmp_path / "state", seconds=30)
    told = ran("backup", "--ledger", tmp_path / "state", "--out", tmp_path / "copy").out
    assert f"Head:  {checked(tmp_path / 'copy').records}:" in told


@pytest.mark.parametrize("folder", sorted(DATA.glob("schema-*")), ids=lambda path: path.name)
def test_every_format_ever_shipped_is_read(folder: Path, tmp_path: Path) -> None:
    shutil.copytree(folder, tmp_path, dirs_exist_ok=True)
    found = checked(tmp_path)
    assert found.readings == 60
    with Journal(tmp_path) as journal:
        kinds = {record.body()["record"] for record in journal.all()}
    assert {"configuration", "segment", "determination", "checkpoint", "readings-digest"} <= kinds


def test_older_bodies_are_read_as_todays_and_newer_ones_refused() -> None:
    def step(body: dict[str, Json]) -> dict[str, Json]:
        return {**body, "text": [body["text"]]}

    envelope = {"seq": 4, "schema": 1, "body": {"record": "note", "text": "x"}}
    assert upcast(envelope)["text"] == "x"
    assert upcast(envelope, newest={"note": 2}, steps={("note", 1): step})["text"] == ["x"]
    newer = Stored(seq=4, text=canonical({**envelope, "schema": 2}))
    with pytest.raises(LedgerTooNewError, match="record 4: note has schema 2, this quietcell knows 1"):
        newer.body()


def test_a_layout_is_brought_up_to_date_behind_a_copy(tmp_path: Path) -> None:
    path = tmp_path / "x.sqlite"
    open_file(path, layout="CREATE TABLE a (b) STRICT".replace("(b)", "(b TEXT)"), version=1).close()
    with pytest.raises(LedgerError, match=r"has an older layout \(1\)"):
        open_file(path, layout="", version=2, read_only=True)
    database = open_file(path, layout="", version=2, migrations={1: "CREATE INDEX i ON a (b)"})
    assert database.execute("PRAGMA user_version").fetchone()[0] == 2
    database.close()
    with closing(sqlite3.connect(tmp_path / "x.sqlite.layout-1")) as kept:
        assert kept.execute("PRAGMA user_version").fetchone()[0] == 1


@pytest.mark.parametrize("what", ["verify", "recompute", "backup"])
async def test_months_given_up_while_the_ledger_is_read_are_no_damage(tmp_path: Path, what: str) -> None:
    folder, copy = tmp_path / "state", tmp_path / "copy"
    ledger, engine = open_ledger(folder), Engine(cell_settings())
    for segment, later_ms in enumerate((0, 61 * 86_400_000), 1):
        utc_ms = ANCHOR_UTC_MS + later_ms
        await record_run(ledger, engine, readings(30, seed=segment), segment=segment, utc_ms=utc_ms)
    loop, told = asyncio.get_running_loop(), count()

    def give_up(_told: object) -> None:
        if next(told) == 1:  # the journal is copied, or the first record read
            giving_up = expire(ledger, DaemonIds(9), keep=1, utc_ms=DECEMBER_MS)
            asyncio.run_coroutine_threadsafe(giving_up, loop).result(20)

    def read() -> Verified | Recomputed:
        if what == "backup":
            return backup(folder, copy, tell=give_up)
        with Journal(folder) as journal, closing(ReadingsFiles(folder, read_only=True)) as files:
            if what == "verify":
                return verify(journal, files, tell=give_up)
            return recompute(journal, files, CELL, tell=give_up)

    found = await asyncio.to_thread(read)
    await ledger.close()
    assert next(told) > 1
    if isinstance(found, Recomputed):
        assert (found.different, list(found.not_recomputable)) == (0, ["readings expired"])
    else:
        assert (found.readings, found.readings_expired) == (30, 30)
    if what == "backup":
        assert not (copy / "readings-2026-09.sqlite").exists()


async def test_old_months_are_given_up_and_said_so(tmp_path: Path) -> None:
    ledger, engine = open_ledger(tmp_path), Engine(cell_settings())
    months_ms = (0, 30 * 86_400_000, 61 * 86_400_000)
    for segment, later_ms in enumerate(months_ms, 1):
        utc_ms = ANCHOR_UTC_MS + later_ms
        await record_run(ledger, engine, readings(30, seed=segment), segment=segment, utc_ms=utc_ms)
    for _ in range(2):
        await expire(ledger, DaemonIds(9), keep=2, utc_ms=DECEMBER_MS)
    last = ledger.journal.after(ledger.seq - 1)[0].body()
    assert (last["record"], last["months"], last["readings"]) == ("readings-expired", ["2026-09"], 30)
    await ledger.close()
    assert not (tmp_path / "readings-2026-09.sqlite").exists()
    found = checked(tmp_path)
    assert (found.readings, found.readings_expired) == (60, 30)
    with Journal(tmp_path) as journal, closing(ReadingsFiles(tmp_path, read_only=True)) as files:
        again = recompute(journal, files, CELL)
    assert again.different == 0
    assert list(again.not_recomputable) == ["readings expired"]
    assert again.same > 5


@pytest.mark.parametrize("at_once", [True, False])
def test_an_export_names_the_months_it_lacks_also_when_they_go_meanwhile(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, *, at_once: bool
) -> None:
    recorded(tmp_path / "state", seconds=30)
    later_ms = ANCHOR_UTC_MS + 61 * 86_400_000
    words = ("export", "--ledger", tmp_path / "state", "--out", tmp_path / "out.csv")

    async def give_up() -> None:
        ledger = open_ledger(tmp_path / "state")
        await record_run(ledger, Engine(cell_settings()), readings(30), segment=3, utc_ms=later_ms)
        await expire(ledger, DaemonIds(9), keep=1, utc_ms=DECEMBER_MS)
        await ledger.close()

    def meanwhile(*arguments: Any) -> Iterator[str]:
        lines = list(recording_lines(*arguments))
        monkeypatch.undo()
        asyncio.run(give_up())
        return iter(lines)

    if at_once:
        asyncio.run(give_up())
    else:
        monkeypatch.setattr(export, "recording_lines", meanwhile)
    told = ran(*words).err
    assert "Given up before, and not in it: readings of 2026-09" in told
    rows = (tmp_path / "out.csv").read_text().splitlines()[1:]
    assert [row[:7] for row in rows if row.split(",")[1]] == ["2026-11"] * 30


async def test_a_kill_amid_giving_up_leaves_a_sound_ledger_and_the_next_look_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ledger, engine = open_ledger(tmp_path), Engine(cell_settings())
    for segment, later_ms in enumerate((0, 61 * 86_400_000), 1):
        utc_ms = ANCHOR_UTC_MS + later_ms
        await record_run(ledger, engine, readings(30, seed=segment), segment=segment, utc_ms=utc_ms)

    def killed(_month: str) -> None:
        raise InterruptedError

    with monkeypatch.context() as patched:
        patched.setattr(ledger.readings, "remove", killed)
        with pytest.raises(InterruptedError):
            await expire(ledger, DaemonIds(9), keep=1, utc_ms=DECEMBER_MS)
    found = checked(tmp_path)
    assert (found.readings, found.readings_expired) == (30, 30)
    await expire(ledger, DaemonIds(10), keep=1, utc_ms=DECEMBER_MS)
    assert ledger.readings.months() == ["2026-11"]
    await ledger.close()
    assert checked(tmp_path).readings_expired == 30


async def test_a_segment_that_outlives_a_month_given_up_is_checked_from_then_on(tmp_path: Path) -> None:
    ledger, engine = open_ledger(tmp_path), Engine(cell_settings())
    await ledger.record(engine.take(began()))
    for start_ms in (0, 69 * 86_400_000, 70 * 86_400_000):
        block = readings(10, start_ms=start_ms)
        ledger.keep(SegmentReadings(cell=CELL, segment=1, anchor_utc_ms=ANCHOR_UTC_MS, block=block))
        await ledger.flush()
        await record_digest(
            ledger, DaemonIds(start_ms), CELL, utc_ms=ANCHOR_UTC_MS, complete=(1, int(block.ms[-1]))
        )
    await expire(ledger, DaemonIds(9), keep=1, utc_ms=DECEMBER_MS)
    await ledger.close()
    found = checked(tmp_path)
    assert (found.readings, found.readings_expired) == (10, 20)


async def test_a_damaged_month_is_given_up_too(tmp_path: Path) -> None:
    (tmp_path / "readings-2026-08.sqlite").write_bytes(b"x" * 8192)
    await asyncio.to_thread(recorded, tmp_path, seconds=30)
    ledger = open_ledger(tmp_path)
    await expire(ledger, DaemonIds(9), keep=1, utc_ms=DECEMBER_MS)
    last = ledger.journal.after(ledger.seq - 1)[0].body()
    assert (last["months"], last["readings"]) == (["2026-08"], 0)
    assert ledger.readings.months() == ["2026-09"]
    await ledger.close()


async def test_nothing_is_judged_again_from_a_checkpoint_whose_next_readings_were_given_up(
    tmp_path: Path,
) -> None:
    ledger, engine = open_ledger(tmp_path), Engine(cell_settings())
    silent_at_first = readings(60)
    silent_at_first.mv[:30] = np.nan  # a checkpoint there rests on no readings
    await record_run(ledger, engine, silent_at_first, segment=1, marks=(30,))
    later_ms = ANCHOR_UTC_MS + 61 * 86_400_000
    await record_run(ledger, engine, readings(30, seed=2), segment=2, utc_ms=later_ms)
    await expire(ledger, DaemonIds(9), keep=1, utc_ms=DECEMBER_MS)
    await ledger.close()
    with Journal(tmp_path) as journal, closing(ReadingsFiles(tmp_path, read_only=True)) as files:
        again = recompute(journal, files, CELL)
    assert again.different == 0
    assert list(again.not_recomputable) == ["readings expired"]
    assert again.same > 3


async def test_retention_looks_every_hour_and_keeps_all_where_nothing_is_said(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    looks: list[tuple[int, int]] = []

    async def look(*_: object, keep: int, utc_ms: int) -> None:
        looks.append((keep, utc_ms))

    monkeypatch.setattr(retention, "expire", look)
    clock, keep = HeldClock(), [None, 24, 3]
    with pytest.raises(IndexError):  # behind the last look
        await expire_hourly(Mock(), DaemonIds(9), clock, keep=lambda: keep.pop(0))
    hour_ms = 3_600_000
    assert looks == [(24, ANCHOR_UTC_MS + hour_ms), (3, ANCHOR_UTC_MS + 2 * hour_ms)]


async def test_what_a_clock_that_was_not_set_dated_1970_is_kept_like_the_month_it_was_set_in(
    tmp_path: Path,
) -> None:
    ledger, engine = open_ledger(tmp_path), Engine(cell_settings())
    for segment, utc_ms in enumerate((60_000, ANCHOR_UTC_MS), 1):
        await record_run(ledger, engine, readings(30, seed=segment), segment=segment, utc_ms=utc_ms)
    for later_d, kept in ((0, ["1970-01", "2026-09"]), (61, ["2026-09"])):
        await expire(ledger, DaemonIds(9 + later_d), keep=1, utc_ms=ANCHOR_UTC_MS + later_d * 86_400_000)
        assert ledger.readings.months() == kept
    await ledger.close()


async def test_a_clock_that_was_ahead_for_a_while_made_nothing_old(tmp_path: Path) -> None:
    ledger, engine = open_ledger(tmp_path), Engine(cell_settings())
    ahead_ms = ANCHOR_UTC_MS + 10 * 365 * 86_400_000
    for segment, utc_ms in enumerate((ANCHOR_UTC_MS, ahead_ms), 1):
        await record_run(ledger, engine, readings(30, seed=segment), segment=segment, utc_ms=utc_ms)
    await expire(ledger, DaemonIds(9), keep=1, utc_ms=ahead_ms)
    assert ledger.readings.months() == ["2026-09", "2036-09"]
    await ledger.close()


async def test_a_clock_that_jumps_ahead_empties_no_ledger(tmp_path: Path) -> None:
    ledger, engine = open_ledger(tmp_path), Engine(cell_settings())
    await record_run(ledger, engine, readings(30), segment=1)
    await expire(ledger, DaemonIds(9), keep=2, utc_ms=ANCHOR_UTC_MS + 10 * 365 * 86_400_000)
    assert ledger.readings.months() == ["2026-09"]
    await ledger.close()


def test_the_type_of_a_file_system_is_that_of_the_nearest_mount() -> None:
    assert type_of(Path("/srv/ledger"), MOUNTS) == "ext4"
    assert type_of(Path("/srv/all of it/ledger"), MOUNTS) == "nfs4"
    assert type_of(Path("/home/ledger"), MOUNTS) == "cifs"
    assert type_of(Path("/home/ledger"), "") == ""


def test_a_network_share_is_refused_with_what_to_do(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    mounts = tmp_path / "mountinfo"
    mounts.write_text(f"1 1 0:1 / / rw - ext4 x rw\n2 1 0:2 / {tmp_path} rw - nfs4 server:/x rw\n")
    monkeypatch.setattr(file_system, "MOUNTS", mounts)
    with pytest.raises(LedgerError, match=r"network file system \(nfs4\).* local disk"):
        open_ledger(tmp_path / "state")
    assert not (tmp_path / "state" / FILE_NAME).exists()
    assert "nfs" in NETWORK
