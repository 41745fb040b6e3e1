"""A recording in place of a meter: its readings, its times, its faults."""

import asyncio
import json
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from quietcell.config import parse_config
from quietcell.core.readings import Flag, Reading
from quietcell.core.recording import HEADER, recording_row
from quietcell.errors import ConfigError, PortLostError, PortUnavailableError
from quietcell.service.drivers import InstalledDrivers
from quietcell_drivers.recording import RecordingPlayer, RecordingSettings
from tests.support.clocks import HeldClock, SteppedClock

NOON = "2026-03-01T12:00:0"
PLAIN = (
    "time,mv,temperature_c,conductivity_us_cm,flow_ml_min,flags\n"
    f"{NOON}0.000Z,-10.5,21,0.07,100,\n"
    f"{NOON}1.000Z,-10.6,,0.07,100,burst\n"
    f"{NOON}1.000Z,-10.7,21.2,,100,\n"
    f"{NOON}4.500Z,-10.8,21.3,0.07,100,\n"
)


def player(
    tmp_path: Path, text: str = PLAIN, clock: HeldClock | None = None, **settings: Any
) -> RecordingPlayer:
    (tmp_path / "loop.csv").write_text(text)
    given = json.dumps({"file": "loop.csv", **settings})
    checked = RecordingSettings.model_validate_json(given, context={"folder": tmp_path})
    return RecordingPlayer(checked, clock or HeldClock())


async def everything(driver: RecordingPlayer) -> list[Reading]:
    """Open, read to the end, close."""
    readings: list[Reading] = []
    await driver.open()
    while True:
        try:
            readings += await driver.read()
        except PortLostError:
            await driver.close()
            return readings


async def test_rows_come_at_the_pace_of_their_times(tmp_path: Path) -> None:
    clock = HeldClock(boot_ms=0)
    readings = await everything(player(tmp_path, clock=clock))
    assert [r.boot_ms for r in readings] == [0, 1000, 1000, 4500]
    assert clock.boot == 4500
    assert [r.mv for r in readings] == [-10.5, -10.6, -10.7, -10.8]
    assert [r.temperature_c for r in readings] == [21.0, None, 21.2, 21.3]
    assert readings[2].conductivity_us_cm is None
    assert [r.flags for r in readings] == [0, Flag.BURST, 0, 0]


async def test_the_pace_may_be_scaled(tmp_path: Path) -> None:
    readings = await everything(player(tmp_path, clock=HeldClock(boot_ms=0), pace=10.0))
    assert [r.boot_ms for r in readings] == [0, 100, 100, 450]


async def test_thousands_of_rows_come_in_order_and_whole(tmp_path: Path) -> None:
    rows = [recording_row(n * 100, [float(n), 21.0, 0.07, 100.0], (), 1) for n in range(12_000)]
    driver = player(tmp_path, "\n".join([",".join(HEADER), *rows]))
    readings = await everything(driver)
    assert [r.mv for r in readings] == [float(n) for n in range(12_000)]
    assert driver.counts.readings == 12_000


async def test_what_has_ended_stays_ended_unless_it_is_to_repeat(tmp_path: Path) -> None:
    once = player(tmp_path)
    await everything(once)
    with pytest.raises(PortUnavailableError, match=r"has ended\. Set repeat = true"):
        await once.open()
    again = player(tmp_path, repeat=True)
    assert len(await everything(again)) == len(await everything(again)) == 4


async def test_a_segment_that_goes_back_in_time_follows_at_once(tmp_path: Path) -> None:
    text = "time,mv,flags,segment\n" + "".join(
        f"2026-03-01T{at}Z,{mv},{labels},{segment}\n"
        for at, mv, labels, segment in [
            ("12:00:00", "", "began-started", 1),
            ("12:00:01", 1, "", 1),
            ("12:00:02", 2, "", 1),
            ("11:00:00", "", "began-clock-step", 2),
            ("11:00:01", 3, "", 2),
            ("11:00:02", 4, "", 2),
        ]
    )
    readings = await everything(player(tmp_path, text, HeldClock(boot_ms=0)))
    assert [r.boot_ms for r in readings] == [0, 1000, 1000, 2000]


async def test_another_layout_is_mapped(tmp_path: Path) -> None:
    layout = {"time": "row", "interval_s": 30.0, "temperature_c": 22.0, "columns": {"ph": "pH"}}
    readings = await everything(player(tmp_path, "n,pH\n1,7.0\n2,6.9\n", HeldClock(boot_ms=0), layout=layout))
    assert [(r.boot_ms, r.temperature_c) for r in readings] == [(0, 22.0), (30_000, 22.0)]
    assert readings[0].mv == pytest.approx(0.0, abs=1e-9)


async def test_a_cancelled_read_loses_nothing(tmp_path: Path) -> None:
    clock = SteppedClock(boot_ms=0)
    driver = player(tmp_path, clock=clock)
    await driver.open()
    assert [r.mv for r in await driver.read()] == [-10.5]
    reading = asyncio.ensure_future(driver.read())
    await asyncio.sleep(0)
    reading.cancel()
    await asyncio.wait({reading})
    clock.advance(1)
    assert [r.mv for r in await driver.read()] == [-10.6, -10.7]
    await driver.close()


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "no header line"),
        ("time,temperature_c\n", "no column 'mv'"),
        ("time;mv\n", r"the file has time;mv\. Say what parts them"),
        ("time,mv\nnow,1\n", "'now' is no time"),
    ],
)
async def test_a_file_that_can_not_be_read_is_told_at_opening(text: str, told: str, tmp_path: Path) -> None:
    driver = player(tmp_path, text)
    for _ in range(2):
        with pytest.raises(PortUnavailableError, match=told):
            await driver.open()


async def test_a_missing_file_and_other_bytes_are_told(tmp_path: Path) -> None:
    driver = player(tmp_path)
    (tmp_path / "loop.csv").write_bytes(b"time,mv\n\xff\xfe\n")
    with pytest.raises(PortUnavailableError, match=r"not UTF-8 text\. Save it as UTF-8"):
        await driver.open()
    (tmp_path / "loop.csv").unlink()
    with pytest.raises(PortUnavailableError, match=r"loop\.csv: the recording cannot be opened"):
        await driver.open()
    with pytest.raises(PortUnavailableError, match="not open"):
        await driver.read()


@pytest.mark.parametrize(
    ("layout", "told"),
    [
        ({"columns": {"volts": "E"}}, "'volts' is no column"),
        ({"columns": {"time": "t"}}, "either mv or ph"),
        ({"time": "row"}, "interval_s"),
        ({"columns": {"mv": "E"}}, "names no time"),
    ],
)
def test_a_layout_that_can_not_be_is_refused(layout: dict[str, Any], told: str) -> None:
    with pytest.raises(ValidationError, match=told):
        RecordingSettings(file="x", layout=layout)  # type: ignore[arg-type] # as a configuration gives it


def test_a_configuration_names_the_file_from_its_own_folder() -> None:
    text = """
[site]
name = "merrow-sound"
[store]
folder = "state"
[cells.hall]
driver = "recording"
settings = { file = "loop.csv" }
"""
    config = parse_config(text, "/etc/loop/quietcell.toml", InstalledDrivers())
    settings = config.cells["hall"].settings
    assert isinstance(settings, RecordingSettings)
    assert settings.file == "/etc/loop/loop.csv"
    with pytest.raises(ConfigError, match=r"quietcell.toml:8: cells.hall.settings.pace"):
        parse_config(text.replace('" }', '", pace = 0 }'), "quietcell.toml", InstalledDrivers())
