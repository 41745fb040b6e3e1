"""What calibrations, checks and care of the electrode raise and what ends it."""

from typing import Any

import pytest

from quietcell.core.electrode.condition import Signal
from quietcell.core.times import rfc3339
from tests.core.alarms.alarm_builders import UTC_MS, at
from tests.core.alarms.watched_cell import FAILED_CHECK, Watched, with_electrode


def test_a_calibration_is_due_before_it_expires_and_one_alarm_follows_the_other() -> None:
    watched = Watched(calibration_due_before_d=0.01)
    settings = {"calibration_expires_utc_ms": UTC_MS + 1_000_000, "mode": "continuous"}
    watched.learn({"record": "configuration", "settings": settings})
    assert watched.run(900) == ["calibration-due raised"]
    assert watched.run(150) == ["calibration-expired raised", "calibration-due suppressed"]


def test_a_cell_without_a_calibration_delivers_nothing_and_its_signal_says_so() -> None:
    watched = Watched(no_result_after_s=300.0, check_every_d=30.0)
    settings = {"calibration_expires_utc_ms": None, "mode": "on-request", "calibrated": False}
    configuration = {"record": "configuration", "settings": settings}
    watched.learn(configuration)
    assert watched.run(10) == ["not-calibrated raised"]
    assert watched.watch.condition() is Signal.OUT_OF_SPECIFICATION
    watched.learn({**configuration, "settings": {**settings, "mode": "continuous"}})
    assert watched.run(700) == []  # one alarm tells why there is no result
    watched.learn({**configuration, "settings": {**settings, "calibrated": True}})
    assert watched.run(1)[0] == "not-calibrated returned"


def test_a_failed_check_is_told_until_one_passes() -> None:
    watched = Watched(check_every_d=0.001, electrolyte_every_d=1.0)
    assert watched.run(1) == ["check-due raised", "electrolyte-due raised"]
    watched.learn(FAILED_CHECK)
    assert "check-failed raised" in watched.run(1)
    watched.learn(FAILED_CHECK, method="temperature", verdict="passed")
    assert watched.run(1) == []  # a thermometer says nothing of the electrode
    watched.learn(FAILED_CHECK, method="temperature")
    watched.learn({"record": "electrode", "thing": "electrode", "name": "probe-1", "state": "stored"})
    assert watched.run(1) == []  # the electrode that failed has gone, the thermometer has not
    watched.learn(FAILED_CHECK, method="temperature", verdict="passed")
    assert "check-failed returned" in watched.run(1)
    watched.learn(FAILED_CHECK)
    assert "check-failed raised" in watched.run(1)
    watched.learn(FAILED_CHECK, verdict="passed")
    filled = {"record": "note", "id": "daemon.1.9", "at": rfc3339(UTC_MS), "text": "Electrolyte is low"}
    watched.learn(filled)
    assert watched.run(1) == ["check-failed returned"]
    watched.learn(filled, work="electrolyte-refilled")
    assert watched.run(1) == ["electrolyte-due returned"]
    worn = {"record": "electrode", "id": "daemon.1.10", "thing": "electrode", "state": "in-use"}
    told = {"name": "probe-7", "condition": "maintenance-required", "condition_reasons": ["slope 91.8 %"]}
    watched.learn({**worn, **told})
    watched.learn(with_electrode("probe-7"))
    assert set(watched.run(1)) == {
        f"{n} raised" for n in ("electrode-condition", "check-due", "electrolyte-due")
    }


def test_care_and_condition_are_those_of_the_electrode_that_is_in_the_cell() -> None:
    watched = Watched(cleaning_every_d=30.0, tubing_every_d=30.0)
    done = {"record": "note", "id": "daemon.1.9", "at": rfc3339(UTC_MS)}
    watched.learn(done, work="tubing-changed")
    watched.learn(done, work="cleaned")  # before it had a name
    watched.learn(with_electrode(None))
    assert watched.run(1) == []
    put = {"record": "electrode", "id": "daemon.1.10", "thing": "electrode", "state": "in-use"}
    worn = {"condition": "maintenance-required", "condition_reasons": ["slope 91.8 %"]}
    watched.learn({**put, **worn, "name": "probe-7", "already_there": True})
    watched.learn(with_electrode("probe-7"))
    assert watched.run(1) == ["electrode-condition raised"]
    watched.learn(done, work="cleaned", electrode="probe-8", cell="larval-hall")
    watched.learn(put, name="probe-8", condition="none")
    watched.learn(with_electrode("probe-8"))
    assert watched.run(1) == ["electrode-condition returned"]
    watched.learn(with_electrode("probe-9"))
    assert watched.run(1) == ["cleaning-due raised"]


def test_no_result_is_current_while_a_failed_check_stands() -> None:
    watched = Watched(no_result_after_s=300.0)
    watched.determination("accepted")
    watched.learn(FAILED_CHECK)
    assert not watched.watch.has_current_result(at(0))
    watched.learn(FAILED_CHECK, verdict="passed")
    assert watched.watch.has_current_result(at(0))


def test_a_failed_check_tells_why_there_is_no_result() -> None:
    watched = Watched(no_result_after_s=300.0)
    watched.learn(FAILED_CHECK, method="temperature", at=rfc3339(UTC_MS))
    assert watched.run(700) == ["check-failed raised"]
    watched.learn(FAILED_CHECK, method="temperature", at=rfc3339(UTC_MS), verdict="passed")
    assert watched.run(20) == ["check-failed returned", "no-result raised"]


def test_a_failed_check_speaks_of_the_electrode_it_was_made_with() -> None:
    watched = Watched(check_every_d=1.0)

    def put_in(name: str) -> list[str]:
        watched.learn(with_electrode(name))
        return watched.run(1)

    watched.learn(FAILED_CHECK, electrode="glass-1")
    assert put_in("glass-1") == ["check-failed raised"]
    assert put_in("glass-2") == ["check-failed returned", "check-due raised"]
    watched.learn(FAILED_CHECK, electrode="glass-2", verdict="passed")
    assert watched.run(1) == ["check-due returned"]
    assert put_in("glass-1") == ["check-failed raised"]  # it is still the one that failed


def calibration_refused(reason: str) -> dict[str, Any]:
    return {"record": "calibration", "verdict": "refused", "refusals": [{"reason": reason, "text": "…"}]}


@pytest.mark.parametrize(
    ("done", "told"),
    [
        (calibration_refused("slope-out-of-limits"), ["check-failed raised", "check-due returned"]),
        (calibration_refused("expected-value-outside"), []),
        ({"record": "calibration", "verdict": "declined"}, []),
        ({"method": "temperature", "verdict": "passed"}, []),
    ],
)
def test_what_was_refused_for_its_buffers_declined_or_of_the_thermometer_is_no_check_of_the_electrode(
    done: dict[str, Any], told: list[str]
) -> None:
    watched = Watched(check_every_d=1.0)
    assert watched.run(1) == ["check-due raised"]
    watched.learn({**FAILED_CHECK, **done, "electrode": None})
    assert watched.run(1) == told
    assert not told or watched.bodies[-2].text.endswith("did not pass: slope-out-of-limits")
