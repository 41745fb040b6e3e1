"""Samples brought to the bench, through a real terminal against an emulated meter."""

import json
from pathlib import Path

import pytest

from tests.support.bench_meter import (
    FIXED,
    GOOD,
    BenchMeter,
    answered,
    assert_recomputable,
    bodies,
    configure,
    daemon,
    interrupt,
    terminal,
)
from tests.support.live import wait_until

pytestmark = pytest.mark.live
AGREEING = "agreeing = { portions = 3, within_ph = 0.03 }"
BUFFERS = ("--buffer", "phthalate", "--buffer", "borax")
TOLD = (
    *("--operator", "Ada", "--sample", "S-17", "--container", "glass", "--age-min", "4", "--closed"),
    *("--conductivity", "1.1", "--conductivity-temperature", "25"),
)


def test_three_portions_that_agree_make_a_result_that_tells_how_the_sample_came(tmp_path: Path) -> None:
    configure(tmp_path, more=FIXED, criterion=AGREEING)
    with BenchMeter(tmp_path, GOOD) as meter:
        child = terminal(tmp_path, "measure", "live-feed-room")
        for question, answer in (
            ("Who works", "Ada"),
            ("Sample", "S-17"),
            ("Material of the container", "glass"),
            ("Minutes since", "4"),
            ("Conductivity of a separate portion", "0.9"),
            ("Its temperature", "20"),
            ("Does air get at it", "y"),
        ):
            child.answer(question, answer)
        child.expect("result will be of the beaker")
        for ph in (6.52, 6.51, 6.50):
            meter.dip_when_asked(child, ph, 1.1)
        child.expect(r"S-17: pH 6\.50 ± \d.\d\d .*qualified")
        assert child.ended() == 0
    portions = bodies(tmp_path, "determination")
    assert [body["verdict"] for body in portions] == ["cannot-tell", "cannot-tell", "qualified"]
    assert [body["grab"]["portion"] for body in portions] == [1, 2, 3]
    last = portions[-1]
    assert (last["sample_id"], last["operator"], last["mode"]) == ("S-17", "Ada", "on-request")
    assert last["portions_ph"] == [body["ph"] for body in portions]
    grab = last["grab"]
    assert (grab["container"], grab["open_to_air"], grab["kcl_adjusted"]) == ("glass", True, False)
    assert (grab["conductivity_us_cm"], grab["conductivity_temperature_c"]) == (0.9, 20.0)
    assert grab["age_min"] >= 4.0
    # The separate portion's conductivity counts, at the temperature of the one in the cell.
    assert last["conductivity_us_cm"] == pytest.approx(1.0, abs=0.02)
    assert "open-to-air" in last["qualifiers"]
    assert [(b["state"], b.get("outcome")) for b in bodies(tmp_path, "attendance")] == [
        ("began", None),
        ("ended", "done"),
    ]
    assert_recomputable(tmp_path)


def test_beside_a_daemon_a_script_gets_json_and_others_have_to_wait(tmp_path: Path) -> None:
    configure(tmp_path, more=FIXED)
    with BenchMeter(tmp_path, GOOD) as meter, daemon(tmp_path):
        first = terminal(tmp_path, "measure", "live-feed-room", *TOLD)
        first.expect("Press Enter")
        for command in (("measure", "--sample", "S-18"), ("calibrate", *BUFFERS)):
            words = (*command, "live-feed-room", "--operator", "Bo")
            assert "Ada is at work here (measure)" in answered(tmp_path, *words, status=1).err
        asked = answered(
            tmp_path, "request", "live-feed-room", "--operator", "Bo", "--sample-id", "S-18", status=1
        )
        assert "refused (busy)" in asked.out
        interrupt(first, "what is in force has not changed")
        assert first.ended() == 130
        meter.dip(6.6, 1.1)
        script = terminal(tmp_path, "measure", "live-feed-room", *TOLD, "--no-pause", "--json", "--kcl")
        script.expect(r'(\{"sample_id".*\})\r\n')
        told = json.loads(str(script.match.group(1)))
        assert script.ended() == 0
        assert told["result"] == told["determinations"][-1] == bodies(tmp_path, "determination")[-1]
        assert told["result"]["kcl_adjusted"]
        assert told["result"]["ph"] == pytest.approx(6.6, abs=0.03)
    assert_recomputable(tmp_path)
    ends = [b["outcome"] for b in bodies(tmp_path, "attendance") if b["state"] == "ended"]
    assert ends == ["aborted", "done"]
    assert bodies(tmp_path, "calibration") == []


def test_what_could_not_be_accepted_is_said_before_anything_is_poured(tmp_path: Path) -> None:
    configure(tmp_path)
    with BenchMeter(tmp_path, GOOD):
        child = terminal(tmp_path, "measure", "live-feed-room", *TOLD)
        child.expect("no calibration: no value could be accepted")
        assert child.ended() == 1


def test_portions_that_never_agree_end_without_a_result(tmp_path: Path) -> None:
    configure(tmp_path, more=FIXED, criterion=AGREEING)
    with BenchMeter(tmp_path, GOOD) as meter:
        child = terminal(tmp_path, "measure", "live-feed-room", *TOLD, "--portions", "2")
        for ph in (6.5, 6.7):
            meter.dip_when_asked(child, ph, 1.1)
        child.expect("S-17: no result after 2 portions")
        assert child.ended() == 1


def test_a_beaker_is_not_taken_for_the_loop_while_the_daemon_is_restarted(tmp_path: Path) -> None:
    config = configure(tmp_path, more=FIXED)
    config.write_text(config.read_text().replace("min_wait_s = 0.4", "min_wait_s = 6.0", 1))
    with BenchMeter(tmp_path, GOOD) as meter:
        with daemon(tmp_path):
            child = terminal(tmp_path, "measure", "live-feed-room", *TOLD)
            child.expect("Portion 1.*Press Enter")
            meter.dip(6.2, 0.5)
        with daemon(tmp_path):  # while they rinse
            wait_until(lambda: len(bodies(tmp_path, "attendance")) == 2, "them to be heard of")
            meter.silent = True
            child.sendline("")
            child.expect("mV, 25.0 °C")
        meter.silent = False
        with daemon(tmp_path):  # while they wait
            child.expect("Portion 1 was refused: stopped")
            meter.dip_when_asked(child, 6.2, 0.5)
            child.expect(r"S-17: pH 6\.20")
            child.expect("put it back into the cell.*Press Enter")
            meter.dip(7.0)
            child.sendline("")
            assert child.ended() == 0
    of_loop = [b for b in bodies(tmp_path, "determination") if b["mode"] == "continuous"]
    assert not [body["ph"] for body in of_loop if body["verdict"] != "refused"]
    assert_recomputable(tmp_path)


def test_whoever_stops_half_way_is_at_work_until_the_electrode_is_back(tmp_path: Path) -> None:
    configure(tmp_path, more=FIXED)
    with BenchMeter(tmp_path, GOOD) as meter, daemon(tmp_path):
        child = terminal(tmp_path, "measure", "live-feed-room", *TOLD)
        child.expect("Portion 1.*Press Enter")
        meter.dip(6.2, 0.5)
        interrupt(child, "what is in force has not changed")
        child.expect("put it back into the cell.*Press Enter")
        assert [b["state"] for b in bodies(tmp_path, "attendance")] == ["began"]
        child.sendline("")
        assert child.ended() == 130
        assert [b.get("outcome") for b in bodies(tmp_path, "attendance")] == [None, "aborted"]
