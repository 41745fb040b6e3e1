"""Cells side by side: one that breaks begins anew, the others do not notice."""

import asyncio
import sqlite3
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any
from unittest.mock import Mock

import pytest

from quietcell.contracts import DriverSettings
from quietcell.core.engine import Engine
from quietcell.core.inputs import EngineInput, Request, SegmentEnded, TimeMark
from quietcell.core.readings import Reading, ReadingBlock
from quietcell.core.records import Body, Json
from quietcell.errors import CommandError, LedgerError
from quietcell.service import cell as cell_module
from quietcell.service import cells as cells_module
from quietcell.service import metering
from quietcell.service.cells import Cells, Meter, Planned
from quietcell.service.clock import SystemClock
from quietcell.service.records import DaemonIds
from quietcell.service.requests import Requests
from quietcell.service.resume import resume
from quietcell.service.stored_input import StoredInput
from tests.support.ledgers import open_ledger
from tests.support.steady_driver import SteadyDriver
from tests.support.streams import cell_settings
from tests.support.until import until


def misbehaving(**methods: Callable[..., Any]) -> type:
    """A meter with some methods replaced."""
    return type("Misbehaving", (SteadyDriver,), methods)


async def _raises(_self: object) -> None:
    raise ZeroDivisionError("in somebody's driver")


async def _cancelled(_self: object) -> None:
    raise asyncio.CancelledError


async def _exits(_self: object) -> None:
    raise SystemExit(3)


async def _nothing(_self: object) -> list[Reading]:
    return []


async def _words(_self: object) -> list[str]:
    return ["25.0"]


async def _text_for_number(self: Any) -> list[Reading]:
    return [Reading(boot_ms=self.clock.boot_ms(), mv="25.0", temperature_c=21.0)]  # type: ignore[arg-type] # the point


async def _infinite(self: Any) -> list[Reading]:
    return [Reading(boot_ms=self.clock.boot_ms(), mv=float("inf"), temperature_c=21.0)]


async def _future(self: Any) -> list[Reading]:
    return [Reading(boot_ms=self.clock.boot_ms() + 10_000_000, mv=25.0, temperature_c=21.0)]


def _cannot_be_made(_self: object, *_given: object) -> None:
    raise RuntimeError("no licence on a Tuesday")


MISTAKES = {
    "open-raises": misbehaving(open=_raises),
    "read-raises": misbehaving(read=_raises),
    "close-raises": misbehaving(close=_raises, read=_raises),
    "cancels-itself": misbehaving(read=_cancelled),
    "exits": misbehaving(read=_exits),
    "reads-nothing": misbehaving(read=_nothing),
    "reads-words": misbehaving(read=_words),
    "text-for-a-number": misbehaving(read=_text_for_number),
    "infinite": misbehaving(read=_infinite),
    "from-the-future": misbehaving(read=_future),
    "cannot-be-made": misbehaving(__init__=_cannot_be_made),
    "no-coroutine": misbehaving(open=lambda _self: None),
}


class Side:
    """Cells by name, each with a driver of its own class."""

    def __init__(self, folder: Path, drivers: dict[str, type]) -> None:
        self.ledger = open_ledger(folder, readings_commit_s=0.05)
        self.cells = Cells(
            drivers=drivers,
            clock=SystemClock(),
            scale=1.0,
            ledger=self.ledger,
            ids=DaemonIds(1),
            planned=self._planned,
        )
        self.plan = {
            name: (cell_settings(cell=name), Meter(driver=name, settings=DriverSettings()))
            for name in drivers
        }
        self.stop = asyncio.Event()

    async def _planned(self, name: str) -> Planned | None:
        return self.plan.get(name)

    async def run(self, meanwhile: Callable[[], Awaitable[None]]) -> None:
        begun = asyncio.Event()
        running = asyncio.create_task(self.cells.run(list(self.plan), self.stop, begun=begun.set))
        try:
            await asyncio.wait({running, asyncio.ensure_future(begun.wait())}, return_when="FIRST_COMPLETED")
            await meanwhile()
        finally:
            self.stop.set()
            async with asyncio.timeout(10):
                await running

    def bodies(self, cell: str, kind: str = "") -> list[dict[str, Json]]:
        bodies = [record.body() for record in self.ledger.journal.all()]
        return [b for b in bodies if b["cell"] == cell and kind in ("", b["record"])]


@pytest.fixture(autouse=True)
def short_pauses(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody waits for pauses that only spare the disk."""
    for module, name in [(metering, "REOPEN_FIRST_S"), (cells_module, "RESTART_FIRST_S")]:
        monkeypatch.setattr(module, name, 0.01)
    monkeypatch.setattr(cell_module, "MARK_S", 0.02)


async def test_broken_drivers_take_down_only_their_own_cells(tmp_path: Path) -> None:
    side = Side(tmp_path, {"good": SteadyDriver, **MISTAKES})

    async def all_seen() -> None:
        await until(lambda: all(side.bodies(bad, "driver-fault") for bad in MISTAKES))
        steps = side.cells["good"].steps
        await until(lambda: side.cells["good"].steps > steps + 10)

    await side.run(all_seen)
    for bad in MISTAKES:
        (fault,) = side.bodies(bad, "driver-fault")  # told once, not at every attempt
        assert "the driver broke: " in fault["text"], bad
        assert fault["text"].endswith("Tell its author")
        assert [b["cause"] for b in side.bodies(bad, "segment")] == ["started", "stopped"]
    assert side.bodies("good", "driver-fault") == []
    assert [b["cause"] for b in side.bodies("good", "segment")] == ["started", "stopped"]
    assert side.bodies("good", "segment")[-1]["readings"] > 0
    await side.ledger.close()


async def test_cell_whose_engine_breaks_is_finished_and_begun_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    side = Side(tmp_path, {"good": SteadyDriver, "bad": SteadyDriver})
    take = Engine.take
    broken: list[EngineInput] = []

    def breaks_once(self: Engine, item: EngineInput) -> tuple[Body, ...]:
        if self.settings.cell == "bad" and isinstance(item, ReadingBlock) and not broken:
            broken.append(item)
            raise ZeroDivisionError("in the engine")
        return take(self, item)

    monkeypatch.setattr(Engine, "take", breaks_once)

    async def again() -> None:
        await until(lambda: len([b for b in side.bodies("bad", "segment") if b["state"] == "began"]) == 2)
        steps = side.cells["bad"].steps
        await until(lambda: side.cells["bad"].steps > steps + 10)

    await side.run(again)
    (fault,) = side.bodies("bad", "cell-fault")
    assert fault["text"] == "ZeroDivisionError: in the engine"
    ends = [b["cause"] for b in side.bodies("bad", "segment") if b["state"] == "ended"]
    assert ends == ["interrupted", "stopped"]
    assert [b["cause"] for b in side.bodies("good", "segment")] == ["started", "stopped"]
    assert side.bodies("good", "cell-fault") == []
    await side.ledger.close()


async def test_a_cell_that_broke_waits_before_it_begins_anew_and_holds_no_stop(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(cells_module, "RESTART_FIRST_S", 3600.0)
    side = Side(tmp_path, {"bad": SteadyDriver})

    async def broken() -> None:
        await until(lambda: side.cells["bad"].steps > 2)
        assert side.cells.steps()["bad"] is not None
        with monkeypatch.context() as fault:
            fault.setattr(Engine, "take", Mock(side_effect=ZeroDivisionError("in the engine")))
            await until(lambda: bool(side.bodies("bad", "cell-fault")))
        await until(lambda: len(side.bodies("bad", "segment")) == 2)
        await asyncio.sleep(0.05)  # it would begin meanwhile
        assert side.cells.steps() == {"bad": None}  # nobody waits for a step of it

    await side.run(broken)
    assert [b["cause"] for b in side.bodies("bad", "segment")] == ["started", "interrupted"]
    await side.ledger.close()


@pytest.mark.parametrize("breaking", [Request, SegmentEnded])
async def test_an_engine_that_breaks_on_what_people_do_is_trusted_no_more(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, breaking: type
) -> None:
    side = Side(tmp_path, {"bad": SteadyDriver})
    take = Engine.take
    broken: list[EngineInput] = []

    def breaks_once(self: Engine, item: EngineInput) -> tuple[Body, ...]:
        made = take(self, item)
        if isinstance(item, breaking) and not broken:
            broken.append(item)
            raise ZeroDivisionError("in the engine")
        return made

    async def people() -> None:
        await until(lambda: side.cells["bad"].steps > 10)
        monkeypatch.setattr(Engine, "take", breaks_once)
        settings = cell_settings(cell="bad", every_s=30.0)
        if breaking is Request:
            requests = Requests(side.cells, side.ledger, DaemonIds(2))
            with pytest.raises(ZeroDivisionError):
                await requests.request({"command": "request", "via": "socket", "cell": "bad"})
        else:
            side.plan["bad"] = settings, Meter(driver="bad", settings=DriverSettings())
            await side.cells.change("bad", *side.plan["bad"])
        await until(lambda: len([b for b in side.bodies("bad", "segment") if b["state"] == "began"]) == 2)
        assert (side.cells["bad"].settings == settings) is (breaking is SegmentEnded)

    await side.run(people)
    assert side.bodies("bad", "request") == []
    assert not any(b.get("request") for b in side.bodies("bad", "determination"))
    steps = StoredInput(side.ledger.journal, side.ledger.readings, "bad")
    engine = Engine(cell_settings(cell="bad"))
    made = [b.as_json() for step in steps if step.item is not None for b in engine.take(step.item)]
    assert made == [b for b in side.bodies("bad") if not b["id"].startswith("daemon.")]
    await side.ledger.close()


async def test_engine_that_breaks_on_what_was_stored_is_closed_and_begun_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    side = Side(tmp_path, {"bad": SteadyDriver})
    take = Engine.take

    def breaks_in_the_first_segment(self: Engine, item: EngineInput) -> tuple[Body, ...]:
        if isinstance(item, ReadingBlock | TimeMark) and self._stamp.open_segment.segment == 1:
            raise ZeroDivisionError("always")
        return take(self, item)

    monkeypatch.setattr(Engine, "take", breaks_in_the_first_segment)
    await side.run(lambda: until(lambda: len(side.bodies("bad", "segment")) == 3))
    assert [b["cause"] for b in side.bodies("bad", "segment")] == [
        "started",
        "interrupted",
        "started",
        "stopped",
    ]
    await side.ledger.close()


async def _slowly(_self: object) -> None:
    await asyncio.sleep(0.3)


async def test_a_cell_that_a_reload_adds_while_the_daemon_stops_does_not_hold_the_stop(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    side = Side(tmp_path, {"one": misbehaving(close=_slowly), "late": SteadyDriver})
    late = side.plan.pop("late")
    adding: list[asyncio.Task[None]] = []

    async def resumed(*given: Any, **named: Any) -> Engine | None:
        await side.stop.wait()
        return await resume(*given, **named)

    async def begin() -> None:
        monkeypatch.setattr(cells_module, "resume", resumed)
        side.plan["late"] = late
        adding.append(asyncio.create_task(side.cells.add("late")))
        await asyncio.sleep(0)

    await side.run(begin)
    with pytest.raises(CommandError, match="is stopping"):
        await adding[0]
    assert side.bodies("late") == []
    await side.ledger.close()


async def test_ledger_that_takes_no_more_ends_every_cell(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    side = Side(tmp_path, {"one": SteadyDriver, "two": SteadyDriver})

    async def fail() -> None:
        def malformed(*_given: object) -> None:
            raise sqlite3.DatabaseError("database disk image is malformed")

        monkeypatch.setattr(side.ledger, "_commit", malformed)
        await until(lambda: side.ledger.failure is not None)

    with pytest.raises(LedgerError, match="image is malformed"):
        await side.run(fail)
    await side.ledger.close()
