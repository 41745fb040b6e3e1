"""`quietcell verify` as people use it: what it says, and the exit status a script goes by."""

import json
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from quietcell.cli import quietcell
from quietcell.errors import UsageError
from quietcell.ledger.journal import FILE_NAME, Journal
from tests.support.recorded import recorded


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    recorded(tmp_path / "state")
    return tmp_path / "state"


def verify(folder: Path, *options: str) -> Result:
    return CliRunner().invoke(quietcell, ["verify", "--ledger", str(folder), *options], standalone_mode=False)


def test_a_sound_ledger_ends_with_status_0_and_its_head(folder: Path) -> None:
    with Journal(folder) as journal:
        seq, head = journal.head
    done = verify(folder, "--recompute")
    assert done.return_value == 0
    assert f"Head:  {seq}:{head}" in done.output
    assert "0 differ" in done.output
    assert verify(folder, "--head", f"{seq}:{head}").return_value == 0
    done = verify(folder, "--head", head.upper())
    assert done.return_value == 0
    assert f"Witnessed and there unchanged: {head}" in done.output


def test_a_witnessed_payload_is_read_from_its_file(folder: Path, tmp_path: Path) -> None:
    with Journal(folder) as journal:
        payload = {"ledger": journal.ledger, "seq": journal.head[0], "hash": journal.head[1]}
    witness = tmp_path / "head.json"
    witness.write_text(json.dumps(payload))
    assert verify(folder, "--head", str(witness)).return_value == 0
    with closing(sqlite3.connect(folder / FILE_NAME, isolation_level=None)) as database:
        database.execute("DELETE FROM journal WHERE seq = ?", (payload["seq"],))
    done = verify(folder, "--head", str(witness), "--json")
    assert done.return_value == 1
    assert "was witnessed, but the journal ends" in json.loads(done.output)["fault"]


def test_a_changed_reading_ends_with_status_1(folder: Path) -> None:
    with closing(sqlite3.connect(folder / "readings-2026-09.sqlite", isolation_level=None)) as database:
        database.execute("UPDATE reading SET mv = 1 WHERE ms = (SELECT min(ms) FROM reading)")
    done = verify(folder)
    assert done.return_value == 1
    assert "Damaged: record" in done.output


@pytest.mark.parametrize("head", ["abc", "five:" + "0" * 64])
def test_a_head_that_is_none_is_refused(folder: Path, head: str) -> None:
    with pytest.raises(UsageError, match="no SEQ:HASH"):
        raise verify(folder, "--head", head).exception or AssertionError("not refused")


def test_a_file_without_a_head_is_refused(folder: Path, tmp_path: Path) -> None:
    (tmp_path / "note.txt").write_text("no head")
    with pytest.raises(UsageError, match="the file holds no head"):
        raise verify(folder, "--head", str(tmp_path / "note.txt")).exception or AssertionError("not refused")
