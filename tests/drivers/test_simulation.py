"""The simulated cell is repeatable and behaves as water and electrodes do; its meter speaks."""

import itertools
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from quietcell_drivers.emulator import FORMS
from quietcell_drivers.framing import Line
from quietcell_drivers.line_format import LineFormatSettings
from quietcell_drivers.line_poll import LinePoll, LinePollSettings
from quietcell_drivers.line_reader import LineReader
from quietcell_drivers.line_stream import LineStream, LineStreamSettings
from quietcell_drivers.simulation import SCENARIOS, Sample, Scenario, Simulation, water_ph_and_conductivity
from tests.support.clocks import RealClock
from tests.support.live import wait_until
from tests.support.pseudo_terminal import fetch

FORM_SETTINGS: dict[str, dict[str, Any]] = {
    "semicolons": {"columns": ["mv", "temperature_c", "conductivity_us_cm", "flow_ml_min"]},
    "asked-with-comma": {
        "terminator": r"\r",
        "decimal_comma": True,
        "pattern": r"E (?P<mv>\S+) mV  T (?P<temperature_c>\S+) °C  K (?P<conductivity_us_cm>\S+) µS/cm  "
        r"Q (?P<flow_ml_min>\S+) L/h  (?P<status>\w+)",
        "units": {"flow_ml_min": "L/h"},
        "status": {"OK": ""},
    },
    "volts-and-kelvin": {
        "columns": ["mv", "temperature_c", "conductivity_us_cm", "status"],
        "delimiter": ",",
        "units": {"mv": "V", "temperature_c": "K", "conductivity_us_cm": "MΩ·cm"},
        "status": {"RUN": ""},
    },
}


def taken(scenario: Scenario, count: int, seed: int = 1) -> list[Sample]:
    return list(itertools.islice(Simulation(scenario, seed).samples(1.0), count))


# Source: sum of CRC conductances and the closed-vessel table computed with two public programs
# (pH 6.3061, 0.1974 µS/cm at 1 µmol/kg; 5.7210, 0.7480 at 10 µmol/kg, 25 °C).
@pytest.mark.parametrize(
    ("co2_mol_l", "ph", "conductivity"), [(1e-6, 6.3061, 0.1974), (1e-5, 5.7210, 0.7480)]
)
def test_water_with_co2_agrees_with_the_published_line(
    co2_mol_l: float, ph: float, conductivity: float
) -> None:
    found_ph, found_conductivity = water_ph_and_conductivity(co2_mol_l, 0.0, 25.0)
    assert found_ph == pytest.approx(ph, abs=0.01)
    assert found_conductivity == pytest.approx(conductivity, rel=0.02)


def test_the_same_seed_gives_the_same_samples() -> None:
    assert taken(SCENARIOS["air-gets-in"], 50) == taken(SCENARIOS["air-gets-in"], 50)
    assert taken(SCENARIOS["quiet"], 50) != taken(SCENARIOS["quiet"], 50, seed=2)


def test_air_lowers_ph_and_raises_conductivity() -> None:
    samples = taken(SCENARIOS["air-gets-in"], 1500)
    before, after = samples[400], samples[1490]
    assert after.mv > before.mv + 15
    assert after.conductivity_us_cm > 1.5 * before.conductivity_us_cm


def test_a_junction_fresh_from_buffer_relaxes() -> None:
    samples = taken(SCENARIOS["fresh-from-buffer"], 3000)
    assert samples[2999].mv - samples[0].mv == pytest.approx(9.0 * 0.865, abs=0.5)


@pytest.mark.parametrize("name", FORMS)
def test_every_form_is_read_by_configuration_alone(name: str) -> None:
    (sample,) = taken(SCENARIOS["quiet"], 1)
    reader = LineReader(LineFormatSettings.model_validate(FORM_SETTINGS[name]))
    content = FORMS[name].line(sample).encode(FORMS[name].encoding).strip()
    reading = reader.reading(Line(content), 0)
    assert reading is not None, reader.counts
    assert reading.flags == 0
    assert reading.mv == pytest.approx(sample.mv, abs=0.011)
    assert reading.temperature_c == pytest.approx(sample.temperature_c, abs=0.011)
    assert reading.conductivity_us_cm == pytest.approx(sample.conductivity_us_cm, rel=0.002)


@pytest.mark.parametrize("name", ["semicolons", "asked-with-comma"])
async def test_an_emulated_meter_is_a_process_with_a_device(name: str, tmp_path: Path) -> None:
    link = tmp_path / "meter"
    command = [sys.executable, "-m", "quietcell_drivers.emulator", "--link", str(link), "--form", name]
    meter = subprocess.Popen([*command, "--scale", "50"], env=os.environ)  # noqa: ASYNC220 # starts at once
    try:
        wait_until(link.exists, "the emulated meter")
        settings = {"port": str(link), **FORM_SETTINGS[name]}
        driver: LineStream | LinePoll
        if FORMS[name].question:
            asked = {"question": r"VALUES\r", "interval_s": 0.02, "quiet_s": 0.05}
            driver = LinePoll(LinePollSettings.model_validate({**settings, **asked}), RealClock())
        else:
            driver = LineStream(LineStreamSettings.model_validate(settings), RealClock())
        await driver.open()
        readings = await fetch(driver, 5)
        await driver.close()
    finally:
        meter.terminate()
        meter.wait()
    assert all(reading.flow_ml_min is not None for reading in readings)
