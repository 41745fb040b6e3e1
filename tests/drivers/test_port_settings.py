"""Which ports several cells of a configuration may name."""

from pathlib import Path

import pytest

from quietcell.config import parse_config
from quietcell.errors import ConfigError
from quietcell.service.drivers import InstalledDrivers

SITE = '[site]\nname = "merrow-sound"\n[store]\nfolder = "state"\n'
STREAM = 'driver = "line-stream"\nsettings = {{ port = "{port}", columns = ["mv"] }}\n'
POLL = 'driver = "line-poll"\nsettings = {{ port = "{port}", columns = ["mv"], question = "READ?" }}\n'
BUS = (
    'driver = "modbus-rtu"\n'
    'settings = {{ port = "{port}", unit = 7, registers = {{ mv = {{ address = 0, unit = "mV" }} }} }}\n'
)
DEVICE = "/dev/serial/by-id/rack"


def text(hall: str, tank: str, port: str) -> str:
    return SITE + "".join(f"[cells.{n}]\n{c.format(port=port)}" for n, c in (("hall", hall), ("tank", tank)))


@pytest.mark.parametrize("other", [STREAM, POLL])
def test_a_serial_line_serves_one_cell(other: str) -> None:
    with pytest.raises(ConfigError) as caught:
        parse_config(text(STREAM, other, DEVICE), "loop.toml", InstalledDrivers())
    wrong = f'port "{DEVICE}" is that of cells.hall already; it can serve one cell only'
    assert caught.value.faults == [f"loop.toml:10: cells.tank.settings: {wrong}"]


def test_a_serial_line_serves_one_cell_whatever_names_it_has(tmp_path: Path) -> None:
    link = tmp_path / "rack"
    link.symlink_to("/dev/null")
    other = STREAM.replace("{port}", "/dev/null")
    with pytest.raises(ConfigError) as caught:
        parse_config(text(STREAM, other, str(link)), "loop.toml", InstalledDrivers())
    wrong = f'port "/dev/null" is that of cells.hall already, by the name "{str(link)[:10]}'
    assert wrong in caught.value.faults[0]


@pytest.mark.parametrize(("driver", "port"), [(BUS, DEVICE), (STREAM, "socket://127.0.0.1:4001")])
def test_meters_with_addresses_and_serial_servers_serve_several(driver: str, port: str) -> None:
    config = parse_config(text(driver, driver, port), "loop.toml", InstalledDrivers())
    assert set(config.cells) == {"hall", "tank"}
