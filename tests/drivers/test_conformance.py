"""Shipped drivers and a third party's keep what drivers promise; broken ones are found out."""

import asyncio
import contextlib
import json
import math
import sys
import tomllib
from collections.abc import Sequence
from dataclasses import replace
from importlib.metadata import entry_points
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from loop_tally.driver import LoopTally
from loop_tally.stand import say

from quietcell.contracts import MeterDriver
from quietcell.core.readings import Flag, Reading
from quietcell_drivers import conformance
from quietcell_drivers.conformance import Finding, check
from quietcell_drivers.stands import PseudoTerminalStand, Row
from tests.support.command import ran

SHIPPED = {point.name: point for point in entry_points(group="quietcell.driver_stands")}
PACKAGE = Path(__file__).parents[1] / "third_party_driver"


@pytest.fixture
def installed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The third party's package as an installer leaves it: its entry points beside the others."""
    project = tomllib.loads((PACKAGE / "pyproject.toml").read_text())["project"]
    folder = tmp_path / "quietcell_loop_tally-1.0.0.dist-info"
    folder.mkdir()
    (folder / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {project['name']}\nVersion: 1.0.0\n")
    lines = [
        line
        for group, points in project["entry-points"].items()
        for line in (f"[{group}]", *(f"{name} = {target}" for name, target in points.items()))
    ]
    (folder / "entry_points.txt").write_text("\n".join(lines))
    monkeypatch.syspath_prepend(tmp_path)


def faults(findings: Sequence[Finding]) -> dict[str, str]:
    return {finding.check: finding.fault for finding in findings if finding.fault}


def test_every_shipped_driver_has_a_stand() -> None:
    shipped = {
        point.name for point in entry_points(group="quietcell.drivers") if "quietcell_drivers" in point.value
    }
    assert shipped == set(SHIPPED)


@pytest.mark.parametrize("name", SHIPPED)
async def test_a_shipped_driver_keeps_what_drivers_promise(name: str) -> None:
    assert faults(await check(SHIPPED[name].load()())) == {}


@pytest.mark.usefixtures("installed")
def test_a_third_party_s_driver_is_found_shown_and_checked() -> None:
    assert "zero_offset_mv" in ran("drivers", "loop-tally").out
    assert "good   takes no junk for a reading" in ran("drivers", "check", "loop-tally").out


@pytest.mark.parametrize(("step_mv", "told"), [(0.1, ""), (0.0, "; sent last: {'mv': -")])
async def test_a_meter_of_coarse_steps_is_checked_where_its_stand_says_so(step_mv: float, told: str) -> None:
    def coarse(row: Row) -> bytes:
        return say({**row, "mv": round(row["mv"], 1)})

    found = faults(await check(PseudoTerminalStand(LoopTally, {}, say=coarse, step_mv=step_mv)))
    assert [told in fault for fault in found.values()] == [True] * len(found)
    assert bool(found) == bool(told)


@pytest.mark.usefixtures("installed")
def test_a_fault_ends_with_1_and_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(LoopTally, "__doc__", None)
    monkeypatch.setattr(conformance, "_ON_A_LINE", ())
    rows = json.loads(ran("drivers", "check", "loop-tally", "--json", status=1).out)
    (fault,) = [row["fault"] for row in rows if row["fault"]]
    assert "no docstring" in fault


@pytest.mark.usefixtures("installed")
@pytest.mark.parametrize(
    ("broken", "wrong"),
    [({"LoopTally": None}, "is no meter driver"), ({}, "cannot be loaded: AttributeError: module")],
)
def test_a_broken_driver_is_a_fault_of_the_configuration_that_names_it(
    broken: dict[str, object],
    wrong: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    module = ModuleType("loop_tally.driver")
    vars(module).update(broken)
    monkeypatch.setitem(sys.modules, module.__name__, module)
    path = tmp_path / "quietcell.toml"
    path.write_text(
        '[site]\nname = "merrow-sound"\n[store]\nfolder = "state"\n[cells.hall]\ndriver = "loop-tally"\n'
    )
    (fault,) = ran("config", "check", "--config", path, status=78).err.splitlines()
    assert fault.startswith(f"{path}:6: cells.hall.driver: driver loop-tally (loop_tally.driver:LoopTally, ")
    assert f"package quietcell-loop-tally): {wrong}" in fault


def test_a_name_that_two_packages_offer_is_nobody_s(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = tmp_path / "quietcell_copy-1.0.0.dist-info"
    folder.mkdir()
    (folder / "METADATA").write_text("Metadata-Version: 2.1\nName: quietcell-copy\nVersion: 1.0.0\n")
    (folder / "entry_points.txt").write_text(
        "[quietcell.drivers]\nline-stream = loop_tally.driver:LoopTally\n"
    )
    monkeypatch.syspath_prepend(tmp_path)
    told = ran("drivers", "line-stream", status=1).err
    assert "driver line-stream: is offered by packages quietcell, quietcell-copy" in told


def test_a_driver_without_a_stand_can_not_be_checked() -> None:
    assert "no driver 'nonesuch'" in ran("drivers", "check", "nonesuch", status=64).err


# --- drivers that break a promise ----------------------------------------------------------------


class Spoilt(LoopTally):
    """A third party's driver with a mistake."""


class InVolts(Spoilt):
    """Forgets to convert."""

    async def read(self) -> Sequence[Reading]:
        return [with_mv(reading, (reading.mv or 0.0) / 1000) for reading in await super().read()]


class NotANumber(Spoilt):
    """Says NaN for what was not measured."""

    async def read(self) -> Sequence[Reading]:
        return [with_mv(reading, math.nan) for reading in await super().read()]


class Guessing(Spoilt):
    """Takes whatever has three numbers in it."""

    def received(self, boot_ms: int, data: bytes) -> None:
        for line in data.split(b"\r\n"):
            parts = line.strip(b"$").partition(b"*")[0].split(b",")
            if parts[-1].lstrip(b"-").isdigit() and len(parts) > 1 and parts[-2].lstrip(b"-").isdigit():
                mv, temperature_c = int(parts[-2]) / 100, int(parts[-1]) / 100
                self._waiting.put(Reading(boot_ms=boot_ms, mv=mv, temperature_c=temperature_c))


class Forgetful(Spoilt):
    """Drops what it holds when its read is cancelled."""

    async def read(self) -> Sequence[Reading]:
        readings = await super().read()
        await asyncio.sleep(0.004)
        return readings


class AnsweredLate(LoopTally):
    """Misses every seventh answer, and says so with the next reading."""

    async def read(self) -> Sequence[Reading]:
        found: list[Reading] = []
        while not found:
            for reading in await super().read():
                row = round(-(reading.mv or 0.0) - 0.25)
                if row % 7:
                    flags = Flag.AFTER_TIMEOUT if row % 7 == 1 else reading.flags
                    found.append(replace(reading, flags=flags))
        return found


class Leaking(Spoilt):
    """Starts a task at each opening and forgets it."""

    async def open(self) -> None:
        await super().open()
        self.tasks = [*getattr(self, "tasks", []), asyncio.create_task(asyncio.sleep(3600))]


class Stubborn(Spoilt):
    """Waits for ever where the port is gone."""

    def lost(self, error: Exception) -> None: ...


class Hoarding(Spoilt):
    """Takes all there is, whether anyone reads or not."""

    def received(self, boot_ms: int, data: bytes) -> None:
        super().received(boot_ms, data)
        assert self._port is not None
        self._port.resume()


class Breaking(Spoilt):
    """Cannot bear what is not ASCII."""

    def received(self, boot_ms: int, data: bytes) -> None:
        data.decode("ascii")
        super().received(boot_ms, data)


class Clinging(Spoilt):
    """Takes a cancellation for a fault and goes on."""

    async def read(self) -> Sequence[Reading]:
        while True:
            with contextlib.suppress(asyncio.CancelledError):
                return await super().read()


class Lazy(Spoilt):
    """Returns what makes readings in place of readings."""

    async def read(self) -> Any:
        return (reading for reading in await super().read())


class StampedLate(Spoilt):
    """Stamps with a clock of its own."""

    async def read(self) -> Sequence[Reading]:
        return [
            Reading(boot_ms=reading.boot_ms + 60_000, mv=reading.mv, temperature_c=reading.temperature_c)
            for reading in await super().read()
        ]


def with_mv(reading: Reading, mv: float) -> Reading:
    return Reading(boot_ms=reading.boot_ms, mv=mv, temperature_c=reading.temperature_c)


async def test_an_answer_that_came_too_late_is_not_lost_by_cancelling() -> None:
    findings = await check(PseudoTerminalStand(AnsweredLate, {}, say=say))
    assert "loses nothing when read is cancelled" not in faults(findings)


@pytest.mark.parametrize(
    ("driver", "sentence", "told"),
    [
        (InVolts, "yields what the meter said, in units of readings, in order, stamped", "nobody sent"),
        (NotANumber, "yields what the meter said, in units of readings, in order, stamped", "nobody sent"),
        (Guessing, "takes no message without its beginning for a reading", "nobody sent"),
        (Forgetful, "loses nothing when read is cancelled", "lost"),
        (Leaking, "leaves no descriptor open and no task running", "tasks left running"),
        (Stubborn, "tells when the plug is pulled, and reads on when it is back", "goes on waiting"),
        (Breaking, "takes no junk for a reading", "the driver broke: UnicodeDecodeError"),
        (Hoarding, "holds back when nobody reads", "are allowed"),
        (Clinging, "ends read when it is cancelled", "goes on after it was cancelled"),
        (
            Lazy,
            "yields what the meter said, in units of readings, in order, stamped",
            "a generator, no sequence",
        ),
        (StampedLate, "yields what the meter said, in units of readings, in order, stamped", "stamped"),
    ],
)
async def test_a_broken_promise_is_found(
    driver: type[MeterDriver], sentence: str, told: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(conformance, "PATIENCE_S", 0.3 if driver in {Stubborn, Clinging} else 5.0)
    monkeypatch.setattr(conformance, "MOST_HELD", 4500)
    checks = dict([*conformance._ANYWHERE, *conformance._ON_A_LINE])
    stand = PseudoTerminalStand(driver, {}, say=say)
    found = await conformance._fault(checks[sentence](stand))
    for task in asyncio.all_tasks() - {asyncio.current_task()}:
        task.cancel()
    assert found is not None
    assert told in found
