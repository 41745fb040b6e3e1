"""A running daemon takes over a changed configuration: cells come, go and change; or nothing does."""

import asyncio
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any, ClassVar, cast

import pytest

from quietcell.config import Config, load_config
from quietcell.contracts import DriverSettings, DriverTable
from quietcell.core.engine import Engine
from quietcell.core.records import Json
from quietcell.core.settings import CellSettings
from quietcell.ledger.journal import Journal
from quietcell.service import cell
from quietcell.service import cells as cells_module
from quietcell.service import daemon as daemon_module
from quietcell.service.alarms import Alarms
from quietcell.service.cells import Cells, Meter
from quietcell.service.clock import SystemClock
from quietcell.service.control import ask
from quietcell.service.daemon import Daemon
from quietcell.service.notify import Notifier
from quietcell.service.reload import Reloader
from tests.support.consumer import Consumer, mosquitto
from tests.support.steady_driver import SteadyDriver
from tests.support.streams import cell_settings
from tests.support.until import until

HEAD = '[site]\nname = "merrow-sound"\n[store]\nfolder = "state"\nreadings_commit_s = 0.1\n'
CELL = """
[cells.{name}]
driver = "counted"
settings = {{ port = "{port}" }}
calibration = {{ slope_pct = {slope}, zero_mv = 3.1 }}
"""


class PortedSettings(DriverSettings):
    """Settings of a meter behind a port."""

    port: str


class Counted(SteadyDriver):
    """Notes which ports were opened and closed."""

    settings_model: ClassVar[type[DriverSettings]] = PortedSettings
    opened: ClassVar[list[str]] = []
    closed: ClassVar[list[str]] = []
    closes_within_s: ClassVar[float] = 0.0

    def __init__(self, settings: PortedSettings, clock: SystemClock) -> None:
        super().__init__(settings, clock)
        self._port = settings.port

    async def open(self) -> None:
        self.opened.append(self._port)

    async def close(self) -> None:
        await asyncio.sleep(self.closes_within_s)
        self.closed.append(self._port)


DRIVERS: DriverTable = {"counted": Counted}


class Running:
    """A daemon with its configuration file."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.path = folder / "quietcell.toml"

    def write(self, text: str) -> None:
        self.path.write_text(text)

    def written(self) -> list[str]:
        """Return the lines of the daily file."""
        return [
            line for file in self.folder.glob("results/*.jsonl") for line in file.read_text().splitlines()
        ]

    async def reload(self) -> dict[str, Json]:
        return await ask(self.folder / "state", {"command": "reload"}, timeout_s=20)

    def bodies(self, name: str, kind: str) -> list[dict[str, Json]]:
        with Journal(self.folder / "state") as journal:
            return [record.body() for record in journal.of_cell(name, kinds=(kind,))]

    def segments(self, name: str) -> list[tuple[str, str]]:
        return [(body["state"], body["cause"]) for body in self.bodies(name, "segment")]


@asynccontextmanager
async def running(folder: Path, text: str) -> AsyncIterator[Running]:
    """Run a daemon meanwhile."""
    Counted.opened.clear()
    Counted.closed.clear()
    here = Running(folder)
    here.write(text)
    daemon = Daemon(
        config=load_config(here.path, DRIVERS),
        drivers=DRIVERS,
        clock=SystemClock(),
        reread=lambda: load_config(here.path, DRIVERS),
    )
    stop, ready = asyncio.Event(), asyncio.Event()
    task = asyncio.create_task(daemon.run(stop, ready=ready.set))
    try:
        await until(lambda: ready.is_set() and bool(Counted.opened))
        yield here
    finally:
        stop.set()
        async with asyncio.timeout(20):
            await task


@pytest.fixture(autouse=True)
def short_marks(monkeypatch: pytest.MonkeyPatch) -> None:
    """Time goes on in small steps."""
    monkeypatch.setattr(cell, "MARK_S", 0.02)


FIRST = CELL.format(name="first", port="/dev/first", slope=98.4)
SECOND = CELL.format(name="second", port="/dev/second", slope=98.4)
BROKER = """
[outlets.mqtt]
host = "127.0.0.1"
username = "quietcell"
password = { credential = "not-there" }
"""
BOTH_STEADY = [("began", "started"), ("ended", "stopped")]
RELOADED = [("began", "started"), ("ended", "reloaded"), ("began", "reloaded")]


async def test_cells_are_added_and_removed_and_the_others_do_not_notice(tmp_path: Path) -> None:
    async with running(tmp_path, HEAD + FIRST) as daemon:
        daemon.write(HEAD + FIRST + SECOND)
        told = {"ok": True, "added": ["second"], "removed": [], "changed": [], "besides": []}
        assert await daemon.reload() == told
        await until(lambda: Counted.opened == ["/dev/first", "/dev/second"])
        daemon.write(HEAD + SECOND)
        assert (await daemon.reload())["removed"] == ["first"]
        assert daemon.segments("first") == BOTH_STEADY
        assert Counted.closed == ["/dev/first"]
    assert daemon.segments("second") == BOTH_STEADY
    states = [body["state"] for body in daemon.bodies("daemon", "run")]
    assert states == ["began", "reloaded", "reloaded", "ended"]


async def test_changed_judging_keeps_the_port_and_begins_a_segment(tmp_path: Path) -> None:
    async with running(tmp_path, HEAD + FIRST + SECOND) as daemon:
        await until(lambda: len(Counted.opened) == 2)
        daemon.write(HEAD + CELL.format(name="first", port="/dev/first", slope=97.0) + SECOND)
        assert (await daemon.reload())["changed"] == ["first"]
        assert daemon.segments("first") == RELOADED
        assert sorted(Counted.opened) == ["/dev/first", "/dev/second"]
    first, second = daemon.bodies("first", "configuration")
    assert (first["settings"]["line"]["slope_pct"], second["settings"]["line"]["slope_pct"]) == (98.4, 97.0)
    refused = daemon.bodies("first", "determination")
    assert [body["reasons"][0] for body in refused] == ["reconfigured", "stopped"]
    assert daemon.segments("second") == BOTH_STEADY


async def test_another_port_is_opened_for_its_own_cell_only(tmp_path: Path) -> None:
    async with running(tmp_path, HEAD + FIRST + SECOND) as daemon:
        await until(lambda: len(Counted.opened) == 2)
        daemon.write(HEAD + CELL.format(name="first", port="/dev/other", slope=98.4) + SECOND)
        assert (await daemon.reload())["changed"] == ["first"]
        await until(lambda: Counted.opened[2:] == ["/dev/other"])
        assert Counted.closed == ["/dev/first"]
        await until(lambda: len(daemon.segments("first")) == 5)
    after = [("ended", "reopened"), ("began", "reopened"), BOTH_STEADY[1]]
    assert daemon.segments("first") == [*RELOADED, *after]
    assert daemon.segments("second") == BOTH_STEADY


async def test_outlets_are_taken_over_and_deliver_from_the_beginning(tmp_path: Path) -> None:
    files = '\n[outlets.files]\nfolder = "results"\n'
    async with running(tmp_path, HEAD + FIRST) as daemon:
        daemon.write(HEAD + FIRST + files)
        assert (await daemon.reload())["ok"]
        await until(lambda: bool(daemon.written()))
        daemon.write(HEAD + FIRST)
        assert (await daemon.reload())["ok"]
        lines = daemon.written()
        assert [json.loads(line)["seq"] for line in lines] == list(range(1, len(lines) + 1))
    assert daemon.written() == lines


async def test_what_concerns_no_cell_at_work_is_told_too(tmp_path: Path) -> None:
    limits = "limits = { temperature_high_c = 30.0 }\n"
    files = '[outlets.files]\nfolder = "results"\n[criteria.spare]\n'
    async with running(tmp_path, HEAD + FIRST) as daemon:
        daemon.write(HEAD + FIRST + limits + files)
        assert await daemon.reload() == {
            "ok": True,
            "added": [],
            "removed": [],
            "changed": [],
            "besides": ["cells.first", "criteria.spare", "outlets.files"],
        }
        assert (await daemon.reload())["besides"] == []


async def test_a_password_renewed_in_its_file_is_used_and_told(tmp_path: Path) -> None:
    heard = b""

    async def refuse(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        nonlocal heard
        heard += await reader.read(1024)
        writer.close()

    async with await asyncio.start_server(refuse, "127.0.0.1") as server:
        secret, port = tmp_path / "secret", server.sockets[0].getsockname()[1]
        secret.write_text("shallow-water")
        secret.chmod(0o600)
        broker = BROKER.replace('credential = "not-there"', f'file = "{secret}"') + f"port = {port}\n"
        async with running(tmp_path, HEAD + FIRST + broker) as daemon:
            await until(lambda: b"shallow-water" in heard)
            secret.write_text("deep-water")
            assert (await daemon.reload())["besides"] == ["outlets.mqtt.password"]
            await until(lambda: b"deep-water" in heard)
            assert (await daemon.reload())["besides"] == []


WRONG = [
    (HEAD.replace("merrow-sound", "elsewhere") + FIRST, "site: was changed; this needs a restart"),
    (HEAD.replace("state", "other") + FIRST, "store: was changed; this needs a restart"),
    (HEAD + '[log]\nformat = "text"\n' + FIRST, "log: was changed; this needs a restart"),
    (HEAD + FIRST.replace("98.4", "-4"), "slope_pct"),
    (HEAD + FIRST.replace("counted", "cuonted"), "cuonted"),
    (HEAD + FIRST.replace('driver = "counted"', "").replace("settings", "#"), "nothing to measure"),
    (HEAD + FIRST + BROKER, "outlets.mqtt.password"),
    ("[cells", "quietcell.toml:1"),
]


async def test_what_is_wrong_or_needs_a_restart_changes_nothing_and_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    async with running(tmp_path, HEAD + FIRST) as daemon:
        for text, wrong in WRONG:
            daemon.write(text)
            answer = await daemon.reload()
            assert answer["ok"] is False
            assert wrong in answer["error"]
    assert daemon.segments("first") == BOTH_STEADY
    assert [body["state"] for body in daemon.bodies("daemon", "run")] == ["began", "ended"]
    assert capsys.readouterr().out.count("configuration not taken over") == len(WRONG)


class Calibrated(dict[str, CellSettings]):
    """Cells at work that only remember by what they judge."""

    def __getitem__(self, name: str) -> Any:
        return SimpleNamespace(settings=super().__getitem__(name), changing=asyncio.Lock())

    def meter_of(self, _name: str) -> str:
        return "meter"

    async def remove(self, name: str) -> None:
        del self[name]
        self["first"] = replace(self["first"].settings, calibration_id="daemon.1.8")

    async def change(self, name: str, settings: CellSettings, _meter: Meter) -> None:
        self[name] = settings


async def test_what_is_calibrated_during_a_reload_stays_in_force(tmp_path: Path) -> None:
    here = Running(tmp_path)
    here.write(HEAD + FIRST + SECOND)
    old = load_config(here.path, DRIVERS)
    here.write(HEAD + FIRST)
    cells = Calibrated(first=cell_settings(), second=cell_settings())

    async def plan(new: Config) -> Any:
        """What the ledger says at that moment; the file asks for another interval."""
        return {"first": (replace(cells["first"].settings, every_s=30.0), "meter")} if new is not old else {}

    async def adopt(_new: Config) -> tuple[str, ...]:
        cells["first"] = replace(cells["first"].settings, calibration_id="daemon.1.7")
        return ()

    reloader = Reloader(
        old,
        lambda: load_config(here.path, DRIVERS),
        cast("Cells", cells),
        plan=plan,
        adopt=adopt,
        notifier=Notifier({}),
    )
    change = await reloader.reload()
    assert (change.changed, change.removed) == (("first",), ("second",))
    assert (cells["first"].settings.every_s, cells["first"].settings.calibration_id) == (30.0, "daemon.1.8")


@pytest.mark.parametrize(
    ("request_", "kept"),
    [
        ({"command": "thing", "thing": "electrode", "name": "glass-1"}, "electrode"),
        ({"command": "check", "method": "temperature", "known": 80.0, "tolerance": 0.5}, "failed_check_id"),
    ],
)
async def test_what_people_do_while_a_reload_waits_for_a_port_counts_behind_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, request_: dict[str, Json], kept: str
) -> None:
    monkeypatch.setattr(Counted, "closes_within_s", 0.3)
    async with running(tmp_path, HEAD + FIRST) as daemon:
        live: dict[str, Json] = {"cells": [{"temperature_c": None}]}
        while live["cells"][0]["temperature_c"] is None:  # there must be something to compare
            live = await ask(tmp_path / "state", {"command": "live"})
        daemon.write(HEAD + FIRST.replace("/dev/first", "/dev/third"))
        reloading = asyncio.create_task(daemon.reload())
        await until(lambda: len(daemon.bodies("daemon", "run")) == 2)
        told = await ask(tmp_path / "state", {**request_, "cell": "first"}, timeout_s=20)
        assert told["ok"], told
        assert (await reloading)["changed"] == ["first"]
        assert daemon.bodies("first", "configuration")[-1]["settings"][kept] in (
            "glass-1",
            told["body"]["id"],
        )


@pytest.mark.broker
async def test_requests_that_wait_while_a_reload_connects_anew_are_answered(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    gate, held, shelve = asyncio.Event(), asyncio.Event(), Alarms.shelve

    async def slowly(self: Alarms, request: dict[str, Json]) -> dict[str, Json]:
        held.set()
        await gate.wait()
        return await shelve(self, request)

    monkeypatch.setattr(Alarms, "shelve", slowly)
    monkeypatch.setattr(daemon_module, "TOLD_AGAIN_S", 0.5)
    condition = "quietcell/merrow-sound/first/condition"
    act = {"alarm": "no-result", "reason": "known", "operator": "M. Tarn", "response_topic": "quietcell/lab"}
    with mosquitto() as port, Consumer(port) as consumer:
        broker = f'[outlets.mqtt]\nhost = "127.0.0.1"\nport = {port}\n'

        def answers() -> list[dict[str, Json]]:
            return [payload for topic, payload, _ in list(consumer.messages) if topic == "quietcell/lab"]

        async with running(tmp_path, HEAD + FIRST + broker) as daemon:
            while not held.is_set():  # nobody hears before it has subscribed
                for request in (
                    {"command": "alarm-shelve", "for_s": 60.0, **act},
                    {"command": "none", **act},
                ):
                    consumer.publish("quietcell/merrow-sound/first/alarm-request", request)
                await asyncio.sleep(0.2)
            daemon.write(HEAD + FIRST + broker + "live_every_s = 0.5\n")
            assert (await daemon.reload())["besides"] == ["outlets.mqtt"]
            gate.set()
            await until(lambda: len(answers()) >= 2)
            assert (answers()[0]["state"], answers()[1]["ok"]) == ("shelved", False)
            await until(lambda: any(topic.endswith("/indication") for topic, *_ in list(consumer.messages)))
            live = [payload for topic, payload, _ in consumer.messages if topic.endswith("/indication")]
            places = {"ph": 4, "mv": 4, "temperature_c": 3, "conductivity_us_cm": 5, "flow_ml_min": 3}
            told = [(one[name], to) for one in live for name, to in places.items() if one[name] is not None]
            assert told
            assert all(value == round(value, to) for value, to in told)
            await until(lambda: [t for t, *_ in list(consumer.messages)].count(condition) > 2)


async def test_what_changes_while_a_cell_waits_to_begin_anew_counts_when_it_does(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(cells_module, "RESTART_FIRST_S", 1.0)
    async with running(tmp_path, HEAD + FIRST) as daemon:
        take = Engine.take

        def broken(*_given: object) -> None:
            raise ZeroDivisionError("in the engine")

        monkeypatch.setattr(Engine, "take", broken)
        await until(lambda: bool(daemon.bodies("first", "cell-fault")))
        monkeypatch.setattr(Engine, "take", take)
        for text in (FIRST.replace("98.4", "97.0"), FIRST + "hold_up_ml = 5.0\n", FIRST):
            daemon.write(HEAD + text)
            assert (await daemon.reload())["ok"]
        moved = {"command": "thing", "cell": "first", "thing": "electrode", "name": "glass-1"}
        told = await ask(tmp_path / "state", moved, timeout_s=20)
        assert told["ok"], told
        assert len(daemon.bodies("first", "configuration")) == 1
        await until(lambda: len(daemon.bodies("first", "configuration")) == 2)
        settings = daemon.bodies("first", "configuration")[-1]["settings"]
        kept = (settings["line"]["slope_pct"], settings["hold_up_ml"], settings["electrode"])
        assert kept == (98.4, None, "glass-1")
