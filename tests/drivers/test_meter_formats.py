"""Eight kinds of meter, invented here, that differ in all they can; configuration alone reads them.

Each sends what a table of readings says, over a pseudo-terminal; what the driver yields must be that table.
"""

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import pytest

from quietcell.contracts import MeterDriver
from quietcell.core.readings import NO_FLAG, Flag, Reading
from quietcell.core.units import UNITS, find_unit
from quietcell.service.drivers import InstalledDrivers
from quietcell_drivers.machine_clock import MachineClock
from quietcell_drivers.pseudo_terminal import PseudoTerminal
from tests.support.until import PATIENCE_S

ROWS = (
    (-102.31, 21.07, 0.0712, 101.5),
    (-98.5, 24.98, 1.25, 99.0),
    (3.14, 25.0, 0.055, 0.0),
    (171.06, 4.5, 12.88, 250.4),
)
"""mV, °C, µS/cm, mL/min."""
Row = tuple[float, float, float, float]


def as_sent(quantity: str, unit: str, value: float) -> float:
    found = find_unit(quantity, unit)
    assert found is not None
    return found.from_reading(value)


@dataclass(frozen=True, kw_only=True)
class Meter:
    """How a meter speaks and what must be configured to read it."""

    line: Callable[[Row], bytes]
    settings: dict[str, Any]
    driver: str = "line-stream"
    question: bytes = b""
    echo: bool = False
    gap_s: float = 0.0
    measures: tuple[int, ...] = (0, 1, 2, 3)
    """Which columns of `ROWS` it sends."""
    flags: tuple[Flag, ...] = field(default=(NO_FLAG,) * len(ROWS))


def comma(text: str) -> str:
    return text.replace(".", ",")


METERS = {
    "decimal comma, CR LF": Meter(
        line=lambda r: comma(f"{r[0]:.2f};{r[1]:.2f};{r[2]:.4f};{r[3]:.1f}\r\n").encode(),
        settings={
            "columns": ["mv", "temperature_c", "conductivity_us_cm", "flow_ml_min"],
            "decimal_comma": True,
        },
    ),
    "resistivity in UTF-8, named values": Meter(
        line=lambda r: f"<rho {1 / r[2]:.6f} MΩ·cm|E {r[0]:+.2f} mV|t {r[1]:.2f} °C>\n".encode(),
        settings={
            "encoding": "utf-8",
            "pattern": r"<rho (?P<conductivity_us_cm>.*?)\|E (?P<mv>.*?)\|t (?P<temperature_c>.*?)>",
            "units": {"conductivity_us_cm": "MΩ·cm"},
        },
        measures=(0, 1, 2),
    ),
    "ohms of a Pt1000, tabs, CR alone": Meter(
        line=lambda r: (
            f"{as_sent('temperature_c', 'Pt1000 ohm', r[1]):.4f} ohm\t{r[0]:.2f}\t{r[2] / 10:.6f}\r".encode()
        ),
        settings={
            "terminator": r"\r",
            "delimiter": r"\t",
            "columns": ["temperature_c", "mv", "conductivity_us_cm"],
            "units": {"temperature_c": "Pt1000 ohm", "conductivity_us_cm": "mS/m"},
        },
        measures=(0, 1, 2),
    ),
    "ohms of a Pt100, counter in front": Meter(
        line=lambda r: f"00017 {r[0]:9.2f}   {as_sent('temperature_c', 'Pt100 ohm', r[1]):.5f}\n".encode(),
        settings={
            "delimiter": " ",
            "columns": ["-", "mv", "temperature_c"],
            "units": {"temperature_c": "Pt100 ohm"},
        },
        measures=(0, 1),
    ),
    "status words": Meter(
        line=lambda r: (
            f"{'SERVICE' if r[3] == 0.0 else 'MEAS'},{r[0]:.2f},{r[1]:.2f},"
            f"{'O.RANGE' if r[2] > 10 else f'{r[2]:.4f}'}\n"
        ).encode(),
        settings={
            "delimiter": ",",
            "columns": ["status", "mv", "temperature_c", "conductivity_us_cm"],
            "status": {"MEAS": "", "SERVICE": "operator", "O.RANGE": "meter-overrange"},
        },
        measures=(0, 1, 2),
        flags=(NO_FLAG, NO_FLAG, Flag.OPERATOR, Flag.METER_OVERRANGE),
    ),
    "polled with echo, litres per hour, latin-1": Meter(
        driver="line-poll",
        question=b"?ALL\r",
        echo=True,
        line=lambda r: comma(
            f"{r[0]:.2f} mV / {r[1]:.2f} °C / {r[2]:.4f} µS/cm / {r[3] * 0.06:.4f} l/h\r"
        ).encode("latin-1"),
        settings={
            "terminator": r"\r",
            "question": r"?ALL\r",
            "echo": True,
            "delimiter": " / ",
            "columns": ["mv", "temperature_c", "conductivity_us_cm", "flow_ml_min"],
            "decimal_comma": True,
            "interval_s": 0.01,
            "quiet_s": 0.03,
        },
    ),
    "no terminator but a time gap": Meter(
        line=lambda r: f"E={r[0]:08.2f}T={r[1]:06.2f}".encode(),
        settings={
            "terminator": "",
            "gap_s": 0.03,
            "pattern": r"E=(?P<mv>[-0-9.]{8})T=(?P<temperature_c>[-0-9.]{6})",
        },
        gap_s=0.09,
        measures=(0, 1),
    ),
    "fahrenheit and volts, polled without echo": Meter(
        driver="line-poll",
        question=b"\x05",
        line=lambda r: f"@{r[0] / 1000:.5f}V&{r[1] * 1.8 + 32:.3f}F&{r[2] * 1e-4:.4e}\x03".encode(),
        settings={
            "question": r"\x05",
            "terminator": r"\x03",
            "pattern": r"@(?P<mv>[-.0-9]+)V&(?P<temperature_c>[-.0-9]+)F&(?P<conductivity_us_cm>[-+.0-9e]+)",
            "units": {"mv": "V", "temperature_c": "°F", "conductivity_us_cm": "S/m"},
            "interval_s": 0.01,
            "quiet_s": 0.03,
        },
        measures=(0, 1, 2),
    ),
}


async def speak(meter: Meter, terminal: PseudoTerminal) -> None:
    """Send the table: unasked, or an answer for each question; a good meter's tail comes first."""
    loop = asyncio.get_running_loop()
    heard, asked = b"", asyncio.Event()

    def listen() -> None:
        nonlocal heard
        heard += terminal.read()
        if meter.question and meter.question in heard:
            heard = b""
            asked.set()

    loop.add_reader(terminal.master, listen)
    try:
        if not meter.question and not meter.gap_s:
            terminal.write(meter.line(ROWS[0])[-3:])
        for row in ROWS:
            if meter.question:
                await asked.wait()
                asked.clear()
                terminal.write(meter.question * meter.echo + meter.line(row))
            else:
                await asyncio.sleep(meter.gap_s)  # the silence is what ends the line
                terminal.write(meter.line(row))
        await asyncio.Event().wait()
    finally:
        loop.remove_reader(terminal.master)


async def read_all(driver: MeterDriver) -> list[Reading]:
    readings: list[Reading] = []
    async with asyncio.timeout(PATIENCE_S):
        while len(readings) < len(ROWS):
            readings += await driver.read()
    return readings


@pytest.mark.parametrize("name", METERS)
async def test_configuration_alone_reads_it(name: str, terminal: PseudoTerminal) -> None:
    meter = METERS[name]
    driver_class = InstalledDrivers()[meter.driver]
    settings = driver_class.settings_model.model_validate({"port": terminal.port, **meter.settings})
    driver = driver_class(settings, MachineClock())
    await driver.open()
    speaking = asyncio.create_task(speak(meter, terminal))
    try:
        readings = await read_all(driver)
    finally:
        speaking.cancel()
        await asyncio.wait({speaking})
        await driver.close()
    assert driver.counts.reasons == {}
    for reading, row, flags in zip(readings, ROWS, meter.flags, strict=True):
        assert reading.flags == flags
        for place, quantity in enumerate(UNITS):
            value = getattr(reading, quantity)
            if place not in meter.measures or (quantity, flags) == (
                "conductivity_us_cm",
                Flag.METER_OVERRANGE,
            ):
                assert value is None
            else:
                assert value == pytest.approx(row[place], rel=1e-3, abs=0.006), quantity
