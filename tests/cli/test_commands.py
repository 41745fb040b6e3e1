"""Commands as people and scripts use them: what they print and how they end."""

import asyncio
import errno
import json
import os
import random
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from serial.tools import list_ports
from serial.tools.list_ports_common import ListPortInfo

from quietcell.cli import COMMANDS
from quietcell.cli.demo_view import Story, outcome, summary
from quietcell.cli.options import Place, whole_file
from quietcell.cli.ports import serial_ports
from quietcell.config import example_text
from quietcell.errors import QuietcellError
from quietcell.ledger import file_system
from quietcell.service.commands import no_cell
from quietcell.service.control import ControlSocket
from tests.support.command import ran
from tests.support.ledgers import note, open_ledger
from tests.support.recorded import CELL, recorded


@pytest.fixture
def ledger(tmp_path: Path) -> Path:
    """A ledger of three records."""

    async def fill() -> None:
        ledger = open_ledger(tmp_path)
        await ledger.record([note(1), note(2), note(3)])
        await ledger.close()

    asyncio.run(fill())
    return tmp_path


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


def test_who_stops_reading_is_not_told_of_a_mistake() -> None:
    words = [sys.executable, "-m", "quietcell", "config", "example"]
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as told:
        assert told.stdout is not None
        assert told.stderr is not None
        told.stdout.close()
        assert told.stderr.read() == b""
        assert told.wait(30) == 1


def test_the_example_passes_its_own_check(tmp_path: Path) -> None:
    path = tmp_path / "example.toml"
    path.write_text(example_text())
    assert "live-feed-room" in ran("config", "check", "--config", path).out


def test_faults_of_a_configuration_end_with_78_and_their_lines(tmp_path: Path) -> None:
    path = tmp_path / "wrong.toml"
    path.write_text('[site]\nname = 5\n[cells.hall]\ndriver = "line-straem"\nsettings = {}\n')
    lines = ran("run", "--config", path, status=78).err.splitlines()
    assert any(line.startswith(f"{path}:2: site.name") for line in lines)
    assert any("line-stream" in line for line in lines if line.startswith(f"{path}:4"))


def test_a_check_looks_for_the_files_of_secrets_and_certificates(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "quietcell.toml"
    beside = {name: tmp_path / name for name in ("password", "ca.pem", "cert.pem", "key.pem")}
    path.write_text(
        '[site]\nname = "x"\n[store]\nfolder = "state"\n[cells.hall]\ndriver = "simulated"\n'
        '[panel]\ntoken = { credential = "token", file = "nowhere" }\n'
        '[outlets.mqtt]\nhost = "127.0.0.1"\nusername = "u"\npassword = { file = "password" }\n'
        'tls = { ca = "ca.pem", cert = "cert.pem", key = "key.pem" }\n'
    )
    check = ("config", "check", "--config", str(path))
    credential, *told = ran(*check, status=78).err.splitlines()
    assert credential.startswith(f"{path}:8: panel.token: credential token is handed over at a start")
    keys = ["password", "tls.ca", "tls.cert", "tls.key"]
    for line, key, number, file in zip(told, keys, (12, 13, 13, 13), beside.values(), strict=True):
        assert line.startswith(f"{path}:{number}: outlets.mqtt.{key}: {file} cannot be read: No such file")
    for file in beside.values():
        file.write_text("none")
        file.chmod(0o600)
    assert "outlets.mqtt.tls.ca: " in (told_now := ran(*check, status=78).err)
    assert "holds no certificate in PEM form" in told_now
    beside["password"].chmod(0o640)
    # The daemon's user may be another.
    monkeypatch.setattr("os.access", lambda name, _mode: Path(name).suffix == ".toml")
    assert "must be 0600 or tighter" in ran(*check, status=78).err
    beside["password"].chmod(0o600)
    assert "tls.key: " in (told_now := ran(*check).err)
    assert "cannot be read by you; the daemon's user must be able to" in told_now


def test_a_check_finds_folders_that_cannot_be_used(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path, mounts = tmp_path / "quietcell.toml", tmp_path / "mounts"
    mounts.write_text(f"36 25 0:31 / {tmp_path} rw - nfs4 sea:/ rw\n")
    monkeypatch.setattr(file_system, "MOUNTS", mounts)
    (tmp_path / "results").touch()
    path.write_text(
        '[site]\nname = "x"\n[store]\nfolder = "state"\n[cells.hall]\ndriver = "simulated"\n'
        '[outlets.files]\nfolder = "results"\n'
    )
    store, results = ran("config", "check", "--config", path, status=78).err.splitlines()
    assert store.startswith(f"{path}:4: store.folder: ")
    assert "lies on a network file system (nfs4)" in store
    assert results == f"{path}:8: outlets.files.folder: {tmp_path}/results is a file; must be a folder"


def test_a_check_names_folders_closed_to_whoever_checks_which_is_no_fault(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "quietcell.toml"
    path.write_text(
        '[site]\nname = "x"\n[store]\nfolder = "closed/state"\n[cells.hall]\ndriver = "simulated"\n'
    )
    (tmp_path / "closed").mkdir()
    monkeypatch.setattr("os.access", lambda name, _mode: Path(name).name != "closed")
    told = ran("config", "check", "--config", path).err
    assert told.startswith(f"{path}:4: store.folder: in {tmp_path}/closed nothing can be written by you")


def test_a_check_names_ports_that_are_not_there_which_is_no_fault(tmp_path: Path) -> None:
    path = tmp_path / "quietcell.toml"
    path.write_text(
        '[site]\nname = "x"\n[store]\nfolder = "state"\n[cells.hall]\ndriver = "line-stream"\n'
        f'settings = {{ port = "{tmp_path}/gone", columns = ["mv"] }}\n'
    )
    assert ran("config", "check", "--config", path).err.startswith(
        f"{path}:7: cells.hall.settings: port {tmp_path}/gone is not"
    )


def test_a_check_names_meters_asked_too_seldom_for_their_criterion(tmp_path: Path) -> None:
    path = tmp_path / "quietcell.toml"
    path.write_text(
        '[site]\nname = "merrow-sound"\n[store]\nfolder = "state"\n[cells.hall]\ndriver = "line-poll"\n'
        'settings = { port = "socket://127.0.0.1:1", columns = ["mv"], question = "?", interval_s = 3.5 }\n'
    )
    (told,) = ran("config", "check", "--config", path).err.splitlines()
    assert told.startswith(
        f"{path}:7: cells.hall.settings: a reading every 3.5 s never fills the window of buf"
    )
    assert 'buffer_criterion = "buffer": min_readings = 10 in window_s = 30' in told


def test_a_check_names_recordings_that_are_not_there_which_is_no_fault(tmp_path: Path) -> None:
    path = tmp_path / "quietcell.toml"
    path.write_text(
        '[site]\nname = "x"\n[store]\nfolder = "state"\n[cells.hall]\ndriver = "recording"\n'
        'settings = { file = "hall.csv" }\n'
    )
    told = f"{path}:7: cells.hall.settings: there is no file {tmp_path}/hall.csv now\n"
    for expected in (told, ""):
        assert ran("config", "check", "--config", path).err == expected
        (tmp_path / "hall.csv").touch()


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


def test_installed_drivers_are_listed_with_their_settings() -> None:
    assert {"line-stream", "line-poll"} <= {row["name"] for row in json.loads(ran("drivers", "--json").out)}
    shown = ran("drivers", "line-poll").out
    for setting in ("quiet_s (default 0.2)", "decimal_comma (default false)", "gap_s (default left out)"):
        assert setting in shown
    assert "layout (default {})" in ran("drivers", "recording").out


def test_what_stands_inside_a_setting_is_explained_too() -> None:
    shown = ran("drivers", "modbus-rtu").out
    assert "registers.NAME.address (required)\n    First register as sent on the line, from 0" in shown
    assert "status.bits (default {})" in shown


def test_what_a_driver_must_have_comes_first_and_no_name_is_cut_in_two() -> None:
    shown = ran("drivers", "line-poll").out
    assert [shown.index(f"\n  {name} (") for name in ("port", "question")] < [shown.index(" (default")] * 2
    assert "by-\n" not in shown


def test_twins_among_ports_are_noticed(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    def port(name: str) -> ListPortInfo:
        info: Any = ListPortInfo(str(tmp_path / name))
        (tmp_path / name).touch()
        info.vid, info.pid, info.serial_number = 1, 2, "0001"
        return info  # type: ignore[no-any-return] # built without types

    monkeypatch.setattr(list_ports, "comports", lambda: [port("ttyUSB1"), port("ttyUSB0")])
    (tmp_path / "by-path").mkdir()
    (tmp_path / "by-path" / "socket-2").symlink_to(tmp_path / "ttyUSB1")
    first, second = serial_ports(tmp_path)
    assert (first.twin, second.twin) == (True, True)
    assert first.by_path is None
    assert second.by_path == str(tmp_path / "by-path" / "socket-2")


def test_a_file_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    config, recording, out = tmp_path / "cells.toml", tmp_path / "hall.csv", tmp_path / "none" / "out.jsonl"
    config.write_text(
        '[site]\nname = "merrow-sound"\n[cells.hall.calibration]\nslope_pct = 98.4\nzero_mv = 3.1\n'
    )
    recording.write_text("time,mv\n2026-03-01T08:00:00Z,25.0\n")
    assert str(out) in ran("replay", recording, "--out", out, "--config", config, status=1).err


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


def test_what_to_ask_needs_a_port_to_listen_to() -> None:
    for flags in (("--ask", "READ?"), ("--baud", "9600")):
        assert "--listen PORT" in ran("ports", *flags, status=64).err


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
