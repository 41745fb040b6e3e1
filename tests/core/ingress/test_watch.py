"""What episodes do to the records of a cell: caveats, refusals, doubts, a person's word."""

import json
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from quietcell.core.electrode.influences import LowIonicCheck
from quietcell.core.engine import Engine
from quietcell.core.inputs import EpisodeVerdict, FlowTested, Request, SegmentBegan, SegmentEnded, TimeMark
from quietcell.core.readings import ReadingBlock
from quietcell.core.records import Json
from tests.support.ingress_engine import bodies_of, inputs_of, settings_of
from tests.support.ingress_simulation import Scenario, Water, clean_water, default_noise, simulate
from tests.support.streams import SHORT, began, determinations


def calm(seed: int, **more: Json) -> Water:
    """Return water so quiet that the short criterion of tests accepts it."""
    rng = np.random.default_rng(seed)
    short = {"onset_min": 32.0, "minutes": 85.0, "every_s": 2.0, "noise": default_noise(rng, 0.1, 0.1)}
    return clean_water(rng, **{**short, **more})


@cache
def slow_leak() -> Scenario:
    water = calm(5)
    water.added_ug_l = 0.2 * water.since()
    return simulate("slow leak", 5, water)


@cache
def records() -> list[dict[str, Json]]:
    return bodies_of(slow_leak(), every_s=60.0, criterion=replace(SHORT, max_drift_mv_per_min=3.0))


def episodes(bodies: list[dict[str, Json]]) -> list[dict[str, Json]]:
    return [body for body in bodies if body["record"] == "episode"]


def test_results_behind_the_opening_are_qualified_with_the_episode() -> None:
    first = episodes(records())[0]
    assert (first["diagnosis"], first["state"], first["episode"]) == ("co2-ingress", "opened", first["id"])
    later = [d for d in determinations(records()) if d["ended"] > first["at"] and d["ph"] is not None]
    assert any(d["verdict"] == "qualified" for d in later)
    assert not any(d["verdict"] == "accepted" for d in later)
    assert all(d["episodes"] == [first["id"]] and "co2-unlocated" in d["qualifiers"] for d in later)


def test_evidence_has_the_ph_results_have_where_a_check_found_a_bias() -> None:
    check = LowIonicCheck(bias_ph=0.12, standard_uncertainty_ph=0.01)
    criterion = replace(SHORT, max_drift_mv_per_min=3.0)
    bodies = bodies_of(slow_leak(), every_s=60.0, criterion=criterion, low_ionic=check)
    opened = episodes(bodies)[0]
    before = [d["ph"] for d in determinations(bodies) if d["ph"] is not None and d["ended"] < opened["began"]]
    assert opened["diagnosis"] == "co2-ingress"
    assert opened["evidence"]["ph_before"] == pytest.approx(float(np.median(before)), abs=0.03)


def test_results_accepted_between_the_beginning_and_the_opening_are_doubted() -> None:
    first = episodes(records())[0]
    (doubt,) = [body for body in records() if body["record"] == "doubt"]
    within = [
        d["id"]
        for d in determinations(records())
        if first["began"] < d["ended"] <= first["at"] and d["verdict"] == "accepted"
    ]
    assert within
    assert doubt["determinations"] == within
    assert (doubt["about"], doubt["since"], doubt["until"]) == (first["id"], first["began"], first["at"])
    assert doubt["text"].endswith(" may be wrong. Carbon dioxide is coming into the water.")


def test_every_determination_says_how_little_carbon_dioxide_would_have_been_found() -> None:
    told = [d["smallest_co2_ug_per_l"] for d in determinations(records())]
    assert told[0] is None
    assert all(0.5 < smallest < 10.0 for smallest in told[20:30])


def test_a_sentence_tells_what_since_when_how_much_by_which_numbers_and_where_to_look() -> None:
    text = episodes(records())[0]["text"]
    for part in (
        "Carbon dioxide",
        "since",
        " µg/L more of it",
        "equilibrium with air",
        "conductivity",
        "pH",
        "strong acid",
        "Look first",
    ):
        assert part in text


def in_the_path(seed: int) -> Scenario:
    """Return a constant leak before the electrode, the flow halved twenty minutes later."""
    water = calm(seed, hold_up_ml=200.0)
    water.flow_share = np.where(water.since() > 20.0, 0.5, 1.0)
    water.added_ug_l = 30.0 * np.minimum(water.since(), 1.0) / water.flow_share
    return simulate("in the sample path", seed, water)


def test_carbon_dioxide_that_comes_in_before_the_electrode_refuses_and_says_so() -> None:
    bodies = bodies_of(in_the_path(3))
    placed = next(e for e in episodes(bodies) if e["place"] == "sample-path")
    later = [d for d in determinations(bodies) if d["ended"] > placed["at"]]
    assert ["ingress-in-sample-path"] in [d["reasons"] for d in later]
    assert not any(d["verdict"] in ("accepted", "qualified") for d in later)


def test_carbon_dioxide_in_the_water_itself_is_delivered_with_its_caveat() -> None:
    water = calm(4, position="upstream")
    water.delay_s = -10.0
    water.added_ug_l = 30.0 * np.minimum(water.since() / 3.0, 1.0)
    bodies = bodies_of(simulate("upstream", 4, water))
    first = episodes(bodies)[0]
    later = [d for d in determinations(bodies) if d["ended"] > first["at"]]
    assert (first["diagnosis"], first["place"]) == ("co2-ingress", "upstream")
    assert any(d["verdict"] == "qualified" for d in later)
    assert all("co2-in-water" in d["qualifiers"] for d in later)


def test_a_drift_of_the_junction_leaves_with_its_electrode() -> None:
    water = calm(6)
    water.ph_shift = 0.3 * np.clip(water.since() / 20.0, 0.0, 1.0)
    scenario = simulate("junction", 6, water)
    engine = Engine(settings_of(scenario, electrode="probe-7"))
    first, block, _ = inputs_of(scenario)
    for item in (first, block, SegmentEnded(ms=int(scenario.block.ms[-1]) + 1000, cause="reloaded")):
        engine.take(item)
    (opened,) = engine.open_episodes
    other = replace(engine.settings, electrode="probe-8")
    told = [body.as_json() for body in engine.take(replace(began(2, "reloaded"), settings=other))]
    closed = {"episode": opened, "diagnosis": "junction-drift", "state": "closed"}
    assert [closed.items() <= body.items() for body in episodes(told)] == [True]
    assert engine.open_episodes == ()


def halves(scenario: Scenario) -> tuple[ReadingBlock, ReadingBlock]:
    """Return the readings up to half an hour behind the onset, and the others."""
    block = inputs_of(scenario)[1]
    assert isinstance(block, ReadingBlock)
    cut = int(np.searchsorted(block.ms, scenario.onset_ms + 1_200_000))
    return block[:cut], block[cut:]


def told(engine: Engine, *items: Json) -> list[dict[str, Json]]:
    return [body.as_json() for item in items for body in engine.take(item)]


def leak_found() -> tuple[Engine, SegmentBegan, dict[str, Json], ReadingBlock, ReadingBlock]:
    """An engine that has seen a slow leak; its segment, its episode, the readings so far and later ones."""
    scenario = slow_leak()
    began, (early, late) = inputs_of(scenario)[0], halves(scenario)
    assert isinstance(began, SegmentBegan)
    engine = Engine(settings_of(scenario))
    (first, *_) = episodes(told(engine, began, early))
    return engine, began, first, early, late


def test_a_rejected_episode_closes_and_qualifies_nothing_more() -> None:
    engine, _, first, early, late = leak_found()
    ms = int(early.ms[-1])
    rejected = EpisodeVerdict(ms=ms, id="daemon.1.9", episode=first["id"], verdict="reject")
    (closed,) = episodes(told(engine, rejected))
    assert (closed["state"], closed["episode"]) == ("closed", first["id"])
    after = determinations(told(engine, late[:600], TimeMark(ms=int(late.ms[599]))))
    assert after
    assert all(first["id"] not in d["episodes"] for d in after)


def test_a_confirmed_episode_stays_open_and_says_so() -> None:
    engine, _, first, early, _ = leak_found()
    verdict = EpisodeVerdict(ms=int(early.ms[-1]), id="daemon.1.9", episode=first["id"], verdict="confirm")
    (again,) = episodes(told(engine, verdict))
    assert (again["state"], again["confirmed"]) == ("updated", True)


def test_a_verdict_on_an_episode_that_is_not_open_changes_nothing() -> None:
    scenario = slow_leak()
    engine = Engine(settings_of(scenario))
    told(engine, inputs_of(scenario)[0])
    verdict = EpisodeVerdict(ms=5, id="daemon.1.9", episode="live-feed-room.1.77", verdict="reject")
    assert told(engine, verdict) == []


def test_an_open_episode_outlives_the_segment_it_began_in() -> None:
    engine, began, first, early, late = leak_found()
    end_ms = int(early.ms[-1])
    told(engine, SegmentEnded(ms=end_ms, cause="reopened"))
    next_segment = replace(began, segment=2, utc_ms=began.utc_ms + end_ms, cause="reopened")
    moved = replace(late, ms=late.ms - end_ms)
    bodies = told(engine, next_segment, moved)
    assert all(e["episode"] == first["id"] for e in episodes(bodies))
    assert all(d["episodes"] == [first["id"]] for d in determinations(bodies))


def test_another_sample_begins_without_the_episodes_of_the_last() -> None:
    scenario = slow_leak()
    (began, *_), (early, late) = inputs_of(scenario), halves(scenario)
    engine = Engine(settings_of(scenario, mode="on-request"))
    bodies = told(engine, began, Request(ms=0), early, Request(ms=int(early.ms[-1])), late)
    assert [d["episodes"] for d in determinations(bodies)] == [[], []]


def test_what_is_known_survives_a_restart() -> None:
    scenario = slow_leak()
    engine = Engine(settings_of(scenario))
    told(engine, inputs_of(scenario)[0], halves(scenario)[0])
    watch = engine._waters.measured
    plain = json.loads(json.dumps(watch.state(), allow_nan=False))
    again = Engine(settings_of(scenario))._waters.measured
    again.restore(plain)
    assert again.episodes == watch.episodes
    assert again.state() == watch.state()


def test_a_flow_test_that_finds_a_leak_places_the_open_episode_and_results_are_refused() -> None:
    engine, _, first, early, late = leak_found()
    assert first["place"] == "unlocated"
    ms = int(early.ms[-1])
    placed, *others = told(engine, FlowTested(ms=ms, id="daemon.1.9", verdict="leak"))
    assert (placed["episode"], placed["state"], placed["place"]) == (first["id"], "updated", "sample-path")
    assert all(body["record"] == "doubt" for body in others)
    assert told(engine, FlowTested(ms=ms, id="daemon.1.10", verdict="leak")) == []
    after = [d for d in determinations(told(engine, late[:900], TimeMark(ms=int(late.ms[899])))) if d["ph"]]
    assert after
    assert all("ingress-in-sample-path" in d["reasons"] for d in after)


def test_a_flow_test_that_tells_nothing_leaves_the_episode_where_it_was() -> None:
    engine, _, _, early, _ = leak_found()
    for verdict in ("streaming", "nothing-found", "cannot-tell"):
        assert told(engine, FlowTested(ms=int(early.ms[-1]), id="daemon.1.9", verdict=verdict)) == []


def test_a_change_that_no_carbon_dioxide_fits_is_told_without_an_amount() -> None:
    rng = np.random.default_rng(0)
    water = clean_water(rng, onset_min=40.0, minutes=60.0, noise=default_noise(rng, 0.3, 0.3))
    ramp = np.minimum(water.since() / 6.0, 1.0)
    water.ph_shift, water.log_shift = 0.2 * ramp, -0.06 * ramp
    (opened,) = episodes(bodies_of(simulate("rising", 0, water)))
    assert (opened["diagnosis"], opened["evidence"]["co2_rise_ug_per_l"]) == ("cannot-tell", None)
    assert "µg/L more" not in opened["text"]
