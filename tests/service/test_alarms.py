"""Alarms beside a daemon whose configuration changes: no step is lost, and none stands for ever."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from quietcell.config import Config, load_config
from quietcell.core.alarms.cell_facts import Facts
from quietcell.core.alarms.engine import AlarmEngine
from quietcell.core.alarms.moment import Moment
from quietcell.core.alarms.shipped import CELL_ALARMS, DAEMON_ALARMS
from quietcell.core.indication import Indication
from quietcell.core.records import Json, SegmentBody
from quietcell.core.times import rfc3339
from quietcell.errors import ArgumentError, CommandError
from quietcell.ledger.chain import Stored
from quietcell.ledger.ledger import Ledger
from quietcell.outlets.follower import Outlet
from quietcell.service import alarms as alarms_module
from quietcell.service.alarm_memory import last_of_alarms, standing_facts
from quietcell.service.alarms import Alarms
from quietcell.service.command_records import NoteBody
from quietcell.service.daemon_watch import DaemonWatch
from quietcell.service.parking import Parking
from quietcell.service.records import DaemonIds, DriverFaultBody
from tests.support.clocks import SteppedClock
from tests.support.interface import faults_of_answer
from tests.support.ledgers import ResultBody, note, open_ledger
from tests.support.steady_driver import SteadyDriver
from tests.support.streams import ANCHOR_UTC_MS
from tests.support.until import until

NOW = Moment(ms=0, utc_ms=ANCHOR_UTC_MS)


def config(folder: Path, *cells: str, limits: str = "") -> Config:
    """The configuration of some cells."""
    path = folder / "quietcell.toml"
    head = '[site]\nname = "merrow-sound"\n[store]\nfolder = "state"\n'
    tables = (f'[cells.{cell}]\ndriver = "steady"\nsettings = {{}}\n{limits}\n' for cell in cells)
    path.write_text(head + "".join(tables))
    return load_config(path, {"steady": SteadyDriver})


class RefusingOutlet:
    """An outlet to a broker that is there, and refuses."""

    name, seq, state, working = "mqtt", 0, "connected", True

    def __init__(self) -> None:
        self.parked: list[int] = []

    async def run(self) -> None:
        """Deliver nothing."""


class Watching:
    """A ledger in which alarms were raised, and who watches them now."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.ledger = open_ledger(folder / "state")
        self.ids = DaemonIds(1)
        self.alarms: Alarms | None = None
        self.sanitised: dict[str, bool] = {}
        self.clock = SteppedClock()
        self.live: list[Indication] = []
        self.looks = 0
        self.outlets: list[Outlet] = []

    async def _note(self, cell: str, *, under_way: bool) -> None:
        self.sanitised[cell] = under_way

    def _glances(self) -> list[Indication]:
        self.looks += 1
        return self.live

    async def let_pass(self, seconds: int) -> None:
        """Let time pass, and the alarms look at what holds then."""
        await self.clock.step(seconds * 1000)
        looks = self.looks
        await until(lambda: self.looks > looks + 1)

    async def raised(self, owner: str, alarm: str) -> None:
        rows = DAEMON_ALARMS if owner == "daemon" else CELL_ALARMS
        engine = AlarmEngine(owner, rows, self.ids.next)
        engine.observe(NOW, alarm, holds=True, text="seen")
        began = SegmentBody(
            id=f"{owner}.9.1", cell=owner, at=rfc3339(0), segment=1, state="began", cause="started"
        )
        later = Moment(ms=10**9, utc_ms=ANCHOR_UTC_MS)
        await self.ledger.record([began, *engine.advance(later)])

    @asynccontextmanager
    async def watched(self, under: Config) -> AsyncIterator[Alarms]:
        alarms = Alarms(
            under,
            self.ledger,
            self.ids,
            self.clock,
            cells=list,
            glances=self._glances,
            outlets=lambda: self.outlets,
            sanitised=self._note,
        )
        async with alarms:
            yield alarms
        await self.ledger.close()

    def steps(self, owner: str) -> list[str]:
        records = (record.body() for record in self.ledger.journal.of_cell(owner, kinds=("alarm",)))
        return [f"{body['alarm']} {body['event']} {body['state']}" for body in records]


def acknowledging(owner: str, alarm: str) -> dict[str, Json]:
    return {"via": "socket", "cell": owner, "alarm": alarm, "reason": "seen", "operator": "someone"}


@pytest.fixture(autouse=True)
def short_looks(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody waits for looks that only spare the processor."""
    monkeypatch.setattr(alarms_module, "LOOK_S", 0.001)


async def test_what_a_removed_cell_left_returns_and_can_be_acknowledged(tmp_path: Path) -> None:
    here = Watching(tmp_path)
    await here.raised("second", "flow-stopped")
    async with here.watched(config(tmp_path, "first", "second")) as alarms:
        await alarms.adopt(config(tmp_path, "first"))
        returned = "flow-stopped returned returned-unacknowledged"
        await until(lambda: returned in here.steps("second"))
        assert [(a["cell"], a["state"]) for a in alarms.shown()] == [("second", "returned-unacknowledged")]
        answer = await alarms.acknowledge(acknowledging("second", "flow-stopped"))
        assert answer["state"] == "normal"
        assert faults_of_answer("second/alarm-request", {"ok": True, **answer}) == []
        assert alarms.shown() == []


async def test_an_alarm_that_does_not_exist_is_wrong_use_one_in_another_state_is_not(tmp_path: Path) -> None:
    async with Watching(tmp_path).watched(config(tmp_path, "first")) as alarms:
        with pytest.raises(ArgumentError, match=r"no alarm 'flow-stoped'\. Its alarms are "):
            await alarms.acknowledge(acknowledging("first", "flow-stoped"))
        with pytest.raises(CommandError, match="is normal") as told:
            await alarms.acknowledge(acknowledging("first", "flow-stopped"))
        assert not isinstance(told.value, ArgumentError)


async def test_what_was_done_to_an_electrode_goes_with_it_to_another_cell(tmp_path: Path) -> None:
    here = Watching(tmp_path)

    def cleaned(at: int) -> NoteBody:
        return NoteBody(
            id=here.ids.next(), cell="first", at=rfc3339(at), text="cleaned", operator=None, via="page",
            work="cleaned", electrode="probe-7",
        )  # fmt: skip

    began = SegmentBody(
        id="first.1.1", cell="first", at=rfc3339(0), segment=1, state="began", cause="started"
    )
    await here.ledger.record([began, cleaned(1000)])
    async with here.watched(config(tmp_path, "first", "second")) as alarms:
        facts = alarms.watches["second"].facts
        facts.electrode = "probe-7"
        assert facts.cared_utc_ms("cleaned") == 1000
        await here.ledger.record([cleaned(2000)])
        await until(lambda: facts.cared_utc_ms("cleaned") == 2000)


async def test_a_broker_that_is_no_longer_configured_is_not_away(tmp_path: Path) -> None:
    here = Watching(tmp_path)
    await here.raised("daemon", "broker-away")
    watch = DaemonWatch(AlarmEngine("daemon", DAEMON_ALARMS, here.ids.next), here.ledger, list)
    watch.engine.restore(last_of_alarms(here.ledger.journal, "daemon"), NOW)
    steps = [body for ms in (0, 60_000) for body in watch.look(replace(NOW, ms=ms))]
    assert "broker-away returned" in [f"{body.alarm} {body.event}" for body in steps]
    await here.ledger.close()


async def test_what_someone_acknowledges_during_a_reload_stays_acknowledged(tmp_path: Path) -> None:
    here = Watching(tmp_path)
    await here.raised("first", "co2-ingress")
    under = config(tmp_path, "first")
    async with here.watched(under) as alarms:
        await asyncio.gather(alarms.adopt(under), alarms.acknowledge(acknowledging("first", "co2-ingress")))
        assert [a["state"] for a in alarms.shown()] == ["acknowledged"]
        assert here.steps("first")[1:] == ["co2-ingress acknowledged acknowledged"]


async def test_an_alarm_names_the_open_episode_it_is_about_so_that_people_can_judge_it(
    tmp_path: Path,
) -> None:
    here = Watching(tmp_path)
    await here.raised("first", "co2-ingress")
    async with here.watched(config(tmp_path, "first")) as alarms:
        assert ["episode" in each for each in alarms.shown()] == [False]
        watch = alarms.watches["first"]
        watch.facts.episodes["first.1.7"] = {
            "episode": "first.1.7", "diagnosis": "co2-ingress", "text": "Carbon dioxide is coming in.",
            "confirmed": False,
        }  # fmt: skip
        watch.engine.observe(NOW, "co2-ingress", holds=True, text="seen", about="first.1.7")
        assert [(each["episode"], each["confirmed"]) for each in alarms.shown()] == [("first.1.7", False)]


async def determined(ledger: Ledger, *told: dict[str, Any]) -> None:
    """Record determinations of the first cell."""
    for number, each in enumerate(told, 1):
        await ledger.record([ResultBody(id=f"first.1.{number}", cell="first", at=rfc3339(0), **each)])


def learn_again(facts: Facts, ledger: Ledger) -> None:
    """Learn what a restart finds."""
    for each in standing_facts(ledger.journal, "first"):
        facts.learn(each)


async def test_a_restart_remembers_the_loop_s_own_result_behind_a_sample_s(tmp_path: Path) -> None:
    ledger = open_ledger(tmp_path)
    brought = {"grab": "beaker"}
    told = ({"verdict": "accepted"}, {"verdict": "accepted", **brought}, {"verdict": "refused"})
    await determined(ledger, *told, {"verdict": "qualified", **brought})
    facts = Facts()
    learn_again(facts, ledger)
    assert facts.result is not None
    assert facts.result["id"] == "first.1.1"
    facts.continuous = False  # at a bench a sample is what is measured
    learn_again(facts, ledger)
    assert facts.result["id"] == "first.1.4"
    await ledger.close()


async def test_what_a_broker_refused_is_told_of_once_until_all_of_it_was_taken(tmp_path: Path) -> None:
    here = Watching(tmp_path)
    outlet = RefusingOutlet()
    here.outlets.append(outlet)
    parking = Parking("mqtt", here.ledger, here.ids, SteppedClock())

    async def refuse(record: Stored, topic: str) -> None:
        outlet.parked.append(record.seq)
        await parking.parked(record, f"quietcell/merrow-sound/{topic}: the broker answers Not authorized")

    async with here.watched(config(tmp_path, "first")) as alarms:
        (first,) = await here.ledger.record([note(1)])
        await refuse(first, "first/note")
        told = ["publish-parked raised unacknowledged"]
        await until(lambda: here.steps("daemon") == told)
        # That this is refused as well is no news, else each alarm would raise the next.
        for record in list(here.ledger.journal.of_cell("daemon", kinds=("alarm",))):
            await refuse(record, "daemon/alarm/publish-parked")
        await alarms.acknowledge(acknowledging("daemon", "publish-parked"))
        await here.let_pass(60)
        told.append("publish-parked acknowledged acknowledged")
        assert here.steps("daemon") == told
        outlet.parked.clear()
        await here.let_pass(60)
        assert here.steps("daemon") == [*told, "publish-parked returned normal"]


async def test_a_cell_is_told_of_its_sanitisation_until_it_ends_over_a_restart_too(tmp_path: Path) -> None:
    here, asked = Watching(tmp_path), {"via": "socket", "cell": "first", "reason": "hot cycle"}
    async with here.watched(config(tmp_path, "first", "second")) as alarms:
        await alarms.sanitisation({**asked, "for_s": 3600.0})
        assert here.sanitised["first"]
        await until(lambda: here.sanitised.get("second") is False)
    again = Watching(tmp_path)
    again.ids = DaemonIds(2)
    async with again.watched(config(tmp_path, "first")) as alarms:
        await until(lambda: again.sanitised.get("first") is True)
        await alarms.sanitisation(asked)
        assert not again.sanitised["first"]


async def test_a_sanitised_cell_is_told_so_at_a_restart_before_a_disk_that_fails_takes_a_record(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    here, asked = Watching(tmp_path), {"via": "socket", "cell": "first", "reason": "hot cycle"}
    async with here.watched(config(tmp_path, "first")) as alarms:
        await alarms.sanitisation({**asked, "for_s": 3600.0})
    again = Watching(tmp_path)

    async def never(_: object) -> None:
        await asyncio.get_running_loop().create_future()

    monkeypatch.setattr(again.ledger, "record", never)
    async with again.watched(config(tmp_path, "first")):
        await until(lambda: again.sanitised.get("first") is True)


async def test_a_reload_forgives_no_lack_of_results_and_begins_no_wait_anew(tmp_path: Path) -> None:
    here, told = Watching(tmp_path), ["no-result raised unacknowledged"]
    here.live = [
        Indication(
            cell="first", at=rfc3339(here.clock.utc), age_s=0.0, mv=25.0, temperature_c=25.0,
            conductivity_us_cm=0.1, flow_ml_min=100.0, ph=6.6, phase="judging", waits_for="drift",
        )
    ]  # fmt: skip
    under = config(tmp_path, "first", limits="limits = { no_result_after_s = 300 }")
    async with here.watched(under) as alarms:
        for _ in range(3):
            await here.let_pass(100)
            await alarms.adopt(under)
        await here.let_pass(1)
        await here.let_pass(10)
        assert here.steps("first") == told
        await alarms.adopt(under)
        await here.let_pass(20)
    again = Watching(tmp_path)
    again.ids, again.clock, again.live = DaemonIds(2), here.clock, here.live
    async with again.watched(under):
        await again.let_pass(20)
        assert again.steps("first") == told


async def test_a_restart_remembers_what_the_last_judged_determination_said_behind_one_that_was_stopped(
    tmp_path: Path,
) -> None:
    ledger = open_ledger(tmp_path)
    contradicted = {"verdict": "refused", "reasons": ("max-wait", "conductivity-contradiction")}
    stopped = {"verdict": "refused", "reasons": ("stopped",)}
    await determined(ledger, {"verdict": "accepted"}, contradicted, stopped)
    facts = Facts()
    learn_again(facts, ledger)
    assert facts.determination is not None
    assert facts.determination["id"] == "first.1.2"
    await ledger.close()


async def test_a_restart_takes_no_fault_of_the_last_run_for_one_of_this_meter(tmp_path: Path) -> None:
    here = Watching(tmp_path)
    fault = DriverFaultBody(id="daemon.1.9", cell="first", at=rfc3339(0), driver="steady", text="hung up")
    await here.ledger.record([fault])
    here.live = [
        Indication(
            cell="first", at=None, age_s=None, mv=None, temperature_c=None, conductivity_us_cm=None,
            flow_ml_min=None, ph=None, phase="waiting", waits_for="readings",
        )
    ]  # fmt: skip
    async with here.watched(config(tmp_path, "first", limits="limits = { silent_after_s = 60 }")):
        await here.let_pass(20)
        await here.let_pass(20)
        assert here.steps("first") == []
        await here.let_pass(40)
        await here.let_pass(20)
        assert here.steps("first") == ["meter-silent raised unacknowledged"]
