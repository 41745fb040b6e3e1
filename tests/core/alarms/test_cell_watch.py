"""From records and live readings of a cell to its alarms."""

from typing import Any

import pytest

from quietcell.core.electrode.condition import Signal
from quietcell.core.times import rfc3339
from tests.core.alarms.alarm_builders import SOMEONE, UTC_MS, at
from tests.core.alarms.watched_cell import Watched


def test_a_meter_that_is_too_slow_has_an_alarm_of_its_own_and_is_not_silent() -> None:
    watched = Watched()
    gap = {"record": "gap", "id": "live-feed-room.1.8", "cause": "silence", "gap_s": 20.0}
    watched.learn(gap)
    assert watched.run(5) == []
    watched.learn(gap, cause="readings-too-sparse", goes_on=True)
    assert watched.run(1) == ["readings-too-sparse raised"]
    assert watched.bodies[-1].about == "live-feed-room.1.8"
    assert watched.run(50, silent=True) == []
    assert watched.run(30, silent=True)[0] == "meter-silent raised"
    watched.run(10)
    watched.learn(gap, cause="readings-too-sparse", goes_on=False, gap_s=90.0)
    assert watched.run(1) == ["readings-too-sparse returned"]


def test_a_quiet_cell_raises_nothing() -> None:
    watched = Watched(flow_low_ml_min=60.0, flow_high_ml_min=140.0, no_result_after_s=300.0)
    watched.determination("accepted")
    assert watched.run(200) == []
    assert watched.watch.engine.condition() is Signal.NONE


def test_a_silent_meter_raises_one_alarm_and_not_five_others() -> None:
    watched = Watched(
        flow_low_ml_min=60.0, temperature_high_c=30.0, conductivity_high_us_cm=1.0, no_result_after_s=300.0
    )
    watched.run(10)
    assert watched.run(900, silent=True) == ["meter-silent raised"]
    assert watched.bodies[-1].at == rfc3339(UTC_MS + 26_000)  # silent after 5 s, seen at 6 s, delay 10 s
    assert watched.run(10) == ["meter-silent returned"]


def test_a_fault_of_the_port_is_silence_from_the_first_moment() -> None:
    watched = Watched()
    watched.run(10)
    fault = {"record": "driver-fault", "id": "daemon.1.4", "at": rfc3339(UTC_MS + 10_500), "text": "hung up"}
    watched.learn(fault)
    assert watched.run(10, silent=True) == []
    assert watched.run(1, silent=True) == ["meter-silent raised"]
    assert (watched.bodies[-1].text, watched.bodies[-1].about) == ("hung up", "daemon.1.4")


def test_a_meter_whose_lines_cannot_be_read_is_told_as_such() -> None:
    watched = Watched()
    watched.run(10)
    told = "not a number (3 times), last in '?0.1'"
    assert watched.run(20, silent=True, hindrance=told) == ["meter-silent raised"]
    assert watched.bodies[-1].text.endswith(f": {told}")


def test_noise_that_fills_a_window_with_spikes_is_no_sensor_s_fault() -> None:
    watched = Watched()
    watched.determination("refused", "max-wait", "flagged-readings")
    assert watched.run(60) == []


def test_an_episode_is_an_alarm_until_it_closes() -> None:
    watched = Watched()
    watched.run(1)
    watched.episode("co2-ingress", "opened")
    assert watched.run(60) == ["co2-ingress raised"]
    watched.episode("co2-ingress", "updated")
    assert watched.run(60) == []
    watched.episode("co2-ingress", "closed", text="is gone")
    assert watched.run(60) == ["co2-ingress returned"]
    assert watched.bodies[-1].text == "is gone"


def test_flow_that_is_back_is_told_from_one_that_has_stopped() -> None:
    watched = Watched()
    watched.episode("flow-stopped", "opened")
    watched.run(100, flow_ml_min=0.1)
    watched.run(1, flow_ml_min=99.9)
    (alarm,) = watched.watch.engine.shown()
    assert alarm["text"] == "flow 99.9 mL/min, what stood is being flushed out"


@pytest.mark.parametrize(
    ("diagnosis", "alarm"),
    [
        ("temperature", "temperature"), ("flow-stopped", "flow-stopped"), ("sensor-fault", "sensor-fault"),
        ("junction-drift", "electrode-condition"), ("streaming", "electrical-disturbance"),
        ("cannot-tell", "unexplained-change"),
    ],
)  # fmt: skip
def test_whatever_is_suspected_has_its_alarm_until_it_is_over(diagnosis: str, alarm: str) -> None:
    watched = Watched()
    watched.episode(diagnosis, "opened")
    assert watched.run(300) == [f"{alarm} raised"]
    watched.episode(diagnosis, "closed")
    assert watched.run(100) == [f"{alarm} returned"]


def test_no_result_in_time_is_told_once_and_over_with_the_next_result() -> None:
    watched = Watched(no_result_after_s=300.0)
    watched.determination("accepted")
    assert watched.run(300) == []
    assert watched.run(60) == ["no-result raised"]
    watched.determination("refused", "max-wait", "not-at-rest")
    assert watched.run(60) == []
    watched.determination("qualified")
    assert watched.run(5) == ["no-result returned"]


def test_time_without_a_meter_is_not_held_against_the_results() -> None:
    watched = Watched(no_result_after_s=300.0)
    watched.run(10)
    watched.run(400, silent=True)
    assert watched.run(290) == ["meter-silent returned"]
    assert watched.run(60) == ["no-result raised"]


@pytest.mark.parametrize(
    ("limits", "live", "alarm"),
    [
        ({"flow_low_ml_min": 60.0}, {"flow_ml_min": 50.0}, "flow-out-of-band"),
        ({}, {"flow_ml_min": 0.2}, "flow-stopped"),
        ({"temperature_high_c": 30.0}, {"temperature_c": 31.0}, "temperature"),
        ({"conductivity_high_us_cm": 1.0}, {"conductivity_us_cm": 1.2}, "conductivity-out-of-limits"),
        ({"conductivity_stage_1": True}, {"conductivity_us_cm": 1.35}, "conductivity-stage-1"),
        ({}, {"temperature_c": None}, "sensor-fault"),
    ],
)
def test_a_live_value_beyond_its_limit_is_told_after_its_delay(
    limits: dict[str, Any], live: dict[str, Any], alarm: str
) -> None:
    watched = Watched(**limits)
    watched.run(10)
    before = {name: getattr(watched.live, name) for name in live}
    assert watched.run(130, **live) == [f"{alarm} raised"]
    assert watched.run(130, **before) == [f"{alarm} returned"]


@pytest.mark.parametrize(
    ("learnt", "alarm"),
    [
        ({"verdict": "refused", "reasons": ["conductivity-contradiction"]}, "conductivity-contradiction"),
        ({"verdict": "accepted", "ph_25c": 5.4}, "ph-out-of-limits"),
        ({"verdict": "accepted", "smallest_co2_ug_per_l": 400.0}, "detector-blind"),
        ({"verdict": "refused", "reasons": ["flagged-readings"], "rejected_readings": {"stuck": 400}},
         "sensor-fault"),
    ],
)  # fmt: skip
def test_a_determination_tells_what_is_wrong_and_the_next_that_it_is_over(
    learnt: dict[str, Any], alarm: str
) -> None:
    watched = Watched(ph_low=5.8)
    reasons = learnt.pop("reasons", [])
    verdict = learnt.pop("verdict")
    watched.determination(verdict, *reasons, **learnt)
    assert watched.run(700) == [f"{alarm} raised"]
    watched.determination("accepted", smallest_co2_ug_per_l=4.0)
    assert watched.run(700) == [f"{alarm} returned"]


def test_a_restart_remembers_alarms_shelf_and_sanitisation() -> None:
    before = Watched()
    before.run(1)
    before.episode("co2-ingress", "opened")
    before.run(1)
    before.bodies += before.watch.engine.shelve(at(3), "co2-ingress", SOMEONE, until_utc_ms=UTC_MS + 60_000)
    before.bodies += before.watch.begin_sanitisation(at(3), SOMEONE, until_utc_ms=UTC_MS + 90_000)
    after = Watched()
    after.second = 3
    after.watch.restore([body.as_json() for body in before.bodies], at(3))
    assert after.shown == before.shown
    after.episode("co2-ingress", "opened")
    assert after.run(56) == []
    assert after.run(2) == ["co2-ingress shelf-ended"]
    assert after.run(40) == ["sanitisation returned", "co2-ingress raised"]


@pytest.mark.parametrize(
    ("limits", "live", "name"),
    [
        ({"check_every_d": 1.0}, {}, "check-due"),
        ({"no_result_after_s": 300.0}, {}, "no-result"),
        ({"conductivity_stage_1": True}, {"conductivity_us_cm": 1.35}, "conductivity-stage-1"),
    ],
)
def test_what_is_no_longer_watched_for_returns(
    limits: dict[str, Any], live: dict[str, Any], name: str
) -> None:
    before = Watched(**limits)
    assert before.run(600, **live) == [f"{name} raised"]
    after = Watched()
    after.second = 600
    after.watch.restore([body.as_json() for body in before.bodies], at(600))
    assert after.run(120, **live) == [f"{name} returned"]


def test_what_the_meter_no_longer_measures_is_watched_no_longer_but_a_pause_is_no_end() -> None:
    watched = Watched(flow_low_ml_min=60.0, conductivity_high_us_cm=1.0)
    alarms = {"flow-out-of-band", "conductivity-out-of-limits"}
    watched.run(200, flow_ml_min=50.0, conductivity_us_cm=2.0)
    assert set(watched.shown) == alarms
    assert watched.run(500, flow_ml_min=None, conductivity_us_cm=None) == []
    watched.run(100, flow_ml_min=50.0, conductivity_us_cm=2.0)
    assert watched.run(600, flow_ml_min=None, conductivity_us_cm=None) == []
    assert set(watched.run(100)) == {f"{name} returned" for name in alarms}


def test_what_is_told_of_an_alarm_follows_what_is_seen() -> None:
    watched = Watched(flow_low_ml_min=60.0)
    watched.run(200, flow_ml_min=50.0)
    watched.run(1, flow_ml_min=40.0)
    (alarm,) = watched.watch.engine.shown()
    assert alarm["text"] == "flow 40.0 mL/min; limits low 60 mL/min"
    assert alarm["state"] == "unacknowledged"


@pytest.mark.parametrize("work", ["calibration", "measure"])
def test_work_at_the_cell_is_function_check_and_not_held_against_the_water(work: str) -> None:
    watched = Watched(flow_low_ml_min=60.0, temperature_high_c=30.0, no_result_after_s=300.0)
    watched.determination("accepted")
    watched.run(10)
    assert watched.current()
    dry: dict[str, Any] = {"flow_ml_min": 0.0, "temperature_c": None}
    assert watched.run(900, attended=work, **dry) == []
    assert watched.watch.condition() is Signal.FUNCTION_CHECK
    assert not watched.current()
    assert watched.run(290, attended=None, flow_ml_min=100.0, temperature_c=25.0) == []
    assert watched.watch.condition() is Signal.NONE
    assert watched.run(60) == ["no-result raised"]


def test_a_lack_of_results_that_was_told_is_not_over_because_someone_worked_at_the_cell() -> None:
    watched = Watched(no_result_after_s=300.0)
    watched.determination("accepted")
    assert watched.run(360) == ["no-result raised"]
    assert watched.run(600, attended="flow-test") == []
    assert watched.run(600, attended=None) == []
    watched.determination("accepted")
    assert watched.run(5) == ["no-result returned"]


def test_a_sample_at_a_cell_on_request_is_what_the_cell_is_there_for() -> None:
    watched = Watched()
    watched.learn(
        {"record": "configuration", "settings": {"calibration_expires_utc_ms": None, "mode": "on-request"}}
    )
    assert watched.run(60, attended="measure", mv=None) == ["sensor-fault raised"]
    assert watched.watch.condition() is Signal.FAILURE


def test_a_result_is_current_only_while_it_is_young_and_the_water_is_seen() -> None:
    watched = Watched(no_result_after_s=300.0)
    assert not watched.watch.has_current_result(at(0))
    watched.determination("qualified")
    watched.run(300)
    assert watched.watch.has_current_result(at(300))
    assert not watched.watch.has_current_result(at(301))
    watched.determination("accepted")
    watched.run(30, silent=True)
    assert not watched.watch.has_current_result(at(330))


def test_a_result_from_before_the_water_changed_is_not_current() -> None:
    watched = Watched(no_result_after_s=3000.0)

    watched.run(100)
    watched.determination("accepted")
    told = [watched.current()]
    watched.run(100)
    watched.episode("co2-ingress", "opened", began=150)
    told.append(watched.current())
    watched.determination("qualified")
    watched.run(100)
    told.append(watched.current())
    watched.episode("co2-ingress", "closed", began=150)
    told.append(watched.current())
    watched.determination("accepted")
    assert [*told, watched.current()] == [True, False, True, False, True]


def test_a_doubt_stays_with_the_result_it_is_about() -> None:
    watched = Watched()
    watched.determination("accepted")
    doubt = {"record": "doubt", "id": "live-feed-room.1.10", "text": "in doubt since 09:00"}
    seen = []
    for about in (["live-feed-room.1.3"], ["live-feed-room.1.3", "live-feed-room.1.9"]):
        watched.learn(doubt, determinations=about)
        seen.append(watched.watch.facts.doubt is not None)
    watched.determination("accepted")
    assert [*seen, watched.watch.facts.doubt is not None] == [False, True, False]


def test_a_detector_that_would_find_no_amount_is_blind() -> None:
    watched = Watched()
    watched.determination("accepted", smallest_co2_ug_per_l=None)
    assert watched.run(900) == []  # the first: there was nothing to compare with yet
    watched.determination("accepted", smallest_co2_ug_per_l=None)
    assert watched.run(700) == ["detector-blind raised"]
    watched.determination("accepted", smallest_co2_ug_per_l=4.0)
    assert watched.run(100) == ["detector-blind returned"]


def test_samples_say_nothing_of_a_detector_that_has_not_seen_their_water_before() -> None:
    watched = Watched()
    settings = {"calibration_expires_utc_ms": None, "mode": "continuous"}
    watched.learn({"record": "configuration", "settings": settings})
    for _ in range(2):
        watched.determination("accepted", smallest_co2_ug_per_l=None)
    assert watched.run(700) == ["detector-blind raised"]
    watched.learn({"record": "configuration", "settings": {**settings, "mode": "on-request"}})
    assert watched.run(100) == ["detector-blind returned"]
    for _ in range(2):
        watched.determination("accepted", smallest_co2_ug_per_l=None)
    assert watched.run(700) == []
    watched.determination("accepted", smallest_co2_ug_per_l=400.0)
    assert watched.run(700) == ["detector-blind raised"]


def test_a_sensor_found_at_fault_on_request_says_up_to_when_and_what_will_tell() -> None:
    watched = Watched()
    settings = {"calibration_expires_utc_ms": None, "mode": "on-request"}
    watched.learn({"record": "configuration", "settings": settings})
    watched.determination("refused", "flagged-readings", rejected_readings={"open-circuit": 40})
    ended = rfc3339(watched.now.utc_ms)
    assert watched.run(40) == ["sensor-fault raised"]
    told = f"40 open-circuit, up to {ended}; the next determination tells whether that is over"
    assert watched.bodies[-1].text == f"readings rejected: {told}"


def test_a_sample_someone_brought_is_none_of_the_loops() -> None:
    watched = Watched(ph_low=6.0)
    low = {"record": "determination", "id": "live-feed-room.1.3", "verdict": "accepted", "reasons": []}
    told = {**low, "ph": 5.0, "ph_25c": 5.0, "ended": rfc3339(UTC_MS), "smallest_co2_ug_per_l": None}
    told |= {"ph_allowed_low": None, "ph_allowed_high": None}
    watched.learn({**told, "grab": {"portion": 1}})
    assert watched.run(1) == []
    watched.learn(told)
    assert watched.run(1) == ["ph-out-of-limits raised"]


def test_a_limit_of_ph_says_at_what_temperature_the_ph_is() -> None:
    watched = Watched(ph_low=5.8)
    for more in ({"ph_25c": 5.4}, {"ph": 5.5, "ph_25c": None, "temperature_c": 21.04}):
        watched.determination("accepted", **more)
        watched.run(700)
        watched.determination("accepted")
        watched.run(700)
    texts = [body.text for body in watched.bodies if body.event == "raised"]
    assert texts == ["pH 5.40 at 25 °C; limits low 5.8 pH", "pH 5.50 at 21 °C; limits low 5.8 pH"]


def test_a_clock_that_was_set_back_neither_silences_an_alarm_nor_makes_a_result_young_for_ever() -> None:
    watched = Watched(no_result_after_s=300.0)
    watched.run(20)
    fault = {"record": "driver-fault", "id": "daemon.1.4", "at": rfc3339(UTC_MS + 15_000), "text": "hung up"}
    watched.learn(fault)
    watched.episode("co2-ingress", "closed")
    watched.run(1)
    watched.determination("accepted")
    assert watched.current()
    watched.set_back_ms = 86_400_000
    assert watched.run(290) == []  # the fault is over, and nothing is owed for the time before
    assert not watched.current()
    assert watched.run(120) == ["no-result raised"]
    watched.determination("accepted")
    assert watched.run(1) == ["no-result returned"]
    assert watched.current()
