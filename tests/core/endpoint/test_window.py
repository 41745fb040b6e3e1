"""Straight lines, their bounds, and what is left out of them."""

import math

import numpy as np
import pytest
import scipy
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from quietcell.core.endpoint.window import drift, t_quantile
from quietcell.errors import DomainError
from tests.support.tables import columns

Array = NDArray[np.float64]


def seconds(n: int) -> NDArray[np.int64]:
    return np.arange(n, dtype=np.int64) * 1000


def test_drift_finds_the_slope_of_norris_in_reading_times() -> None:
    # NIST Statistical Reference Datasets, Norris: certified slope and residual standard deviation.
    x, y = columns("electrode/norris", "x", "y")
    order = np.argsort(x, kind="stable")
    ms = np.round(x[order] * 10.0).astype(np.int64) + 10_000_000_000
    found = drift(ms, y[order])
    assert found.rejected == 0
    assert found.slope_mv_per_min / 6000.0 == pytest.approx(1.00211681802045, rel=1e-10)
    assert found.scatter_mv == pytest.approx(0.884796396144373, rel=1e-10)


@given(probability=st.floats(1e-6, 1 - 1e-6), dof=st.one_of(st.floats(0.1, 60.0), st.floats(60.0, 1e6)))
@settings(deadline=None)  # the first example loads the library
def test_t_quantile_agrees_with_scipy(probability: float, dof: float) -> None:
    assert t_quantile(probability, dof) == pytest.approx(
        scipy.stats.t.ppf(probability, dof), rel=1e-8, abs=1e-8
    )


@pytest.mark.parametrize(("probability", "dof"), [(0.0, 5.0), (1.0, 5.0), (0.9, 0.0), (math.nan, 5.0)])
def test_t_quantile_refuses_what_has_no_quantile(probability: float, dof: float) -> None:
    with pytest.raises(DomainError, match="must lie between 0 and 1"):
        t_quantile(probability, dof)


@pytest.mark.parametrize("size_mv", [2.0, -60.0, 1500.0])
@pytest.mark.parametrize("where", [0, 30, 57])
def test_a_spike_of_up_to_three_readings_leaves_no_trace(size_mv: float, where: int) -> None:
    mv = 0.002 * np.arange(60) + np.random.default_rng(5).normal(0.0, 0.05, 60)
    hit = mv.copy()
    hit[where : where + 3] += size_mv
    found, without = (
        drift(seconds(60), hit),
        drift(np.delete(seconds(60), slice(where, where + 3)), np.delete(mv, slice(where, where + 3))),
    )
    assert found.rejected == 3
    assert found.slope_mv_per_min == pytest.approx(without.slope_mv_per_min, rel=1e-12)


def test_a_change_of_level_is_not_left_out() -> None:
    mv = np.random.default_rng(6).normal(0.0, 0.05, 60)
    mv[:6] -= 5.0
    found = drift(seconds(60), mv)
    assert found.rejected == 0
    assert found.slope_mv_per_min > 1.0


def test_readings_not_measured_are_left_out_and_counted() -> None:
    mv = np.linspace(0.0, 1.0, 61)
    mv[[3, 17, 60]] = np.nan
    found = drift(seconds(61), mv)
    assert (found.n, found.rejected) == (58, 3)
    assert found.slope_mv_per_min == pytest.approx(1.0, rel=1e-12)


def test_single_steps_of_a_coarse_meter_are_no_spikes() -> None:
    mv = np.full(60, 12.1)
    mv[[9, 31, 32]] += 0.1
    assert drift(seconds(60), mv).rejected == 0


def test_readings_that_stand_still_may_hide_one_step_over_the_window() -> None:
    still = drift(seconds(61), np.full(61, 25.0), step_mv=0.5)
    assert still.bound_mv_per_min == still.hidden_mv_per_min == pytest.approx(0.5)
    # Noise as large as the step makes rounding average out.
    dithered = np.round(np.random.default_rng(1).normal(0.0, 1.0, 61) / 0.5) * 0.5
    with_step, without = drift(seconds(61), dithered, step_mv=0.5), drift(seconds(61), dithered)
    assert with_step.bound_mv_per_min == without.bound_mv_per_min


@pytest.mark.parametrize("n", [0, 1, 3])
def test_too_few_readings_have_no_bound(n: int) -> None:
    assert drift(seconds(n), np.zeros(n)).bound_mv_per_min == math.inf


def test_readings_at_one_time_have_no_bound() -> None:
    assert drift(np.zeros(9, np.int64), np.arange(9.0)).bound_mv_per_min == math.inf


@given(
    ms=st.lists(st.sampled_from([0, 1, 1000, 2500, 5000, 10_000]), min_size=16, max_size=40),
    seed=st.integers(0, 2**32 - 1),
)
@settings(max_examples=200)
def test_readings_that_come_in_bursts_have_a_bound_all_the_same(ms: list[int], seed: int) -> None:
    mv = np.random.default_rng(seed).normal(0.0, 0.1, len(ms))
    found = drift(np.array(sorted(ms), np.int64), mv)
    assert found.bound_mv_per_min >= abs(found.slope_mv_per_min)
    assert found.dof >= 1.0


@given(
    seed=st.integers(0, 2**32 - 1),
    n=st.integers(4, 90),
    shift_ms=st.integers(0, 2**40),
    offset_mv=st.sampled_from([-2048.0, -512.0, 0.0, 256.0, 1024.0]),
)
def test_time_shift_changes_no_bit_and_offset_no_slope(
    seed: int, n: int, shift_ms: int, offset_mv: float
) -> None:
    rng = np.random.default_rng(seed)
    ms = np.cumsum(rng.integers(1, 3000, n)).astype(np.int64)
    mv = np.round(rng.normal(0.0, 1.0, n) * 1024.0) / 1024.0
    here = drift(ms, mv)
    assert drift(ms + shift_ms, mv) == here
    assert drift(ms, mv + offset_mv).bound_mv_per_min == here.bound_mv_per_min


@pytest.mark.parametrize("n", [60, 300])
@pytest.mark.parametrize("phi", [0.0, 0.5])
def test_the_bound_covers_95_percent_without_a_history(n: int, phi: float) -> None:
    rng = np.random.default_rng(7)
    runs = 800
    noise = rng.normal(size=(runs, n + 100))
    for step in range(1, n + 100):
        noise[:, step] += phi * noise[:, step - 1]
    hits = 0
    for row in noise[:, 100:]:
        found = drift(seconds(n), row)
        hits += 2.0 * abs(found.slope_mv_per_min) <= found.bound_mv_per_min
    # 93 to 97 % with three standard errors of 800 runs' rate allowed on each side
    assert 0.907 <= hits / runs <= 0.988


def test_a_row_cut_from_a_longer_stream_gives_the_same_bits() -> None:
    rng = np.random.default_rng(8)
    ms, mv = seconds(400), rng.normal(0.0, 0.1, 400)
    strided = np.stack([mv, mv], axis=1)[:, 0]
    assert drift(ms[100:160], strided[100:160]) == drift(ms[100:160].copy(), mv[100:160].copy())
