"""Traces of few points that keep every extreme."""

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from quietcell.core.electrode.influences import LowIonicCheck
from quietcell.core.water.reference25 import ph_25c
from quietcell.panel.trend import MOST_POINTS, Trends, by_minute, extremes
from quietcell.service.attendance import Attendances
from quietcell.service.cell import CellTask
from quietcell.service.records import DaemonIds
from tests.support.cell_bench import BOOT_MS, Bench, meter_readings
from tests.support.streams import cell_settings

CELL = "live-feed-room"


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


@pytest.mark.parametrize("span_h", [1, 3])
async def test_what_was_read_while_someone_worked_at_the_cell_is_not_of_its_water(
    span_h: int, tmp_path: Path
) -> None:
    bench = Bench(tmp_path)
    readings = meter_readings(120)
    # In a buffer from 40 to 80 s, with someone there from 30 to 90 s.
    moved = [replace(r, mv=-120.0) if 40 <= (r.boot_ms - BOOT_MS) / 1000 < 80 else r for r in readings]
    asked = {"via": "socket", "cell": CELL, "operator": "Ada"}
    here: list[tuple[Attendances, str]] = []

    async def come(task: CellTask) -> None:
        attendances = Attendances({CELL: task}, bench.ledger, DaemonIds(97))
        told = await attendances.attend({**asked, "work": "calibration"})
        here.append((attendances, told["attendance"]))

    async def leave(_: CellTask) -> None:
        attendances, name = here[0]
        await attendances.leave({**asked, "attendance": name, "outcome": "done"})

    await bench.run(moved, 125, events={30: come, 90: leave})
    await bench.ledger.close()
    trends = Trends(tmp_path)
    to_ms = bench.clock.utc_ms()
    span = (CELL, to_ms - span_h * 3_600_000, to_ms)
    water = [value for _, value in trends.traces(*span)["ph"]]
    assert max(water) - min(water) < 0.1
    ((began, ended),) = trends.attended(*span)
    assert 55_000 < ended - began < 65_000
    if span_h < 2:  # the evidence of what was measured meanwhile shows it all the same
        assert max(value for _, value in trends.traces(*span, with_attended=True)["ph"]) > 9.0


async def test_a_cell_without_calibration_shows_no_ph(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    await bench.run(meter_readings(30), 35, settings=replace(cell_settings(), calibrated=False))
    await bench.ledger.close()
    to_ms = bench.clock.utc_ms()
    shown = Trends(tmp_path).traces(CELL, to_ms - 3_600_000, to_ms)
    assert shown["ph"] == []
    assert shown["temperature_c"]


async def test_a_trend_shows_the_ph_of_results_where_a_check_found_a_bias(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    check = LowIonicCheck(bias_ph=0.12, standard_uncertainty_ph=0.01)
    await bench.run(meter_readings(60), 65, settings=replace(cell_settings(), low_ionic=check))
    await bench.ledger.close()
    to_ms = bench.clock.utc_ms()
    shown = [value for _, value in Trends(tmp_path).traces(CELL, to_ms - 3_600_000, to_ms)["ph"]]
    water_ph = cell_settings().line.ph(25.0, 21.0) - 0.12
    assert shown == pytest.approx([ph_25c(water_ph, 21.0).value] * len(shown), abs=0.01)
