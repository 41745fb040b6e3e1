"""What the detector names, how it sizes and places it, and what it leaves alone."""

import json
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from quietcell.core.ingress.detector import Detector
from quietcell.core.ingress.event import EpisodeEvent, IngressSettings
from quietcell.core.ingress.sequential import RECENT_BLOCKS
from quietcell.core.ingress.wording import wording
from quietcell.core.readings import ReadingBlock
from quietcell.errors import DomainError
from tests.support import ingress_other as other
from tests.support import ingress_scenarios as own
from tests.support.ingress_score import final_diagnosis, first_named, told
from tests.support.ingress_simulation import Scenario, clean_water, default_noise, simulate


@cache
def leak() -> Scenario:
    return own.leak(3, "20-100")


@cache
def whole() -> list[EpisodeEvent]:
    return told(leak())


@pytest.mark.parametrize("size", own.SIZES)
def test_carbon_dioxide_in_clean_water_is_named_and_sized(size: str) -> None:
    scenario = own.leak(1, size)
    events = told(scenario)
    assert first_named(events, "co2-ingress", scenario.onset_ms) is not None
    assert {e.diagnosis for e in events} == {"co2-ingress"}
    amount = events[-1].co2_ug_per_l_from_conductivity
    assert amount is not None
    assert scenario.size_at is not None
    truth = float(np.interp(events[-1].at_ms, *scenario.size_at))
    assert amount.value == pytest.approx(truth, abs=1.5 * amount.expanded_uncertainty)


@pytest.mark.parametrize(
    "kind", [kind for kind in own.LOOKALIKES if kind != "strong acid"]
)  # acid is told from carbon dioxide only where it goes beyond it
def test_a_lookalike_is_named_and_never_called_carbon_dioxide(kind: str) -> None:
    scenario = own.lookalike(2, kind)
    events = told(scenario)
    assert final_diagnosis(events, scenario.onset_ms) in own.LOOKALIKES[kind][1]
    assert first_named(events, "co2-ingress") is None


@pytest.mark.parametrize("seed", [40, 107])  # the flow changes, too
def test_by_ph_alone_a_fall_too_large_for_a_change_of_flow_is_named(seed: int) -> None:
    scenario = other.leak(seed, "100+", position=None)
    assert first_named(told(scenario), "co2-ingress", scenario.onset_ms) is not None


@pytest.mark.parametrize("kind", ["streaming", "junction"])
def test_by_ph_alone_what_a_change_of_flow_moves_is_not_carbon_dioxide(kind: str) -> None:
    for seed in range(3):
        assert first_named(told(other.lookalike(seed, kind, position=None)), "co2-ingress") is None


@pytest.mark.parametrize("kind", [kind for kind in other.OTHER_LOOKALIKES if kind != "strong acid"])
def test_a_lookalike_of_other_physics_is_never_called_carbon_dioxide(kind: str) -> None:
    assert first_named(told(other.lookalike(4, kind)), "co2-ingress") is None


def test_carbon_dioxide_is_seen_in_ammoniated_water_where_conductivity_falls() -> None:
    scenario = own.ammoniated_leak(6)
    (first, *_) = told(scenario)
    assert first.diagnosis == "co2-ingress"
    assert first.conductivity_before_us_cm is not None
    assert first.conductivity_now_us_cm is not None
    assert first.conductivity_now_us_cm < first.conductivity_before_us_cm


def test_a_leak_behind_the_conductivity_cell_leaves_open_whether_it_is_the_junction() -> None:
    scenario = own.hidden_leak(1)
    assert final_diagnosis(told(scenario), scenario.onset_ms) == "cannot-tell"


def test_a_leak_before_both_sensors_lies_upstream() -> None:
    (first, *_) = told(own.upstream_leak(1))
    assert (first.diagnosis, first.place) == ("co2-ingress", "upstream")


def test_a_leak_there_from_the_first_second_is_seen() -> None:
    events = told(own.standing_leak(1))
    assert events
    assert {e.diagnosis for e in events} <= {"co2-ingress", "cannot-tell"}


def test_nothing_is_told_of_a_quiet_day() -> None:
    assert told(own.quiet(1, 1.0)) == []


def test_a_slow_drift_soon_after_the_start_does_not_excuse_itself() -> None:
    calm = own.quiet(1, 3.5 / 24.0)
    hours = np.maximum(calm.block.ms / 3_600_000.0 - 1.0, 0.0)
    drifting = replace(calm, ph=calm.ph - 0.2 * (1.0 - np.exp(-hours)))
    assert {event.diagnosis for event in told(drifting)} == {"junction-drift"}


def test_an_episode_closes_when_what_it_told_is_undone() -> None:
    scenario = leak()
    n = int(np.searchsorted(scenario.block.ms, scenario.onset_ms))
    back = replace(scenario.block[:n], ms=scenario.block.ms[:n] + int(scenario.block.ms[-1]) + 1000)
    detector = Detector(scenario.settings)
    detector.see(scenario.block, scenario.ph)
    detector.see(back, scenario.ph[:n])
    events = detector.tick(int(back.ms[-1]))
    assert events[-1].state == "closed"
    assert detector.open_episodes == ()


@pytest.mark.parametrize("make", [leak, lambda: own.standing_leak(1), lambda: own.lookalike(2, "base")])
def test_an_electrode_that_fails_at_neutral_undoes_nothing_that_conductivity_still_shows(
    make: Callable[[], Scenario],
) -> None:
    scenario = make()
    last_ms, n = int(scenario.block.ms[-1]), 3600
    later = ReadingBlock.from_columns(
        ms=last_ms + 1000 + 1000 * np.arange(n),
        mv=scenario.block.mv[-n:],
        temperature_c=scenario.block.temperature_c[-n:],
        conductivity_us_cm=scenario.block.conductivity_us_cm[-n:],
        flow_ml_min=scenario.block.flow_ml_min[-n:],
    )
    rng = np.random.default_rng(1)
    detector = Detector(scenario.settings)
    detector.see(scenario.block, scenario.ph)
    detector.tick(last_ms)
    known = {episode.number for episode in detector.open_episodes}
    assert known
    detector.see(later, 7.0 + rng.normal(0.0, 0.0005, n))  # its lead is open or short: 0 mV
    events = detector.tick(int(later.ms[-1]))
    assert known <= {episode.number for episode in detector.open_episodes}
    assert "electrical-step" in {event.diagnosis for event in events}
    assert len(events) < 10


@settings(max_examples=4, deadline=None)
@given(st.lists(st.integers(1, 8000), max_size=6, unique=True))
def test_how_readings_are_cut_into_blocks_changes_nothing(cuts: list[int]) -> None:
    scenario = leak()
    detector = Detector(scenario.settings)
    events = []
    bounds = [0, *sorted(cut for cut in cuts if cut < len(scenario.block)), len(scenario.block)]
    for low, high in pairwise(bounds):
        block = scenario.block[low:high]
        detector.see(block, scenario.ph[low:high])
        events += detector.tick(int(block.ms[-1]) - 1)
    events += detector.tick(int(scenario.block.ms[-1]) + 10_000)
    assert events == whole()


@pytest.mark.parametrize("minutes_after_onset", [-25, 1, 30])
def test_a_detector_restored_from_its_state_goes_on_as_if_nothing_had_been(minutes_after_onset: int) -> None:
    scenario = leak()
    n = int(np.searchsorted(scenario.block.ms, scenario.onset_ms + minutes_after_onset * 60_000))
    first = Detector(scenario.settings)
    first.see(scenario.block[:n], scenario.ph[:n])
    events = first.tick(int(scenario.block.ms[n - 1]))
    second = Detector(scenario.settings)
    second.restore(json.loads(json.dumps(first.state(), allow_nan=False)))
    second.see(scenario.block[n:], scenario.ph[n:])
    events += second.tick(int(scenario.block.ms[-1]) + 10_000)
    assert events == whole()


def test_a_detector_restored_over_and_over_tells_the_same_and_holds_no_more_than_it_looks_at() -> None:
    scenario, detector = leak(), Detector(leak().settings)
    events, state = list[EpisodeEvent](), {}
    for low in range(0, len(scenario.block), 85):
        block = scenario.block[low : low + 85]
        detector.see(block, scenario.ph[low : low + 85])
        events += detector.tick(int(block.ms[-1]))
        state = json.loads(json.dumps(detector.state(), allow_nan=False))
        detector = Detector(scenario.settings)
        detector.restore(state)
        assert json.loads(json.dumps(detector.state(), allow_nan=False)) == state
    events += detector.tick(int(scenario.block.ms[-1]) + 10_000)
    assert events == whole()
    assert len(state["recent"]) == RECENT_BLOCKS
    assert len(json.dumps(state)) < 60_000


def test_a_new_segment_moves_times_and_forgets_nothing() -> None:
    scenario = leak()
    end_ms = (scenario.onset_ms + 20_000) // 10_000 * 10_000
    cut = int(np.searchsorted(scenario.block.ms, end_ms, side="right"))
    detector = Detector(scenario.settings)
    detector.see(scenario.block[:cut], scenario.ph[:cut])
    assert detector.tick(end_ms) == []
    detector.new_segment(end_ms)
    later = replace(scenario.block[cut:], ms=scenario.block.ms[cut:] - end_ms)
    detector.see(later, scenario.ph[cut:])
    (first, *_) = detector.tick(int(later.ms[-1]))
    assert first.at_ms + end_ms == whole()[0].at_ms
    assert first.began_ms + end_ms == whole()[0].began_ms


def test_an_unknown_position_is_refused_with_those_there_are() -> None:
    with pytest.raises(DomainError, match=r"conductivity_position = 'sideways'.*downstream"):
        IngressSettings(conductivity_position="sideways")  # type: ignore[arg-type]  # wrong on purpose


def test_a_figure_no_cell_has_is_refused_with_its_range() -> None:
    with pytest.raises(DomainError, match=r"hold_up_ml = -1 mL is out of range.*0..100000 mL"):
        IngressSettings(hold_up_ml=-1.0)


@settings(max_examples=4, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_readings_of_any_water_and_of_none_are_judged_without_a_fault(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n, parts = 360, 6
    part = np.repeat(np.arange(parts), n // parts)

    def levels(low: float, high: float) -> NDArray[np.float64]:
        level = np.asarray(rng.uniform(low, high, parts)[part] if rng.uniform() < 0.7 else np.full(n, high))
        return level + rng.normal(0.0, 1e-3, n)

    kappa = 10.0 ** levels(-5.0, 5.3)
    kappa[rng.uniform(size=n) < rng.choice([0.0, 0.5, 1.0])] = np.nan
    kappa[part == rng.integers(20)] = -1.0
    block = ReadingBlock.from_columns(
        ms=np.cumsum(rng.choice([1_000, 10_000, 500_000], n, p=[0.2, 0.79, 0.01])),
        mv=np.zeros(n),
        temperature_c=np.clip(levels(0.0, 100.0), 0.0, 100.0),
        conductivity_us_cm=kappa,
        flow_ml_min=np.maximum(levels(0.0, 200.0), 0.0),
    )
    known = IngressSettings(
        conductivity_position=rng.choice(["upstream", "downstream", "same", "separate-portion"]),
        hold_up_ml=float(rng.uniform(0.0, 200.0)),
        reference_outflow_ul_h=float(rng.uniform(0.0, 50.0)),
    )
    detector = Detector(known)
    detector.see(block, levels(-1.0, 15.0))
    for event in detector.tick(int(block.ms[-1]) + 10_000):
        assert wording(event, str)
    smallest = detector.smallest_co2_ug_per_l
    assert smallest is None or smallest > 0.0
    json.dumps(detector.state(), allow_nan=False)


def test_gas_that_comes_and_goes_is_the_same_gas_again() -> None:
    rng = np.random.default_rng(11)
    calm = default_noise(rng, 0.3, 0.3)
    water = clean_water(rng, lag_s=35.0, onset_min=40.0, minutes=130.0, noise=calm)
    x = water.since()
    water.added_ug_l = np.where((x > 0) & (x % 20.0 < 14.0), 300.0, 0.0)
    events = told(simulate("comes and goes", 11, water))
    assert {event.diagnosis for event in events} == {"co2-ingress"}
    assert sum(event.state == "closed" for event in events) >= 3


def test_what_an_electrode_still_follows_is_no_second_cause() -> None:
    for seed in range(4):
        rng = np.random.default_rng([seed, 12])
        water = clean_water(rng, lag_s=60.0)
        water.added_ug_l = np.where(water.since() > 0, 250.0, 0.0)
        events = told(simulate("slow electrode", seed, water))
        assert {event.diagnosis for event in events} == {"co2-ingress"}


@pytest.mark.parametrize(("wavers", "named"), [(True, set()), (False, {"salt-ingress", "sensor-fault"})])
def test_electrolyte_of_the_reference_goes_with_the_flow_and_is_no_salt(
    wavers: bool, named: set[str]
) -> None:
    rng, seconds = np.random.default_rng(8), np.arange(0, 4 * 3600, 10)
    # Most of the conductivity is the reference's; the flow falls by a twentieth for a while, then rises.
    step = np.interp(seconds / 60.0, [90, 95, 140, 145, 190, 195], [0.0, -0.05, -0.05, 0.05, 0.05, 0.0])
    flow = 80.0 * (1.0 + step)
    block = ReadingBlock.from_columns(
        ms=seconds * 1000,
        mv=np.zeros(len(seconds)),
        temperature_c=np.round(25.0 + rng.normal(0.0, 0.01, len(seconds)), 2),
        conductivity_us_cm=0.06 + 0.5 * 80.0 / flow + rng.normal(0.0, 0.0005, len(seconds)),
        flow_ml_min=(flow if wavers else np.full(len(seconds), 80.0)) + rng.normal(0.0, 0.2, len(seconds)),
    )
    detector = Detector(IngressSettings(conductivity_position="same"))
    detector.see(block, 6.9 + rng.normal(0.0, 0.003, len(seconds)))
    assert {event.diagnosis for event in detector.tick(4 * 3_600_000)} == named


@pytest.mark.parametrize("salt_mol_l", [0.0, 5e-7, 2e-6])
@pytest.mark.parametrize("stood_share", [0.0, 0.0005])
def test_what_stood_and_is_flushed_out_when_the_flow_begins_is_no_fault(
    salt_mol_l: float, stood_share: float
) -> None:
    water = clean_water(np.random.default_rng(77), onset_min=30.0, minutes=60.0)
    flows = water.since() > 0
    water.flow_share = np.where(flows, 1.0, stood_share)
    water.more_salt = salt_mol_l * np.where(flows, np.exp(-water.since()), 1.0)  # in a minute to a third
    assert told(simulate("begins to flow", 77, water)) == []


@pytest.mark.parametrize("stood_share", [1.0, 0.0])
def test_a_leak_is_found_as_soon_in_water_that_stood_an_hour_ago(stood_share: float) -> None:
    water = clean_water(np.random.default_rng(5), onset_min=90.0, minutes=100.0)
    water.flow_share = np.where(water.since() > -60.0, 1.0, stood_share)
    water.added_ug_l = np.where(
        water.since() > 0, 50.0 * -np.expm1(-np.maximum(water.since(), 0.0) / 3.0), 0.0
    )
    scenario = simulate("a leak after standing", 5, water)
    first = first_named(told(scenario), "co2-ingress", scenario.onset_ms)
    assert first is not None
    assert first.at_ms - scenario.onset_ms <= 2 * 60_000


def test_a_trickle_behind_water_without_any_flow_is_judged() -> None:
    water = clean_water(np.random.default_rng(77), onset_min=30.0, minutes=60.0)
    flows = water.since() > 0
    water.flow_share = np.where(flows, 0.005, 0.0)
    water.more_salt = 2e-6 * np.where(flows, np.exp(-water.since() / 2.0), 1.0)
    assert all(event.at_ms <= 60 * 60_000 for event in told(simulate("a trickle", 77, water)))
