"""Who works at the bench is heard of while they rinse, and no longer once they have gone."""

import threading
from pathlib import Path
from typing import Any

import pytest

from quietcell.cli import bench_session
from quietcell.cli.bench_session import Session, in_doubt
from quietcell.errors import QuietcellError
from tests.support.bench_meter import configure
from tests.support.command import ran


class Asked:
    """Stands for the daemon and counts how often it hears of someone."""

    def __init__(self) -> None:
        self.commands: list[str] = []
        self.shown: list[dict[str, Any]] = []
        """Live readings to show, in order."""
        self.heard_twice = threading.Event()

    async def __call__(self, _folder: Path, request: dict[str, Any]) -> dict[str, Any]:
        self.commands.append(request["command"])
        if self.commands.count("attended") >= 2:
            self.heard_twice.set()
        if request["command"] == "status":
            return {"ok": True, "cells": [{"cell": "live-feed-room", **self.shown.pop(0)}]}
        return {"ok": True, "attendance": "daemon.1.3", "continuous": False}


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> Asked:
    daemon = Asked()
    monkeypatch.setattr(bench_session, "ask", daemon)
    monkeypatch.setattr(bench_session, "HEARD_EVERY_S", 0.001)
    return daemon


def test_the_daemon_hears_of_who_reads_a_prompt(asked: Asked) -> None:
    with Session(Path("nowhere"), "live-feed-room", "Ada").attending("calibration"):
        assert asked.heard_twice.wait(20.0)
    assert asked.commands[0] == "attend"
    assert asked.commands[-1] == "leave"


def test_who_has_gone_is_heard_of_no_longer(asked: Asked, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bench_session, "AWAY_MS", -1)
    with Session(Path("nowhere"), "live-feed-room", "Ada").attending("calibration"):
        pass
    assert asked.commands == ["attend", "leave"]


def test_who_only_looks_waits_for_the_first_reading(asked: Asked, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bench_session, "LOOK_S", 0.001)
    asked.shown = [{"age_s": None}, {"age_s": None}, {"age_s": 0.3}]
    assert Session(Path("nowhere"), "live-feed-room", "Ada").indication()["age_s"] == 0.3
    assert set(asked.commands) == {"status"}


def test_who_works_is_told_that_the_meter_fell_silent(asked: Asked, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bench_session, "LOOK_S", 0.001)
    monkeypatch.setattr(bench_session, "START_S", 0.002)
    asked.shown = [{"age_s": 61.0}, {"age_s": 71.0}]
    with pytest.raises(QuietcellError, match="the meter is silent"):
        Session(Path("nowhere"), "live-feed-room", "Ada").indication()


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("calibrate", "--buffer", "phtalate", "--buffer", "borax"), "no buffer 'phtalate'"),
        (("calibrate", "--buffer", "borax,expires=31.12.2099", "--buffer", "phthalate"), "31.12.2099"),
        (("calibrate", "--buffer", "borax"), "1 --buffer given"),
        (("calibrate", "--expected-ph", "6,8"), "Write 6.8 or 6.2:7.4"),
        (("calibrate",), "nobody to ask; give each with --buffer"),
        (("calibrate", "--valid-days", "-3"), "0<x<=3660"),
        (("check", "--low-ionic", "--solution", "acid:5e-5"), "1 --solution given"),
        (("check", "--low-ionic", "--solution", "acd:5e-5"), "'acd:5e-5' does not say how"),
        (("check", "--buffer", "borax", "--tolerance", "0"), "0<x<=100"),
        (("measure", "--conductivity", "1,2"), "Write µS/cm as 1.25"),
    ],
)
def test_a_slip_in_a_flag_is_told_before_anything_is_measured(
    words: tuple[str, ...], told: str, tmp_path: Path
) -> None:
    command, *flags = words
    words = (command, "hall", *flags, "--operator", "Ada", "--config", str(configure(tmp_path)))
    assert told in ran(*words, status=64).err
    assert not (tmp_path / "state").exists()


def test_a_cell_there_is_not_is_told_before_anybody_is_asked(tmp_path: Path) -> None:
    told = ran("measure", "hall", "--config", configure(tmp_path), status=64).err
    assert "no cell hall; the configuration has live-feed-room" in told


@pytest.mark.parametrize(
    ("results", "told"),
    [
        ([], "There is no result since the last good check to doubt"),
        (["hall.1.4"], "Doubt on 1 result since the last good check"),
        (["hall.1.4", "hall.1.5"], "Doubt on 2 results since the last good check"),
    ],
)
def test_a_doubt_says_on_how_many_results_it_is(results: list[str], told: str) -> None:
    assert in_doubt({"determinations": results}) == told
