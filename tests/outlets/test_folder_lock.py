"""One folder of results belongs to one daemon."""

import errno
import fcntl
import os
import stat
from pathlib import Path

import pytest
import structlog

from quietcell.errors import ConfigError
from quietcell.outlets.folder_lock import FolderLocks


def test_a_folder_another_daemon_writes_to_is_refused_until_it_ends(tmp_path: Path) -> None:
    with FolderLocks() as first:
        first.take([tmp_path / "results", tmp_path / "drop"])
        first.take([tmp_path / "results"])  # a reload that keeps the folder
        with FolderLocks() as second:
            second.take([tmp_path / "elsewhere"])
            with pytest.raises(ConfigError, match=r"writes to .*drop; give this one a folder"):
                second.take([tmp_path / "drop"])
    with FolderLocks() as third:
        third.take([tmp_path / "results", tmp_path / "drop", tmp_path / "elsewhere"])


def test_another_name_of_the_same_folder_is_the_same_folder(tmp_path: Path) -> None:
    (tmp_path / "results").mkdir()
    (tmp_path / "link").symlink_to("results")
    with FolderLocks() as first, FolderLocks() as second:
        first.take([tmp_path / "results"])
        with pytest.raises(ConfigError, match="another quietcell"):
            second.take([tmp_path / "link"])


def test_a_folder_that_cannot_be_made_stops_nobody(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with FolderLocks() as locks:
        locks.take([tmp_path / "file" / "results"])


def test_a_share_that_knows_no_locks_is_written_to_without_and_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def unknown(*_: object) -> None:
        raise OSError(errno.ENOLCK, "No locks available")

    monkeypatch.setattr(fcntl, "flock", unknown)
    with FolderLocks() as locks, structlog.testing.capture_logs() as logs:
        locks.take([tmp_path / "results"])
    assert [log["text"] for log in logs] == ["No locks available"]


@pytest.mark.parametrize("planted", ["link", "another user's"])
def test_whoever_takes_the_files_keeps_no_daemon_from_starting(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, planted: str
) -> None:
    held, lock = (tmp_path / "held").open("w"), tmp_path / ".quietcell.lock"
    if planted == "link":
        lock.symlink_to("held")
    else:
        lock.hardlink_to(tmp_path / "held")
        user = os.geteuid() + 1000
        monkeypatch.setattr(os, "geteuid", lambda: user)
    with held, FolderLocks() as locks, structlog.testing.capture_logs() as logs:
        fcntl.flock(held, fcntl.LOCK_EX)
        locks.take([tmp_path])
    assert [log["event"] for log in logs] == ["folder not locked"]


def test_nobody_else_can_hold_a_lock_that_was_left(tmp_path: Path) -> None:
    with FolderLocks() as locks:
        locks.take([tmp_path])
    assert stat.S_IMODE((tmp_path / ".quietcell.lock").stat().st_mode) == 0o600
