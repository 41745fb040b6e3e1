"""When a value counts as having come to rest."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from quietcell.core.endpoint.criterion import SHIPPED, Criterion
from quietcell.core.endpoint.judge import Judgement, Missing, judge
from tests.support.settling import MV_PER_PH, Array, settling_trace

GRAB, LOOP = SHIPPED["grab-water"], SHIPPED["loop-water"]


def noise(n: int, seed: int = 1, sd: float = 0.05) -> Array:
    return np.random.default_rng(seed).normal(0.0, sd, n)


def look(
    mv: Array,
    criterion: Criterion = GRAB,
    *,
    disturbed_s: float = -1.0,
    shift_ms: int = 0,
    from_buffer: bool = False,
) -> Judgement:
    n = len(mv)
    return judge(
        np.arange(n, dtype=np.int64) * 1000 + shift_ms,
        mv,
        now_ms=(n - 1) * 1000 + shift_ms,
        began_ms=shift_ms - 1,
        disturbed_ms=round(disturbed_s * 1000) + shift_ms,
        criterion=criterion,
        mv_per_ph=MV_PER_PH,
        from_buffer=from_buffer,
    )


def test_a_value_at_rest_lacks_nothing() -> None:
    found = look(60.0 * np.exp(-np.arange(400) / 15.0) + noise(400))
    assert found.at_rest
    assert found.forecast is not None


def test_a_window_not_yet_full_is_what_is_missing() -> None:
    assert look(noise(50)).missing == (Missing.WINDOW,)
    assert look(noise(200), LOOP).missing == (Missing.WINDOW,)
    assert look(noise(400), disturbed_s=380.0).missing == (Missing.WINDOW,)


def test_few_readings_are_not_enough_however_long_they_took() -> None:
    mv = noise(400)
    mv[np.arange(400) % 10 != 0] = np.nan
    assert look(mv).missing == (Missing.WINDOW,)


def test_a_moving_value_lacks_rest() -> None:
    assert look(0.5 * np.arange(200) / 60.0 + noise(200)).missing == (Missing.DRIFT,)


def test_a_step_in_the_last_seconds_is_seen_before_the_slope_shows_it() -> None:
    rested = 60.0 * np.exp(-np.arange(400) / 15.0) + noise(400, sd=0.02)
    assert look(rested).at_rest
    rested[-3:] += 0.8
    assert look(rested).missing == (Missing.DRIFT,)


def test_noise_that_hides_the_drift_is_named() -> None:
    assert look(noise(200, sd=2.0)).missing == (Missing.NOISE,)


def test_where_noise_hides_the_drift_a_wider_span_shows_it() -> None:
    mv = 60.0 * np.exp(-np.arange(900) / 15.0) + noise(900, sd=0.8)
    brief = look(mv, disturbed_s=800.0)
    assert brief.missing == (Missing.NOISE,)
    wide = look(mv)
    assert Missing.NOISE not in wide.missing
    assert wide.drift.bound_mv_per_min <= GRAB.max_drift_mv_per_min
    # The value and what is uncertain about it stay those of the window itself.
    assert wide.drift.mean_mv == brief.drift.mean_mv
    assert wide.drift.se_mv_per_min == brief.drift.se_mv_per_min


def test_a_drift_is_not_thinned_by_looking_wider() -> None:
    moving = 0.6 * np.arange(900) / 60.0 + noise(900, sd=0.8)
    assert not look(moving).at_rest


def test_a_creep_inside_the_drift_limit_is_still_relaxing() -> None:
    found = look(60.0 * np.exp(-np.arange(240) / 10.0) + 0.2 * np.arange(240) / 60.0 + noise(240, sd=0.02))
    assert found.missing == (Missing.REMAINING,)


def test_the_long_window_sees_what_the_short_one_does_not() -> None:
    course = 6.0 * np.exp(-np.arange(301) / 60.0) + noise(301, sd=0.02)
    short, long = look(course), look(course, LOOP)
    assert Missing.DRIFT not in short.missing
    assert long.missing == (Missing.DRIFT,)


def test_a_steady_change_does_not_hold_an_electrode_from_buffer_for_ever() -> None:
    change = 0.05 * np.arange(3600) / 60.0 + noise(3600)
    assert Missing.REMAINING in look(change, LOOP, from_buffer=True).missing
    assert look(change, LOOP, from_buffer=True, disturbed_s=-3700.0).at_rest


@pytest.mark.parametrize("criterion", [GRAB, LOOP])
def test_an_electrode_from_buffer_is_held_by_its_present_slope(criterion: Criterion) -> None:
    t = np.arange(3000.0)
    approach = 60.0 * np.exp(-t / 10.0)
    # 0.004 pH to come: over 20 min it fell much faster than it falls now, over 10 min little.
    faded = approach + 7.0 * np.exp(-t / 900.0) + noise(3000)
    assert look(faded, criterion, from_buffer=True).at_rest
    # Through slow waves of noise the brief span can't tell, the longer one can.
    waves = approach + 0.15 * np.sin(t / 150.0) + noise(3000)
    assert look(waves, criterion, from_buffer=True).at_rest
    # 0.03 pH to come
    relaxing = approach + 6.0 * np.exp(-t / 2400.0) + noise(3000)
    assert look(relaxing, criterion, from_buffer=True).missing == (Missing.REMAINING,)


@pytest.mark.parametrize("criterion", [GRAB, LOOP])
def test_a_creep_that_the_meter_rounds_away_is_not_at_rest(criterion: Criterion) -> None:
    t = np.arange(3600.0)
    course = 60.0 * np.exp(-t / 10.0) + 6.0 * np.exp(-t / 1500.0) + noise(3600, sd=0.01)
    whole = np.round(course)
    still = [end for end in range(310, 1200, 5) if np.ptp(whole[end - 300 : end]) == 0.0]
    assert still  # it stands still over both windows, with 0.06 pH and more to come
    assert not any(look(whole[:end], criterion).at_rest for end in still)
    # Where it has come to rest, the wider spans show it.
    rested = np.round(60.0 * np.exp(-t / 10.0) + 0.2 + noise(3600, sd=0.01))
    assert look(rested[:1300], criterion).at_rest


@pytest.mark.parametrize("criterion", [GRAB, LOOP])
def test_no_false_plateau_is_accepted(criterion: Criterion) -> None:
    t = np.arange(420.0)
    course = 60.0 * np.exp(-t / 30.0) - 8.0 * np.exp(-t / 250.0) + noise(420)
    assert not any(look(course[:end], criterion).at_rest for end in range(70, 420, 5))


def test_readings_before_the_disturbance_do_not_count() -> None:
    mv = np.concatenate((100.0 + noise(300), noise(300, 2)))
    assert look(mv, disturbed_s=300.0).drift == look(mv[301:], disturbed_s=-1.0).drift


def test_drifts_beyond_the_limit_are_not_accepted_in_whole_runs() -> None:
    accepted = 0
    for seed in range(20):
        mv = 0.33 * np.arange(1200) / 60.0 + noise(1200, seed, sd=0.1)
        accepted += any(look(mv[:end]).at_rest for end in range(65, 1200, 15))
    assert accepted <= 1


def test_long_after_the_disturbance_the_run_counts_its_looks() -> None:
    n = 70  # no wider span to ask
    ms = np.arange(n, dtype=np.int64) * 1000
    mv = noise(n, 3, sd=0.12)

    def at(began_ms: int) -> tuple[Missing, ...]:
        return judge(
            ms,
            mv,
            now_ms=(n - 1) * 1000,
            began_ms=began_ms,
            disturbed_ms=-40_000_000,
            criterion=GRAB,
            mv_per_ph=MV_PER_PH,
        ).missing

    assert Missing.NOISE not in at((n - 1) * 1000)
    assert at(-20_000_000) == (Missing.NOISE,)


def test_late_in_a_run_a_wider_span_bears_the_bound_that_a_noisy_minute_cannot() -> None:
    n = 2400
    rested = 60.0 * np.exp(-np.arange(n) / 10.0) + noise(n, sd=0.12)
    assert look(rested).at_rest
    assert not look(rested + 0.33 * np.arange(n) / 60.0).at_rest
    # Only a minute is left of it: the run has had as many looks, but there is no wider span to ask.
    brief = np.concatenate((np.full(n - 70, np.nan), noise(70, sd=0.12)))
    assert look(brief).missing == (Missing.NOISE,)


@settings(max_examples=25, deadline=None)
@given(
    seed=st.integers(0, 500),
    family=st.sampled_from(["plain", "opposed", "spikes", "quantised", "gaps"]),
    at_s=st.integers(60, 900),
    shift_ms=st.integers(0, 2**40),
    offset_mv=st.sampled_from([-256.0, 512.0]),
)
def test_time_shift_and_offset_change_no_judgement(
    seed: int, family: str, at_s: int, shift_ms: int, offset_mv: float
) -> None:
    trace = settling_trace(family, seed)
    n = int(np.searchsorted(trace.ms, at_s * 1000))

    def at(shift: int, offset: float) -> Judgement:
        return judge(
            trace.ms[:n] + shift,
            np.round(trace.mv[:n] * 1024.0) / 1024.0 + offset,
            now_ms=at_s * 1000 + shift,
            began_ms=shift,
            disturbed_ms=shift,
            criterion=GRAB,
            mv_per_ph=MV_PER_PH,
        )

    here = at(0, 0.0)
    assert at(shift_ms, 0.0) == here
    assert at(0, offset_mv).missing == here.missing
