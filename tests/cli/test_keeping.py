"""Electrodes, notes and what is due, as people tell them at a terminal; without a daemon and beside one."""

from pathlib import Path

import pytest

from tests.support.bench_meter import (
    CONFIGURATION,
    answered,
    bodies,
    configure,
    daemon,
    terminal,
)
from tests.support.page_tables import Page
from tests.support.reporting import table

pytestmark = pytest.mark.live
LIMITS = "[cells.live-feed-room.limits]\nelectrolyte_every_d = 90.0\ncleaning_every_d = 60.0\n"


def test_an_electrode_moves_with_its_care_and_its_history(tmp_path: Path) -> None:
    cell = CONFIGURATION[CONFIGURATION.index("[cells.") :].format(folder=tmp_path)
    hall = cell.replace("live-feed-room", "larval-hall").replace("/meter", "/other")
    configure(tmp_path, more=hall + LIMITS)
    who = ("--operator", "Ada")

    def said(*words: str, expect: str, status: int = 0) -> None:
        done = answered(tmp_path, *words, *who, status=status)
        assert expect in done.out + done.err

    put = ("--put-in", "electrode", "--name", "probe-7")
    first = terminal(tmp_path, "note", "live-feed-room", *put, "--serial", "M-12", *who)
    first.expect("no calibration with it yet")
    assert first.ended() == 0
    with daemon(tmp_path):
        said("note", "live-feed-room", "--work", "electrolyte-refilled", expect="acids burn")
        said("note", "larval-hall", *put, expect="It was in live-feed-room before")
        gone = ("--take-out", "electrode", "--name", "probe-7", "--retired")
        said("note", "live-feed-room", *gone, expect="probe-7 is in larval-hall", status=1)
        said("note", "larval-hall", "--history", "probe-7", expect="refilled: electrolyte refilled")
        text = answered(tmp_path, "status").out
        assert "cleaned is due: never recorded" in text
        assert "electrode probe-7" in text
        said("note", "larval-hall", "--name", "probe-7", expect="--name goes with", status=64)
    moves = bodies(tmp_path, "electrode")
    assert [(b["cell"], b["state"], b["serial"]) for b in moves] == [
        ("live-feed-room", "in-use", "M-12"),
        ("live-feed-room", "stored", None),
        ("larval-hall", "in-use", None),
    ]
    (note,) = bodies(tmp_path, "note")
    assert moves[-1]["electrolyte_at"] == note["at"]
    configured = bodies(tmp_path, "configuration")
    last = {b["cell"]: b["settings"]["electrode"] for b in configured}
    assert last == {"live-feed-room": None, "larval-hall": "probe-7"}
    out = tmp_path / "day.html"
    answered(tmp_path, "report", "--days", "1", "--out", str(out))
    acts = [[c.text for c in row[1:]] for row in table(Page(out), "live-feed-room", "acts").rows]
    assert acts == [
        ["Ada", "electrode probe-7 in-use"],
        ["Ada", "electrode probe-7 stored: moved to larval-hall"],
    ]
