"""The files commands write: whole or not at all, nowhere they harm, and named where they cannot be."""

import errno
import os
import random
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from quietcell.cli.options import whole_file
from quietcell.errors import QuietcellError
from tests.support.command import ran
from tests.support.recorded import CELL, recorded


@pytest.mark.parametrize("there", [True, False])
def test_what_cannot_be_written_to_its_end_takes_the_place_of_nothing(tmp_path: Path, *, there: bool) -> None:
    out = tmp_path / "month.html"
    if there:
        out.write_text("last month's")

    def fill_the_disk() -> None:
        with whole_file(out) as file:
            file.write("half")
            raise OSError(errno.ENOSPC, "No space left on device")

    with pytest.raises(QuietcellError, match=r"month.html: cannot write: No space"):
        fill_the_disk()
    assert [path.read_text() for path in tmp_path.iterdir()] == ["last month's"] * there


def test_a_file_behind_a_link_and_what_is_no_file_are_written_where_they_are(tmp_path: Path) -> None:
    (tmp_path / "real.csv").write_text("old")
    (tmp_path / "real.csv").chmod(0o640)
    (tmp_path / "link.csv").symlink_to("real.csv")
    os.mkfifo(tmp_path / "pipe")
    reading = os.open(tmp_path / "pipe", os.O_RDONLY | os.O_NONBLOCK)
    for name in ("link.csv", "pipe"):
        with whole_file(tmp_path / name) as file:
            file.write("new")
    assert os.read(reading, 10) == b"new"
    os.close(reading)
    assert (tmp_path / "real.csv").read_text() == "new"
    assert (tmp_path / "link.csv").is_symlink()
    assert (tmp_path / "real.csv").stat().st_mode & 0o777 == 0o640


def test_a_file_to_be_written_below_a_file_is_named() -> None:
    below = Path(__file__) / "month.html"
    with pytest.raises(QuietcellError, match=r"month.html: cannot write: Not a directory"), whole_file(below):
        pass


@pytest.mark.parametrize("command", ["backup", "export", "report"])
@pytest.mark.parametrize("out", ["copy", "journal.sqlite", "here/copy"])
def test_nothing_is_written_among_the_files_of_a_ledger(command: str, out: str, ledger: Path) -> None:
    (ledger / "here").symlink_to(ledger)
    before = {path: path.read_bytes() for path in ledger.iterdir() if path.is_file()}
    told = ran(command, "--ledger", ledger, "--out", ledger / out, status=64).err
    assert "lies in the ledger's own folder" in told
    assert {path: path.read_bytes() for path in ledger.iterdir() if path.is_file()} == before


@pytest.fixture
def file(tmp_path: Path) -> Path:
    """The one file of readings of a ledger, with nothing beside it."""
    recorded(tmp_path / "state", seconds=900)
    (file,) = (tmp_path / "state").glob("readings-*.sqlite")
    with closing(sqlite3.connect(file)) as database:
        database.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return file


def test_rows_that_a_damaged_file_hides_are_told_of(file: Path, tmp_path: Path) -> None:
    with file.open("r+b") as pages:
        pages.seek(7 * 4096 + 8)  # where the cells of a page lie: SQLite goes on with what it finds there
        pages.write(random.Random(1).randbytes(40))
    words = ("export", "--ledger", file.parent, "--cell", CELL, "--out", tmp_path / "out.csv")
    assert f"{file.name}: rows may be missing" in ran(*words, status=1).err


def test_a_file_that_is_broken_through_and_through_is_said_to_be(file: Path) -> None:
    with file.open("r+b") as pages:
        pages.seek(4096)
        pages.write(b"\xff" * (file.stat().st_size - 4096))
    told = ran("report", "--ledger", file.parent, "--json", status=1).err
    assert "the ledger cannot be read: database disk image is malformed. See what" in told


@pytest.mark.parametrize(
    ("place", "told"), [("/proc/no/such", "/proc/no"), ("/dev/null/copy", "/dev/null/copy")]
)
def test_where_nothing_can_be_written_is_named(ledger: Path, place: str, told: str) -> None:
    assert ran("backup", "--ledger", ledger, "--out", place, status=1).err.startswith(f"quietcell: {told}")


def test_a_file_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    config, recording, out = tmp_path / "cells.toml", tmp_path / "hall.csv", tmp_path / "none" / "out.jsonl"
    config.write_text(
        '[site]\nname = "merrow-sound"\n[cells.hall.calibration]\nslope_pct = 98.4\nzero_mv = 3.1\n'
    )
    recording.write_text("time,mv\n2026-03-01T08:00:00Z,25.0\n")
    assert str(out) in ran("replay", recording, "--out", out, "--config", config, status=1).err
