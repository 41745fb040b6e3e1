"""Standard errors of slopes learnt from a cell's past."""

import json
import math
from itertools import pairwise

import numpy as np
import pytest
from numpy.random import Generator
from numpy.typing import NDArray

from quietcell.core.endpoint.noise import BIN_S, NoiseHistory
from quietcell.core.endpoint.window import drift
from tests.support.settling import autoregressive, flicker, white

Array = NDArray[np.float64]


def learnt(mv: Array, hours: float) -> NoiseHistory:
    history = NoiseHistory()
    ms = np.arange(len(mv), dtype=np.int64) * 1000
    history.learn(0, int(hours * 3600) // BIN_S, ms, mv)
    return history


def pink(rng: Generator, n: int) -> Array:
    return flicker(rng, n, 0.02)


def plain(rng: Generator, n: int) -> Array:
    return white(rng, n, 0.05)


def reddish(rng: Generator, n: int) -> Array:
    return autoregressive(rng, n, 0.05, 0.8)


def slow(rng: Generator, n: int) -> Array:
    return autoregressive(rng, n, 0.05, math.exp(-1.0 / 20.0))


@pytest.mark.parametrize(
    ("make", "low", "high"), [(plain, 0.93, 0.97), (reddish, 0.93, 0.97), (pink, 0.93, 1.0)]
)
def test_with_a_history_the_bound_covers_95_percent(make: object, low: float, high: float) -> None:
    assert callable(make)
    hits = tries = 0
    widths, slopes = [], []
    for seed in range(10):
        mv = make(np.random.default_rng([31, seed]), 3 * 3600)
        history = learnt(mv, 2.0)
        for begin in range(7200, 3 * 3600 - 60, 60):
            rows = slice(begin, begin + 60)
            ms = np.arange(60, dtype=np.int64) * 1000
            found = drift(ms, mv[rows], noise=history)
            hits += 2.0 * abs(found.slope_mv_per_min) <= found.bound_mv_per_min
            widths.append(found.se_mv_per_min)
            slopes.append(found.slope_mv_per_min)
            tries += 1
    # Ten histories, each known to a tenth: three standard errors of the rate are about 2.5 %.
    assert low - 0.025 <= hits / tries <= high + 0.025
    assert float(np.median(widths)) <= 1.5 * float(np.std(slopes))


@pytest.mark.parametrize("make", [plain, reddish, slow])
def test_means_differ_as_they_repeat_by_what_longer_windows_tell(make: object) -> None:
    # Allan, Proc. IEEE 54 (1966) 221: differences of neighbouring means, summed over octaves.
    assert callable(make)
    ratios = []
    for seed in range(12):
        mv = make(np.random.default_rng([32, seed]), 8 * 3600)
        stated = learnt(mv, 8.0).level_se_mv(60.0)
        assert stated is not None
        ratios.append(stated / float(np.std(mv.reshape(-1, 60).mean(axis=1))))
    assert 0.8 < float(np.median(ratios)) < 1.25
    assert NoiseHistory().level_se_mv(60.0) is None


def test_a_steady_drift_is_no_noise() -> None:
    mv = white(np.random.default_rng(1), 7200, 0.05)
    still, moving = learnt(mv, 2.0), learnt(mv + 0.5 * np.arange(7200) / 60.0, 2.0)
    for span_s in (60.0, 300.0):
        expected = still.slope_se(span_s)
        assert expected is not None
        assert moving.slope_se(span_s) == pytest.approx(expected, rel=1e-6)


def test_nothing_is_claimed_before_enough_is_learnt() -> None:
    assert NoiseHistory().slope_se(60.0) is None
    assert learnt(np.zeros(240), 0.05).slope_se(60.0) is None


def test_beyond_what_was_learnt_the_error_falls_as_that_of_a_random_walk() -> None:
    history = learnt(white(np.random.default_rng(2), 1200, 0.05), 1200 / 3600)
    near, far = history.slope_se(2400.0), history.slope_se(9600.0)
    assert near is not None
    assert far is not None
    assert near[0] / far[0] == pytest.approx(2.0)


def test_the_error_never_rises_with_the_length_of_the_window() -> None:
    history = learnt(white(np.random.default_rng(3), 7200, 0.05), 2.0)
    errors = [found[0] for span in range(5, 600, 5) if (found := history.slope_se(float(span)))]
    assert len(errors) == 119
    assert all(later <= earlier for earlier, later in pairwise(errors))


def test_spikes_do_not_count_as_noise() -> None:
    mv = white(np.random.default_rng(4), 7200, 0.05)
    clean = learnt(mv, 2.0).slope_se(60.0)
    mv[::150] += 40.0
    spiked = learnt(mv, 2.0).slope_se(60.0)
    assert clean is not None
    assert spiked is not None
    assert spiked[0] == pytest.approx(clean[0], rel=0.2)


def test_windows_never_bridge_a_disturbance() -> None:
    history, steps = NoiseHistory(), np.arange(BIN_S, dtype=np.int64) * 1000
    rng = np.random.default_rng(5)
    for number in range(480):
        if number % 2 == 0:
            history.disturbed()
        level = 100.0 * (number // 2)
        history.learn(number, number + 1, steps + number * BIN_S * 1000, level + white(rng, BIN_S, 0.05))
    assert history.slope_se(60.0) is None


def test_a_saved_state_goes_on_bit_for_bit() -> None:
    mv = white(np.random.default_rng(6), 7200, 0.05)
    ms = np.arange(7200, dtype=np.int64) * 1000
    whole = learnt(mv, 2.0)
    part = learnt(mv, 1.1)
    restored = NoiseHistory()
    restored.restore(json.loads(json.dumps(part.state())))
    restored.learn(int(1.1 * 3600) // BIN_S, 7200 // BIN_S, ms, mv)
    assert restored.state() == whole.state()
    assert restored.slope_se(60.0) == whole.slope_se(60.0)


def test_a_slow_meter_is_learnt_from_longer_bins() -> None:
    history = NoiseHistory(30)
    rng = np.random.default_rng(7)
    history.learn(0, 24 * 120, np.arange(24 * 120) * 30_000, white(rng, 24 * 120, 0.05))
    found = history.slope_se(480.0)
    assert found is not None
    assert found[0] == pytest.approx(0.05 * math.sqrt(12.0 / 16.0) / 8.0, rel=0.25)


@pytest.mark.parametrize("n", [1, 7, 8, 15, 24, 25, 150])
def test_many_bins_at_once_teach_the_same_as_one_by_one(n: int) -> None:
    rng = np.random.default_rng(n)
    times, potentials = [], []
    for number in range(40):
        ms = np.sort(rng.integers(0, BIN_S * 1000, n)) + number * BIN_S * 1000
        mv = np.round(8.0 + rng.normal(0.0, 0.05, n), 2)
        if number % 5 == 0:
            mv[rng.integers(0, n)] += 3.0
        if number % 7 == 0:
            mv[rng.integers(0, n)] = np.nan
        if number != 17:
            times.append(ms)
            potentials.append(mv)
    ms, mv = np.concatenate(times), np.concatenate(potentials)
    at_once, one_by_one = NoiseHistory(), NoiseHistory()
    at_once.learn(0, 40, ms, mv)
    for number in range(40):
        one_by_one.learn(number, number + 1, ms, mv)
    assert at_once.state() == one_by_one.state()
