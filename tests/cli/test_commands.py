"""Commands as people and scripts use them: what they print and how they end."""

import asyncio
import errno
import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from quietcell.cli import COMMANDS
from quietcell.cli.demo_view import Story, outcome, summary
from quietcell.cli.options import Place
from quietcell.service.commands import no_cell
from quietcell.service.control import ControlSocket
from tests.support.command import ran


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_explains_itself(name: str) -> None:
    assert "Usage:" in ran(name, "--help").out


@pytest.mark.parametrize("words", [["nonsense"], ["run"], ["verify"], ["verify", "--ledger", "/nowhere"]])
def test_wrong_use_ends_with_64(words: list[str]) -> None:
    assert ran(*words, status=64).err


@pytest.mark.parametrize("value", ["nan", "inf", "-1e999", "seven"])
@pytest.mark.parametrize(
    "words",
    [
        ["report", "--days"],
        ["check", "larval-hall", "--known-ph"],
        ["calibrate", "larval-hall", "--as-found-limit"],
        ["measure", "larval-hall", "--age-min"],
    ],
)
def test_what_is_no_finite_number_is_refused(words: list[str], value: str) -> None:
    assert f"'{words[-1]}': '{value}' is no number" in ran(*words, value, status=64).err


@pytest.mark.parametrize("command", ["verify", "report", "export", "backup"])
def test_a_folder_without_a_ledger_is_said_to_be_one(command: str, tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    more = () if command == "verify" else ("--out", tmp_path / "out")
    told = ran(command, "--ledger", tmp_path / "empty", *more, status=1).err
    assert "no ledger here. Has `quietcell run` been started once?" in told


def test_closed_standard_streams_are_taken_by_no_file_of_ours() -> None:
    code = (
        "import os, sys\nfor number in range(3): os.close(number)\nsys.stderr = None\n"
        "from quietcell.service.logs import configure_logs, hold_standard_streams\n"
        "hold_standard_streams()\nconfigure_logs('auto')\n"
        "assert os.open('/', os.O_RDONLY) > 2"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_who_runs_out_of_open_files_is_told_what_allows_more(monkeypatch: pytest.MonkeyPatch) -> None:
    def none_left(_: Place) -> Path:
        raise OSError(errno.EMFILE, "Too many open files")

    monkeypatch.setattr(Place, "folder", none_left)
    assert "Too many open files. Let it have more: LimitNOFILE=" in ran("verify", status=1).err


@pytest.mark.parametrize("command", ["status", "verify"])
def test_who_may_not_look_into_the_ledger_is_told_what_lets_them(
    command: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def closed(_: Path) -> bool:
        raise PermissionError

    monkeypatch.setattr(Path, "is_dir", closed)
    told = ran(command, "--ledger", tmp_path, status=1).err
    assert f"{tmp_path}: not allowed. Join the group that owns it, and log in again" in told


def test_who_stops_reading_is_not_told_of_a_mistake() -> None:
    words = [sys.executable, "-m", "quietcell", "config", "example"]
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as told:
        assert told.stdout is not None
        assert told.stderr is not None
        told.stdout.close()
        assert told.stderr.read() == b""
        assert told.wait(30) == 1


def test_verify_tells_a_sound_ledger_from_a_cut_one(ledger: Path) -> None:
    sound = json.loads(ran("verify", "--ledger", ledger, "--json").out)
    assert (sound["records"], sound["fault"]) == (3, None)
    ran("verify", "--ledger", ledger, "--head", sound["head"])
    assert "witnessed" in ran("verify", "--ledger", ledger, "--head", "0" * 64, status=1).out


def test_status_without_a_daemon_says_so(ledger: Path) -> None:
    assert "Is `quietcell run` running" in ran("status", "--ledger", ledger, status=1).err


@pytest.mark.parametrize("words", [["status"], ["alarm", "list"]])
def test_a_wrong_configuration_does_not_hide_that_the_ledger_has_a_name_of_its_own(
    words: list[str], tmp_path: Path
) -> None:
    path = tmp_path / "wrong.toml"
    path.write_text("[site]\nname = 5\n[cells.hall]\n")
    fault, hint = ran(*words, "--config", path, status=78).err.splitlines()
    assert fault.startswith(f"{path}:2: site.name")
    assert "--ledger FOLDER" in hint


@pytest.mark.parametrize(
    ("temperature_c", "reading"),
    [(21.0, "no pH without a calibration, 25.02 mV, 21.0 °C"), (None, "no pH without temperature, 25.02 mV")],
)
def test_status_shows_the_potential_of_a_cell_without_a_ph_and_what_it_lacks(
    monkeypatch: pytest.MonkeyPatch,
    temperature_c: float | None,
    reading: str,
) -> None:
    values = {
        "ph": None,
        "mv": 25.02,
        "temperature_c": temperature_c,
        "conductivity_us_cm": None,
        "flow_ml_min": None,
    }
    cell = {"cell": "hall", "at": "2026-03-01T08:00:00.000Z", "age_s": 0.4, "waits_for": "rinse", **values}
    kept = {"things": {}, "condition": {"findings": []}, "due": []}

    def answer(_place: Place, request: dict[str, Any]) -> dict[str, Any]:
        whole = {"site": "merrow-sound", "run": 1, "seq": 3, "ledger": "6b82", "outlets": [], "cells": [cell],
                 "disk": "the disk of the ledger is full; readings are dropped"}  # fmt: skip
        alarms = [
            {"cell": "hall", "title": "Sanitisation under way", "state": "acknowledged"},
            {"cell": "hall", "title": "Meter silent", "state": "returned-unacknowledged"},
            {"cell": "nursery", "title": "Check due", "state": "unacknowledged"},
        ]
        conditions = {"hall": "function-check", "nursery": "maintenance-required"}
        told = {"alarms": alarms, "conditions": conditions}
        answers: dict[str, dict[str, Any]] = {"status": whole, "alarms": told, "kept": kept}
        return answers[request["command"]]

    monkeypatch.setattr(Place, "ask", answer)
    shown = ran("status", "--ledger", "state").out
    assert f"hall: {reading} (0 s ago)" in shown
    assert "tells what to do): Sanitisation under way\n" in shown
    assert "NE 107: function check\n" in shown
    assert "the disk of the ledger is full" in shown


def test_an_electrode_under_a_fixed_calibration_is_told_to_be_another_ones(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    body = {
        "record": "electrode", "id": "daemon.1.4", "cell": "hall", "thing": "electrode", "name": "probe-8",
        "state": "in-use", "already_there": False, "condition_reasons": [],
    }  # fmt: skip
    answer = {"body": body, "left": None, "calibrated": True, "fixed": True}
    monkeypatch.setattr(Place, "ask", lambda *_: answer)
    put = ("note", "hall", "--put-in", "electrode", "--name", "probe-8", "--ledger", "state")
    assert "which is another electrode's: cells.hall.calibration" in ran(*put).out
    answer["fixed"] = False
    assert "calibration" not in ran(*put).out
    answer["calibrated"] = False
    assert "no calibration with it yet: quietcell calibrate hall --config FILE\n" in ran(*put).out
    assert Place(Path("my loop.toml"), None).words() == "--config 'my loop.toml'"


def test_an_alarm_that_is_over_is_told_to_be_so_in_the_words_of_the_page(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    alarm = {
        "cell": "hall", "alarm": "meter-silent", "title": "Meter silent", "priority": "high",
        "since": "2026-03-01T08:00:00.000Z", "text": "", "what_to_do": "Check the plug.",
        "respond_within_s": 1800.0, "consequence": "Nothing is measured.",
    }  # fmt: skip
    states = ("unacknowledged", "returned-unacknowledged")
    alarms = [{**alarm, "state": state} for state in states]
    alarms[0] |= {"episode": "hall.1.7", "confirmed": False}
    alarms.append({**alarms[0], "confirmed": True})
    monkeypatch.setattr(Place, "ask", lambda *_: {"alarms": alarms})
    told = ran("alarm", "list", "--ledger", "state").out
    held, over, confirmed = told.split("hall meter-silent: Meter silent ")[1:]
    assert held.startswith("(high priority, not acknowledged)")
    assert "  do: Check the plug.\n  within 30 min, or: Nothing is measured." in held
    assert "once you know: `quietcell episode hall hall.1.7 confirm --ledger state`, or `reject`" in held
    assert over.startswith("(high priority, over, not acknowledged)")
    assert "It is over. Acknowledge it when you have seen to it.\n  What was to be done: Check" in over
    assert "within" not in over
    assert "confirmed; it closes once the readings show" in confirmed


@pytest.mark.parametrize(
    ("words", "asked"),
    [
        (("acknowledge", "hall", "meter-silent"), {"command": "alarm-acknowledge", "alarm": "meter-silent"}),
        (("unshelve", "hall", "meter-silent"), {"command": "alarm-unshelve", "alarm": "meter-silent"}),
        (
            ("shelve", "hall", "meter-silent", "--for", "8h"),
            {"command": "alarm-shelve", "alarm": "meter-silent", "for_s": 28_800.0},
        ),
        (("sanitisation", "hall", "--for", "90min"), {"command": "sanitisation", "for_s": 5400.0}),
        (("sanitisation", "hall"), {"command": "sanitisation"}),
    ],
)
def test_an_act_on_an_alarm_says_who_did_it_and_why(
    words: tuple[str, ...], asked: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    def answer(_place: Place, request: dict[str, Any]) -> dict[str, Any]:
        assert request == {"cell": "hall", "operator": "Ada", "reason": "seen to", **asked}
        return {"alarm": "meter-silent", "state": "normal", "seq": 7}

    monkeypatch.setattr(Place, "ask", answer)
    done = ran("alarm", *words, "--ledger", "state", "--operator", "Ada", "--why", "seen to")
    assert done.out == "hall meter-silent: normal (record 7)\n"


def test_the_demonstration_says_what_qualifies_a_result() -> None:
    body = {"reasons": [], "qualifiers": [], "ph_reported": 6.97, "ph_expanded_uncertainty": 0.16}
    body |= {"verdict": "qualified", "temperature_c": 21.0, "episodes": ["larval-hall.1.6"]}
    assert outcome(body) == "qualified pH 6.97 ± 0.16 at 21.0 °C (episode larval-hall.1.6)"


def test_the_demonstration_names_commands_that_work_where_it_was_started(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr("shutil.which", lambda _name: None)
    monkeypatch.setattr("sys.argv", [".venv/bin/quietcell", "demo"])
    told = summary(Story(cells=[]), tmp_path)
    assert f"(.venv/bin/quietcell verify --ledger {tmp_path / 'ledger'})" in told
    assert f" .venv/bin/quietcell report --config {tmp_path / 'demo.toml'}" in told
    monkeypatch.setattr("quietcell.cli.demo_view.find_spec", lambda _name: None)
    assert "No report: install 'quietcell[report]'" in summary(Story(cells=[]), tmp_path)


def test_a_user_without_a_name_is_asked_for_one(ledger: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def nobody() -> str:
        raise KeyError("getpwuid(): uid not found: 54321")

    monkeypatch.setattr("getpass.getuser", nobody)
    assert (
        "Give --operator" in ran("note", "live-feed-room", "hose replaced", "--ledger", ledger, status=64).err
    )


def test_help_shows_a_range_only_where_there_is_one() -> None:
    shown = ran("check", "--help").out
    assert "None" not in shown
    assert "[x>=0.1]" in shown


def test_a_reload_that_concerns_no_cell_says_what_it_took_over(
    ledger: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def answer(*_given: Any, **_limits: Any) -> dict[str, Any]:
        return {"ok": True, "added": [], "removed": [], "changed": [], "besides": ["outlets.mqtt"]}

    monkeypatch.setattr("quietcell.service.control.ask", answer)
    assert ran("reload", "--ledger", ledger).out == "Cells: none concerned\nBesides: outlets.mqtt\n"


async def test_what_is_asked_with_ends_with_64_where_the_daemon_finds_it_wrong(tmp_path: Path) -> None:
    async def deny(request: dict[str, Any]) -> dict[str, Any]:
        raise no_cell(request["cell"], ["hall"])

    async with ControlSocket(tmp_path, {"request": deny}):
        await asyncio.to_thread(ran, "request", "hal", "--ledger", tmp_path, status=64)


def test_a_fault_of_the_configuration_that_the_daemon_found_ends_with_78(
    ledger: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def answer(*_given: Any, **_limits: Any) -> dict[str, Any]:
        return {"ok": False, "error": "one\ntwo", "faults": ["one", "two"]}

    monkeypatch.setattr("quietcell.service.control.ask", answer)
    assert ran("reload", "--ledger", ledger, status=78).err == "one\ntwo\n"


async def test_a_hostile_line_to_the_control_socket_gets_an_error_and_changes_nothing(tmp_path: Path) -> None:
    asked: list[dict[str, Any]] = []

    async def status(request: dict[str, Any]) -> dict[str, Any]:
        asked.append(request)
        return {"site": "merrow-sound"}

    async with ControlSocket(tmp_path, {"status": status}):
        reader, writer = await asyncio.open_unix_connection(tmp_path / "control.sock")
        for line in (b"{", b"[1]", b'{"command": 5}', b'{"command": "launch"}', b"\xff\xfe"):
            writer.write(line + b"\n")
            assert json.loads(await reader.readline())["ok"] is False
        writer.write(b'{"command": "status"}\n')
        assert json.loads(await reader.readline()) == {"ok": True, "site": "merrow-sound"}
        assert asked == [{"command": "status", "via": "socket"}]
        writer.write(b"x" * 200_000 + b"\n")
        assert await reader.read() == b""  # beyond the limit: hung up
        writer.close()
    assert len(asked) == 1
    assert not (tmp_path / "control.sock").exists()


def test_many_records_sent_again_are_counted_and_few_are_named(
    ledger: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def answer(*_asked: object, **_how: object) -> dict[str, Any]:
        return {"ok": True, "delivered": list(range(7, 900, 2)), "parked": [4, 902]}

    monkeypatch.setattr("quietcell.service.control.ask", answer)
    told = ran("resend", "--ledger", ledger, status=1).out
    assert told == "Delivered: 447 records from 7 to 899; parked still: 4, 902\n"
