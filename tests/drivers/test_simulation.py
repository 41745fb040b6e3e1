"""The simulated cell is repeatable and behaves as water and electrodes do; its meter speaks."""

import itertools
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import scipy
from pydantic import ValidationError

from quietcell.errors import PortUnavailableError
from quietcell_drivers.emulator import FORMS
from quietcell_drivers.framing import Line
from quietcell_drivers.line_format import LineFormatSettings
from quietcell_drivers.line_poll import LinePoll, LinePollSettings
from quietcell_drivers.line_reader import LineReader
from quietcell_drivers.line_stream import LineStream, LineStreamSettings
from quietcell_drivers.machine_clock import MachineClock
from quietcell_drivers.simulated import Simulated, SimulatedSettings
from quietcell_drivers.simulation import (
    SCENARIOS,
    Sample,
    Scenario,
    Shift,
    Simulation,
    water_ph_and_conductivity,
)
from tests.support.clocks import HeldClock
from tests.support.fetching import fetch
from tests.support.live import wait_until

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


def test_air_lowers_ph_and_raises_conductivity_until_the_leak_is_mended() -> None:
    samples = taken(SCENARIOS["air-gets-in"], 2000)
    before, after, mended = samples[400], samples[1190], samples[1990]
    assert after.mv > before.mv + 15
    assert after.conductivity_us_cm > 1.5 * before.conductivity_us_cm
    assert mended.mv == pytest.approx(before.mv, abs=1.0)
    assert mended.conductivity_us_cm == pytest.approx(before.conductivity_us_cm, rel=0.05)


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
            driver = LinePoll(LinePollSettings.model_validate({**settings, **asked}), MachineClock())
        else:
            driver = LineStream(LineStreamSettings.model_validate(settings), MachineClock())
        await driver.open()
        readings = await fetch(driver, 5)
        await driver.close()
    finally:
        meter.terminate()
        meter.wait()
    assert all(reading.flow_ml_min is not None for reading in readings)


def test_noise_is_like_one_over_f_where_it_counts() -> None:
    quiet = Scenario(temperature_swing_c=0.0, white_mv=0.0, flicker_mv=1.0)
    mv = np.array([s.mv for s in itertools.islice(Simulation(quiet, 3, step_mv=1e-4).samples(1.0), 12_000)])
    frequency, power = scipy.signal.welch(mv - mv.mean(), nperseg=2048)
    band = (frequency > 1 / 600) & (frequency < 1 / 10)
    exponent = np.polyfit(np.log(frequency[band]), np.log(power[band]), 1)[0]
    assert -1.5 < exponent < -0.7


def test_the_electrode_follows_with_two_time_constants() -> None:
    stepped = Scenario(
        temperature_swing_c=0.0, white_mv=0.0, flicker_mv=0.0, fast_s=4.0, slow_s=60.0, slow_share=0.2,
        events=(Shift(of="salt_mol_l", by=0.0, at_s=0.0), Shift(of="co2_ug_l", by=200.0, at_s=10.0)),
    )  # fmt: skip
    mv = np.array([s.mv for s in taken(stepped, 700)])
    way = (mv - mv[5]) / (mv[-1] - mv[5])
    # From the step on: 80 % with 4 s, 20 % with 60 s.
    for after_s in (4, 20, 60, 180):
        expected = 0.8 * -np.expm1(-after_s / 4.0) + 0.2 * -np.expm1(-after_s / 60.0)
        assert way[9 + after_s] == pytest.approx(expected, abs=0.01)


@pytest.mark.parametrize(
    ("event", "quantity", "moved"),
    [
        (Shift(of="temperature_c", by=4.0, at_s=10.0, until_s=60.0), "temperature_c", 4.0),
        (Shift(of="flow_ml_min", by=-100.0, at_s=10.0, until_s=60.0), "flow_ml_min", -100.0),
        (Shift(of="mv", by=12.5, at_s=10.0, until_s=60.0), "mv", 12.5),
        # KCl: (73.5 + 76.3) S cm²/mol, CRC; here sodium chloride, 126.4.
        (Shift(of="salt_mol_l", by=1e-6, at_s=10.0, until_s=60.0), "conductivity_us_cm", 0.12639 * 0.92),
    ],
)
def test_events_come_and_go(event: Shift, quantity: str, moved: float) -> None:
    calm = {"temperature_swing_c": 0.0, "white_mv": 0.0, "flicker_mv": 0.0}
    values = [getattr(s, quantity) for s in taken(Scenario(**calm, events=(event,)), 100)]
    assert values[30] - values[5] == pytest.approx(
        moved, abs=0.02 * abs(moved) + (2.0 if quantity == "flow_ml_min" else 0.02)
    )
    assert values[99] == pytest.approx(values[5], abs=2.5 if quantity == "flow_ml_min" else 0.3)


async def test_the_driver_yields_the_simulation_at_its_interval() -> None:
    clock = HeldClock(boot_ms=5_000)
    driver = Simulated(SimulatedSettings(interval_s=2.0, seed=7), clock)
    await driver.open()
    readings = [reading for _ in range(5) for reading in await driver.read()]
    await driver.close()
    assert [reading.boot_ms for reading in readings] == [5_000, 7_000, 9_000, 11_000, 13_000]
    expected = itertools.islice(Simulation(Scenario(), 7).samples(2.0), 5)
    assert [reading.mv for reading in readings] == [sample.mv for sample in expected]


async def test_simulated_water_does_not_wait_while_nobody_measures() -> None:
    clock = HeldClock(boot_ms=0)
    driver = Simulated(SimulatedSettings(), clock)
    await driver.open()
    await driver.read()
    await driver.close()
    with pytest.raises(PortUnavailableError, match="not open"):
        await driver.read()
    clock.advance(10.5)
    await driver.open()
    assert [reading.boot_ms for reading in await driver.read()] == [11_000]


def test_an_event_that_ends_before_it_begins_is_refused() -> None:
    with pytest.raises(ValidationError, match=r"until_s is 5 s, must be more than at_s \(10 s\)"):
        Shift(of="mv", by=1.0, at_s=10.0, until_s=5.0)
