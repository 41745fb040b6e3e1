"""Traces of few points that keep every extreme."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from quietcell.panel.trend import MOST_POINTS, by_minute, extremes


def points(values: list[float], step_ms: int = 1000) -> np.ndarray:
    time = np.arange(len(values)) * float(step_ms)
    return np.column_stack([time, np.array(values, float), np.full(len(values), 25.0)])


@settings(deadline=None)  # the first example pays for imports
@given(st.lists(st.floats(-1e3, 1e3), min_size=1, max_size=200), st.sampled_from([2, 4, 10, 100]))
def test_few_points_keep_the_lowest_and_highest_of_every_step(values: list[float], most: int) -> None:
    whole = points(values)
    thin = extremes(whole, most)
    assert len(thin) <= max(most, 0)
    assert (np.diff(thin[:, 0]) > 0).all()
    assert {tuple(row) for row in thin} <= {tuple(row) for row in whole}
    if len(values) > most:
        edges = np.linspace(0, len(values), most // 2 + 1).astype(int)
        for first, last in pairwise(edges):
            kept = thin[(thin[:, 0] >= whole[first, 0]) & (thin[:, 0] <= whole[last - 1, 0]), 1]
            assert kept.min() == min(values[first:last])
            assert kept.max() == max(values[first:last])


@pytest.mark.parametrize("seed", range(3))
def test_three_months_boiled_down_keep_single_spikes(seed: int) -> None:
    rng = np.random.default_rng(seed)
    values = rng.normal(0.0, 0.01, 90 * 24 * 60)
    spikes = rng.choice(len(values), 20, replace=False)
    values[spikes] += np.where(rng.random(20) < 0.5, 1.0, -1.0) * rng.uniform(1, 2, 20)
    whole = points(values.tolist(), step_ms=60_000)
    thin = extremes(by_minute(whole))
    assert len(thin) <= MOST_POINTS
    edges = np.linspace(0, len(values), MOST_POINTS // 2 + 1).astype(int)
    for spike in spikes:
        step = np.searchsorted(edges, spike, side="right") - 1
        inside = values[edges[step] : edges[step + 1]]
        assert {inside.min(), inside.max()} <= set(thin[:, 1])
