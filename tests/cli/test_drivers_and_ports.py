"""`drivers` and `ports`: what there is, and what it wants to be told."""

import json
from pathlib import Path
from typing import Any

import pytest
from serial.tools import list_ports
from serial.tools.list_ports_common import ListPortInfo

from quietcell.cli.ports import serial_ports
from tests.support.command import ran


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
    def port(name: str) -> Any:
        info = ListPortInfo(str(tmp_path / name))
        (tmp_path / name).touch()
        info.vid, info.pid, info.serial_number = 1, 2, "0001"
        return info

    monkeypatch.setattr(list_ports, "comports", lambda: [port("ttyUSB1"), port("ttyUSB0")])
    (tmp_path / "by-path").mkdir()
    (tmp_path / "by-path" / "socket-2").symlink_to(tmp_path / "ttyUSB1")
    first, second = serial_ports(tmp_path)
    assert (first.twin, second.twin) == (True, True)
    assert first.by_path is None
    assert second.by_path == str(tmp_path / "by-path" / "socket-2")


def test_what_to_ask_needs_a_port_to_listen_to() -> None:
    for flags in (("--ask", "READ?"), ("--baud", "9600")):
        assert "--listen PORT" in ran("ports", *flags, status=64).err
