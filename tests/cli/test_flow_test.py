"""The flow test at a real terminal against an emulated meter; the ledger tells what came of it."""

import json
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import pytest

from quietcell.cli import flow_test
from quietcell.cli.bench_session import Session
from quietcell.core.ingress.flow_test import FlowStep
from quietcell.core.times import rfc3339
from tests.support.bench_meter import (
    FIXED,
    GOOD,
    BenchMeter,
    assert_recomputable,
    bodies,
    configure,
    terminal,
)
from tests.support.command import ran
from tests.support.flow_tests import flow_test_case
from tests.support.page_tables import Page
from tests.support.reporting import table

pytestmark = pytest.mark.live
HURRY = ("--operator", "Ada", "--flow-test", "--settle-s", "0.5")


def turn(meter: BenchMeter, step: FlowStep) -> None:
    """Let the water be what it is at one flow."""
    assert step.conductivity_us_cm is not None
    meter.dip(step.ph, step.conductivity_us_cm, step.temperature_c)
    meter.flow_ml_min = step.flow_ml_min


def test_what_is_shown_while_a_flow_settles_is_the_flow_of_now(monkeypatch: pytest.MonkeyPatch) -> None:
    flows = [(0, 60.0), (0, 60.2), (90_000, 41.0), (200_000, 40.0)]
    lives = iter([{"at": rfc3339(ms), "flow_ml_min": flow} for ms, flow in flows])
    shown: list[str] = []
    monkeypatch.setattr(flow_test, "show", shown.append)
    monkeypatch.setattr(flow_test, "LOOK_S", 0.0)
    session = SimpleNamespace(indication=lambda: next(lives))
    how = flow_test.Flows(given_ml_min=(), settle_s=180.0, pause=False)
    flow_test._settle(cast("Session", session), 60.0, {"hold_up_ml": 12.0}, how)
    assert shown == ["60.2 mL/min: settles, 0 of 180 s", "41.0 mL/min: settles, 90 of 180 s", ""]


def test_a_leak_is_found_by_three_flows_and_back(tmp_path: Path) -> None:
    configure(tmp_path, more=FIXED, flow=True)
    case = flow_test_case(3, "leak", conductivity=True)
    with BenchMeter(tmp_path, GOOD, flow_ml_min=80.0) as meter:
        turn(meter, case.steps[0])
        child = terminal(tmp_path, "check", "live-feed-room", *HURRY)
        child.expect("under pressure")
        for number, step in enumerate(case.steps, start=1):
            child.expect("Press Enter")
            if number == 2:  # somebody forgets to turn the valve
                child.sendline("")
                child.answer("must differ from the others.*Set it again", "y")
                child.expect("Press Enter")
            turn(meter, step)
            child.sendline("")
            child.expect("At rest")
        child.expect("leak: .*Air leaks into the sample path")
        assert child.ended() == 1
    (body,) = bodies(tmp_path, "flow-test")
    assert (body["verdict"], body["operator"]) == ("leak", "Ada")
    shown = [step["flow_ml_min"] for step in body["steps"]]
    assert shown == pytest.approx([step.flow_ml_min for step in case.steps], rel=0.01)
    assert [step["ph"] for step in body["steps"]] == pytest.approx([s.ph for s in case.steps], abs=0.01)
    measured = bodies(tmp_path, "reference-measurement")
    assert [step["measurement"] for step in body["steps"]] == [m["id"] for m in measured]
    assert {m["purpose"] for m in measured} == {"flow-test"}
    # It is no check of the electrode: nothing is in doubt, and results go on.
    assert bodies(tmp_path, "check") == bodies(tmp_path, "doubt") == []
    (last,) = [b for b in bodies(tmp_path, "attendance") if b["state"] == "ended"]
    assert (last["work"], last["outcome"]) == ("flow-test", "done")
    assert_recomputable(tmp_path)
    out = tmp_path / "day.html"
    ran("report", "--ledger", tmp_path / "state", "--days", "1", "--out", out)
    (row,) = table(Page(out), "live-feed-room", "flow-tests").rows
    assert [row[0].text, row[2].text, row[3].text] == [body["id"], "leak", body["text"]]


def test_a_valve_that_is_shut_is_told_before_anything_is_measured(tmp_path: Path) -> None:
    configure(tmp_path, more=FIXED, flow=True)
    with BenchMeter(tmp_path, GOOD, flow_ml_min=0.0) as meter:
        child = terminal(tmp_path, "check", "live-feed-room", *HURRY)
        child.answer("Press Enter", "")
        child.expect("none to test with")
        child.answer("Set it again", "y")
        child.expect("Press Enter")
        meter.flow_ml_min = 80.0
        child.sendline("")
        child.expect("At rest")
        child.abandon()


def test_without_a_flow_meter_each_given_flow_waits_until_somebody_has_set_it(tmp_path: Path) -> None:
    configure(tmp_path, more=FIXED)
    given = [word for flow in ("80", "40", "160") for word in ("--flow", flow)]
    with BenchMeter(tmp_path, GOOD):
        child = terminal(tmp_path, "check", "live-feed-room", *HURRY, *given)
        for flow in ("80", "40", "160", "80"):
            child.expect(f"set {flow} mL/min")
            child.answer("Press Enter", "")
            child.expect("At rest")
        child.expect("nothing-found")
        assert child.ended() == 0
    (body,) = bodies(tmp_path, "flow-test")
    assert [step["flow_ml_min"] for step in body["steps"]] == [80.0, 40.0, 160.0, 80.0]


def test_an_unattended_one_waits_for_each_flow_and_answers_in_json(tmp_path: Path) -> None:
    configure(tmp_path, more=FIXED, flow=True)
    case = flow_test_case(1, "nothing-found", conductivity=True)
    given = [word for step in case.steps[:3] for word in ("--flow", f"{step.flow_ml_min:.2f}")]
    with BenchMeter(tmp_path, GOOD, flow_ml_min=300.0) as meter:
        child = terminal(tmp_path, "check", "live-feed-room", *HURRY, "--json", *given)
        for step in case.steps:
            child.expect("waits for")
            turn(meter, step)
            child.expect("At rest")
        child.expect(r"(\{\"body\".*\})\r\n")
        told = json.loads(str(child.match.group(1)))
        assert child.ended() == 0
    assert told["body"] == bodies(tmp_path, "flow-test")[0]
    assert told["body"]["verdict"] == "nothing-found"
    assert told["episodes"] == []


@pytest.mark.parametrize(
    ("given", "words"), [(["--flow", "50"], "has three"), (["--flow", "50"] * 3, "too near another")]
)
def test_flows_that_make_no_test_are_refused_before_anybody_turns_a_valve(
    tmp_path: Path, given: list[str], words: str
) -> None:
    config = configure(tmp_path, more=FIXED, flow=True)
    assert words in ran("check", "live-feed-room", "--config", config, *HURRY, *given, status=64).err
