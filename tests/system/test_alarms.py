"""A pulled meter becomes an alarm that people see, acknowledge and shelve, across a kill."""

import asyncio
import signal
from pathlib import Path

import pytest

from quietcell.core.records import Json
from quietcell.service.control import ask
from tests.support.command import ran
from tests.support.live import Program, StreamingMeter
from tests.support.page_tables import Page
from tests.support.reporting import table

pytestmark = pytest.mark.live

BRISK = "[alarms.meter-silent]\non_delay_s = 0.5\noff_delay_s = 0.5\n"


def test_a_pulled_meter_is_told_acknowledged_shelved_and_remembered_after_a_kill(tmp_path: Path) -> None:
    def say(command: str, **more: Json) -> dict[str, Json]:
        return asyncio.run(ask(tmp_path / "state", {"command": command, **more}))

    who = {"cell": "live-feed-room", "operator": "M. Tarn", "reason": "plug found loose"}
    alarm = {**who, "alarm": "meter-silent"}
    with StreamingMeter(tmp_path) as meter, Program(tmp_path, BRISK) as program:
        program.start()
        program.wait_for("determination")
        meter.pull()
        (raised,) = program.wait_for("alarm", alarm="meter-silent", state="unacknowledged")
        faults = {body["id"]: body["text"] for body in program.bodies("driver-fault")}
        assert raised["text"] == faults[raised["about"]]
        assert say("alarm-acknowledge", **alarm)["state"] == "acknowledged"
        told = say("alarm-acknowledge", **alarm)
        assert (told["ok"], "it can't be acknowledged now" in told["error"]) == (False, True)
        assert program.end(signal.SIGKILL) == -signal.SIGKILL
        program.start()
        program.wait_for("configuration", count=2)
        where = ["--config", str(program.config)]
        listed = program.command("alarm", "list", *where)
        assert "meter-silent: Meter silent (high priority, acknowledged)" in listed
        assert say("alarms")["conditions"]["live-feed-room"] == "failure"
        assert say("alarm-shelve", for_s=3600.0, **alarm)["state"] == "shelved"
        assert say("alarm-unshelve", **alarm)["state"] == "unacknowledged"
        meter.plug()
        program.wait_for("alarm", alarm="meter-silent", state="returned-unacknowledged")
        assert say("alarm-acknowledge", **alarm)["state"] == "normal"
        assert say("sanitisation", for_s=60.0, **who)["state"] == "acknowledged"
        assert say("sanitisation", **who)["state"] == "normal"
        assert program.end(signal.SIGTERM) == 0
    acts = [body for body in program.bodies("alarm") if "operator" in body]
    assert {(body["operator"], body["reason"], body["via"]) for body in acts} == {
        ("M. Tarn", "plug found loose", "socket")
    }
    assert [b["event"] for b in acts][:4] == ["acknowledged", "shelved", "unshelved", "acknowledged"]
    out = tmp_path / "day.html"
    ran("report", "--ledger", tmp_path / "state", "--days", "1", "--out", out)
    done = [row[2].text for row in table(Page(out), "live-feed-room", "acts").rows]
    assert done[0] == "alarm 'Meter silent' acknowledged: plug found loose"
    assert "shelved until 2" in done[1]
    assert "'Sanitisation under way' acknowledged until 2" in done[4]
    assert len(done) == len(acts)
    others = {body["alarm"] for body in program.bodies("alarm")} - {"meter-silent", "sanitisation"}
    assert others <= {"clock-unsynchronised", "ledger-trouble"}
    assert program.bodies()[-1]["record"] == "run"
