"""Forecasts of what is still to come."""

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from quietcell.core.endpoint.relaxation import FAST_S, PLUG_S, Forecast, forecast, shapes
from tests.support.settling_other import film

Array = NDArray[np.float64]
LIMIT_MV = 1.18


def seconds(n: int) -> Array:
    return np.arange(n, dtype=np.float64)


def look(
    mv: Array, *, disturbed_ms: int = 0, shift_ms: int = 0, odds: float = 3.0, flowing: bool = False
) -> Forecast:
    ms = (seconds(len(mv)) * 1000.0).astype(np.int64) + shift_ms
    found = forecast(
        ms,
        mv,
        disturbed_ms=disturbed_ms + shift_ms,
        window_s=60.0,
        limit_mv=LIMIT_MV,
        confidence=0.95,
        slow_tail_odds=odds,
        flowing=flowing,
    )
    assert found is not None
    return found


def noise(n: int, seed: int, sd: float = 0.05) -> Array:
    return np.random.default_rng(seed).normal(0.0, sd, n)


@pytest.mark.parametrize("amplitude_mv", [60.0, -60.0])
@pytest.mark.parametrize("tau_s", [25.0, 60.0, 130.0])
def test_the_gap_of_one_exponential_lies_inside_its_bound(tau_s: float, amplitude_mv: float) -> None:
    n = int(3.5 * tau_s) + 60
    t = seconds(n)
    course = amplitude_mv * np.exp(-t / tau_s)
    gap = -float(course[-60:].mean())
    found = look(course + noise(n, 1))
    assert abs(gap) <= found.bound_mv
    assert found.remaining_mv * gap > 0.0
    assert found.bound_mv < 0.3 * abs(amplitude_mv)


def test_the_plateau_between_opposed_relaxations_is_not_taken_for_the_end() -> None:
    t = seconds(1200)
    course = 60.0 * np.exp(-t / 30.0) - 8.0 * np.exp(-t / 250.0)
    still = int(np.argmin(course)) + 10
    found = look(course[:still] + noise(still, 2))
    assert abs(float(course[still])) > 3.0
    assert found.beyond > 0.5


def test_a_rested_reading_has_little_to_come() -> None:
    course = 60.0 * np.exp(-seconds(400) / 15.0)
    found = look(course + noise(400, 3))
    assert found.beyond < 0.02
    assert found.bound_mv < LIMIT_MV
    assert found.rest_in_s == 0.0


def test_a_short_look_under_noise_cannot_tell() -> None:
    assert look(noise(70, 4, sd=0.5)).beyond > 0.02


def test_a_persistent_creep_is_more_to_come_until_the_disturbance_is_long_past() -> None:
    creep = 0.2 * seconds(900) / 60.0 + noise(900, 5)
    assert look(creep).beyond > 0.5
    # Ten hours later no relaxation of the grid is left that could creep: the water itself moves.
    assert look(creep, disturbed_ms=-36_000_000).beyond < 0.02


def test_a_square_root_tail_is_forecast_as_one() -> None:
    course = 40.0 / np.sqrt(1.0 + seconds(300) / 3.0)
    assert look(course + noise(300, 6)).beyond > 0.5


def test_more_weight_on_slow_tails_never_makes_a_rested_reading_surer() -> None:
    course = 60.0 * np.exp(-seconds(200) / 15.0) + noise(200, 7)
    risks = [look(course, odds=odds).beyond for odds in (0.1, 1.0, 10.0)]
    assert risks == sorted(risks)


def test_single_spikes_hardly_move_the_forecast() -> None:
    course = 60.0 * np.exp(-seconds(400) / 15.0) + noise(400, 8)
    hit = course.copy()
    hit[[100, 222, 350, 390]] += (30.0, -80.0, 500.0, 9.0)
    assert look(hit).remaining_mv == pytest.approx(look(course).remaining_mv, abs=0.1)


def test_shapes_that_do_not_fit_show_as_misfit() -> None:
    t = seconds(600)
    wave = 0.8 * np.sin(t / 30.0)
    assert look(wave + noise(600, 9, sd=0.02)).misfit > 5.0
    assert look(noise(600, 9)).misfit < 3.0


def test_slow_noise_is_told_from_white_and_widens_the_forecast() -> None:
    rng = np.random.default_rng(11)
    restless = look(noise(400, 10) + np.cumsum(rng.normal(0.0, 0.05, 400)))
    quiet = look(noise(400, 10))
    assert restless.flicker_mv > 2.0 * quiet.flicker_mv
    assert restless.bound_mv > 1.5 * quiet.bound_mv


def test_a_steady_change_long_after_the_disturbance_has_no_end_to_forecast() -> None:
    # 0.05 pH/h, below the drift limits; an exponential of 40 min bends in the hour in hand
    change = 0.05 * seconds(3600) / 60.0 + noise(3600, 12)
    tail = 4.0 * np.exp(-seconds(3600) / 2400.0) + noise(3600, 12)
    assert look(change, disturbed_ms=-7_200_000).beyond < 0.01
    assert look(change, disturbed_ms=0).beyond > 0.2
    assert look(tail).remaining_mv < -0.5


@pytest.mark.parametrize("seed", range(4))
def test_in_flowing_water_a_straight_change_is_known_before_two_hours(seed: int) -> None:
    approach = 60.0 * np.exp(-seconds(3000) / 20.0) + noise(3000, seed)
    change = approach + 0.08 * seconds(3000) / 60.0
    assert look(change, flowing=True).beyond < 0.01
    assert look(change).beyond > 0.2  # a sample in a vessel has an end
    assert look(change[:1500], flowing=True).beyond > 0.2  # too soon to tell


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("tau_s", [1500.0, 2400.0])
def test_a_relaxation_in_flowing_water_is_not_taken_for_its_change(tau_s: float, seed: int) -> None:
    tail = 60.0 * np.exp(-seconds(2800) / 20.0) + 10.0 * np.exp(-seconds(2800) / tau_s) + noise(2800, seed)
    assert look(tail, flowing=True).beyond > 0.2


def test_a_plug_empties_as_the_heat_equation_says() -> None:
    # Half empty when Dt/l² is 0.197 (Crank, The Mathematics of Diffusion, plane sheet); the last time
    # constant is 4/pi² of l²/D, and behind it stands 8/pi² of an exponential.
    for row, tau_s in enumerate(PLUG_S, start=len(FAST_S)):
        left = shapes(tau_s * np.array([0.0, 0.25 - 1e-9, 0.25, 0.197 * np.pi**2 / 4.0, 3.0]))[row]
        assert left[[0, 3, 4]] == pytest.approx([1.0, 0.5, 8.0 / np.pi**2 * np.exp(-3.0)], abs=1e-3)
        assert left[1] == pytest.approx(left[2], abs=1e-4)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("tau_s", [1200.0, 1800.0, 2400.0])
def test_the_tail_of_a_junction_that_began_faster_than_it_ends_is_seen(tau_s: float, seed: int) -> None:
    n = 800
    t = seconds(n + 3600)
    tail = 7.0 * film(t, tau_s * np.pi**2 / 4.0)
    found = look(60.0 * np.exp(-t[:n] / 20.0) + tail[:n] + noise(n, seed))
    assert found.beyond > 0.92
    assert found.remaining_mv == pytest.approx(float(tail[-1] - tail[n - 60 : n].mean()), rel=0.35)


def test_too_few_readings_give_no_forecast() -> None:
    assert (
        forecast(
            np.arange(11, dtype=np.int64),
            np.zeros(11),
            disturbed_ms=0,
            window_s=60.0,
            limit_mv=1.0,
            confidence=0.95,
            slow_tail_odds=1.0,
        )
        is None
    )


@settings(max_examples=30, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    shift_ms=st.integers(0, 2**40),
    offset_mv=st.sampled_from([-512.0, 256.0, 1024.0]),
)
def test_time_shift_and_offset_change_nothing(seed: int, shift_ms: int, offset_mv: float) -> None:
    rng = np.random.default_rng(seed)
    course = rng.uniform(-90.0, 90.0) * np.exp(-seconds(240) / rng.uniform(5.0, 90.0)) + noise(240, seed)
    course = np.round(course * 1024.0) / 1024.0
    here = look(course)
    assert look(course, shift_ms=shift_ms) == here
    later = look(course, disturbed_ms=-2_800_000, flowing=True)
    assert look(course, disturbed_ms=-2_800_000, shift_ms=shift_ms, flowing=True) == later
    moved = look(course + offset_mv)
    for field in dataclasses.fields(Forecast):
        assert getattr(moved, field.name) == pytest.approx(getattr(here, field.name), rel=1e-6, abs=1e-9)
