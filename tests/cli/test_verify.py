"""`quietcell verify` as people use it: what it says, and the exit status a script goes by."""

import json
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from quietcell.ledger.journal import FILE_NAME, Journal
from tests.support.command import Ran, ran
from tests.support.recorded import recorded


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    recorded(tmp_path / "state")
    return tmp_path / "state"


def verify(folder: Path, *options: str | Path, status: int = 0) -> Ran:
    return ran("verify", "--ledger", folder, *options, status=status)


def test_a_sound_ledger_ends_with_status_0_and_its_head(folder: Path) -> None:
    with Journal(folder) as journal:
        seq, head = journal.head
    told = verify(folder, "--recompute").out
    assert f"Head:  {seq}:{head}" in told
    assert "0 differ" in told
    verify(folder, "--head", f"{seq}:{head}")
    assert f"Witnessed and there unchanged: {head}" in verify(folder, "--head", head.upper()).out


@pytest.mark.parametrize("beside", [1, 4_000])
def test_a_wrong_number_beside_the_hash_of_a_record_is_no_damage(folder: Path, beside: int) -> None:
    with Journal(folder) as journal:
        seq, head = journal.head
    told = verify(folder, "--head", f"{beside}:{head}", status=64).err
    assert f"that hash is of record {seq}, not {beside}" in told


def test_a_witnessed_payload_is_read_from_its_file(folder: Path, tmp_path: Path) -> None:
    with Journal(folder) as journal:
        payload = {"ledger": journal.ledger, "seq": journal.head[0], "hash": journal.head[1]}
    witness = tmp_path / "head.json"
    witness.write_text(json.dumps(payload))
    verify(folder, "--head", witness)
    with closing(sqlite3.connect(folder / FILE_NAME, isolation_level=None)) as database:
        database.execute("DELETE FROM journal WHERE seq = ?", (payload["seq"],))
    told = json.loads(verify(folder, "--head", witness, "--json", status=1).out)
    assert "was witnessed, but the journal ends" in told["fault"]


def test_a_changed_reading_ends_with_status_1(folder: Path) -> None:
    with closing(sqlite3.connect(folder / "readings-2026-09.sqlite", isolation_level=None)) as database:
        database.execute("UPDATE reading SET mv = 1 WHERE ms = (SELECT min(ms) FROM reading)")
    assert "Damaged: record" in verify(folder, status=1).out


@pytest.mark.parametrize("head", ["abc", "five:" + "0" * 64, "x" * 64])
def test_a_head_that_is_none_is_refused(folder: Path, head: str) -> None:
    assert "no SEQ:HASH" in verify(folder, "--head", head, status=64).err


def test_a_file_without_a_head_is_refused(folder: Path, tmp_path: Path) -> None:
    (tmp_path / "note.txt").write_text("no head")
    assert "the file holds no head" in verify(folder, "--head", tmp_path / "note.txt", status=64).err
