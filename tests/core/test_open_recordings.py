"""Real recordings through the engine of a cell; origin and licence lie beside each recording."""

from collections import Counter
from datetime import datetime

import numpy as np
import pytest

from quietcell.core.electrode.nernst import MV_PER_KELVIN, Line
from quietcell.core.endpoint.criterion import Criterion
from quietcell.core.engine import Engine
from quietcell.core.inputs import SegmentEnded, TimeMark
from quietcell.core.readings import Quantity, ReadingBlock
from quietcell.core.records import Json
from quietcell.core.screening import Screen, Screened
from tests.support.streams import ANCHOR_UTC_MS, began, cell_settings, determinations, run
from tests.support.tables import columns

ZERO_C_IN_K = 273.15


def replayed(block: ReadingBlock, criterion: Criterion, line: Line) -> list[dict[str, Json]]:
    """Determinations one after the other over the whole recording."""
    cell = cell_settings(criterion, line=line, every_s=1.0)
    ended = SegmentEnded(ms=int(block.ms[-1]) + 1, cause="recording-ended")
    return run(Engine(cell), [began(), block, ended])


def accepted(bodies: list[dict[str, Json]]) -> list[dict[str, Json]]:
    return [body for body in determinations(bodies) if body["verdict"] in ("accepted", "qualified")]


def ended_s(body: dict[str, Json]) -> float:
    return datetime.fromisoformat(body["ended"]).timestamp() - ANCHOR_UTC_MS / 1000


def screened(block: ReadingBlock, *, line: Line, resolution_mv: float, max_gap_s: float) -> Screened:
    return Screen(line, resolution_mv=resolution_mv, max_gap_s=max_gap_s).screen(block)


# --- acid in steps: thermometer faults, spikes, a failing contact --------------------------------

GLASS = Line(slope_pct=98.0, zero_mv=-16.6)
GLASS_STEP_MV = 0.0156
ACID_RUNS = (
    "2020-06-09_17-23-28",
    "2021-04-27_05-40-26_part1",
    "2021-06-17_15-26-51",
    "2021-06-17_17-58-17",
)
PLATEAU = Criterion(  # ten readings a step leave room for no more
    window_s=8.0,
    min_readings=7,
    min_wait_s=8.0,
    max_wait_s=60.0,
    max_drift_mv_per_min=10.0,
    max_remaining_ph=2.0,
    long_window_s=None,
    max_temperature_drift_c_per_min=5.0,
    resolution_mv=GLASS_STEP_MV,
)
MINUTE = Criterion(
    window_s=60.0,
    min_readings=40,
    max_wait_s=200.0,
    max_drift_mv_per_min=1.5,
    max_remaining_ph=2.0,
    long_window_s=None,
    resolution_mv=GLASS_STEP_MV,
)
THERMOMETER_FAULTS_C = {
    209: 270.6542,
    220: 233.5408,
    394: -242.02,
    409: 988.7921,
    480: 147.0183,
    812: -238.3084,
    947: -242.02,
    1145: 305.9259,
}


def acid_run(name: str) -> tuple[ReadingBlock, Quantity]:
    """One row a second, and the acid added so far (mL)."""
    mv, temperature_c, acid_ml = columns(f"glass-acid-steps/{name}", "e_mV", "temp_C", "acid_mL")
    ms = np.arange(len(mv)) * 1000
    return ReadingBlock.from_columns(ms=ms, mv=mv, temperature_c=temperature_c), acid_ml


def test_every_thermometer_fault_is_named_and_costs_one_reading() -> None:
    block, _ = acid_run("2021-04-27_05-40-26_part1")
    found = screened(block, line=GLASS, resolution_mv=GLASS_STEP_MV, max_gap_s=5.0)
    by_thermometer = {row: names for row, names in found.labels if names != ["spike"]}
    assert {row: float(block.temperature_c[row]) for row in THERMOMETER_FAULTS_C} == THERMOMETER_FAULTS_C
    assert by_thermometer == {
        **{row: ["temperature-out-of-range"] for row in THERMOMETER_FAULTS_C},
        952: ["temperature-jump"],  # 49.6 °C
    }
    assert found.disturbances == []
    assert found.counts.mean() > 0.98


def test_thermometer_faults_are_in_the_record_and_in_no_result() -> None:
    block, _ = acid_run("2021-04-27_05-40-26_part1")
    named: Counter[str] = Counter()
    for body in determinations(replayed(block, MINUTE, GLASS)):
        named.update(body["rejected_readings"])
    assert named["temperature-out-of-range"] == 8
    assert named["temperature-jump"] == 1
    results = accepted(replayed(block, PLATEAU, GLASS))
    assert len(results) > 50
    assert all(28.9 < body["temperature_c"] < 30.3 for body in results)


@pytest.mark.parametrize("name", ACID_RUNS)
def test_no_accepted_minute_spans_an_addition_of_acid(name: str) -> None:
    block, acid_ml = acid_run(name)
    for body in accepted(replayed(block, MINUTE, GLASS)):
        end = int(ended_s(body))
        assert np.ptp(acid_ml[end - 59 : end + 1]) == 0.0


@pytest.mark.parametrize("name", ACID_RUNS)
def test_no_accepted_value_mixes_levels_that_differ_by_more_than_the_criterion(name: str) -> None:
    block, acid_ml = acid_run(name)
    allowed_mv = PLATEAU.max_drift_mv_per_min / 60.0 * PLATEAU.window_s
    results = accepted(replayed(block, PLATEAU, GLASS))
    for body in results:
        end = int(ended_s(body))
        rows = np.arange(end - int(body["window_s"]), end + 1)
        for step in np.unique(acid_ml[rows]):
            level = block.mv[rows[acid_ml[rows] == step]]
            if len(level) > 1:  # a lone one at the edge is left out as a spike
                assert abs(float(np.median(level)) - body["mv"]) < allowed_mv
    assert bool(results) is not name.startswith("2020")


def test_large_additions_of_acid_begin_the_window_again() -> None:
    block, acid_ml = acid_run("2021-06-17_17-58-17")
    found = screened(block, line=GLASS, resolution_mv=GLASS_STEP_MV, max_gap_s=5.0)
    jumps = {ms // 1000 for ms, name in found.disturbances if name == "jump"}
    steps = np.flatnonzero(np.diff(acid_ml)) + 1
    level = [float(np.median(part)) for part in np.split(block.mv, steps)]
    large = steps[np.abs(np.diff(level)) > 4.0]
    assert len(large) >= 8
    assert all(jumps & set(range(step, step + 4)) for step in large.tolist())


def test_a_failing_contact_is_refused_for_its_noise() -> None:
    block, _ = acid_run("2020-06-09_17-23-28")
    reasons: Counter[str] = Counter()
    for body in determinations(replayed(block, PLATEAU, GLASS)):
        reasons.update(body["reasons"])
    assert reasons["noise-too-high"] >= 3


# --- a stirred reactor: doubled and late records -------------------------------------------------

REACTOR_MV_PER_PH = 58.6
ACID_FEED_S = 417.0


def reactor() -> ReadingBlock:
    t_s, ph = columns("reactor-glass-1hz/run-a", "t_s", "pH")
    return ReadingBlock.from_columns(
        ms=np.round(t_s * 1000).astype(np.int64),
        mv=-REACTOR_MV_PER_PH * (ph - 7.0),
        temperature_c=np.full(len(ph), 22.0),
    )


def reactor_criterion(max_drift_mv_per_min: float, max_remaining_ph: float) -> Criterion:
    return Criterion(
        max_drift_mv_per_min=max_drift_mv_per_min,
        max_remaining_ph=max_remaining_ph,
        max_remaining_risk=0.05,
        long_window_s=None,
        max_wait_s=300.0,
    )


def test_doubled_and_late_records_are_neither_gaps_nor_faults() -> None:
    block = reactor()
    apart_ms = np.diff(block.ms)
    assert (apart_ms < 100).sum() > 100
    assert (apart_ms > 1500).sum() > 100
    bodies = replayed(block, reactor_criterion(2.0, 0.05), Line(slope_pct=100.0, zero_mv=0.0))
    assert not [body for body in bodies if body["record"] == "gap"]
    assert bodies[-1]["readings"] == len(block)
    before_feed = screened(
        block[: int(np.searchsorted(block.ms, 417_000))],
        line=Line(slope_pct=100.0, zero_mv=0.0),
        resolution_mv=0.1,
        max_gap_s=5.0,
    )
    assert before_feed.counts.all()


def test_drift_goes_by_the_time_of_the_records_and_not_by_their_count() -> None:
    block = reactor()
    few = Criterion(  # so few that the fit leaves none out as spikes
        window_s=6.0,
        min_wait_s=6.0,
        max_wait_s=10.0,
        min_readings=4,
        max_drift_mv_per_min=0.01,
        long_window_s=None,
    )
    off_by_time, off_by_count = [], []
    for body in determinations(replayed(block, few, Line(slope_pct=100.0, zero_mv=0.0))):
        end_ms = round(ended_s(body) * 1000)
        rows = (block.ms > end_ms - 6000) & (block.ms <= end_ms)
        judged_then = body["drift_mv_per_min"] is not None and "max-wait" in body["reasons"]
        if judged_then and body["readings"] == rows.sum() < 8:
            by_time = np.polyfit(block.ms[rows] / 60_000, block.mv[rows], 1)[0]
            by_count = 60.0 * np.polyfit(np.arange(rows.sum()), block.mv[rows], 1)[0]
            off_by_time.append(abs(body["drift_mv_per_min"] - by_time))
            off_by_count.append(abs(by_count - by_time))
    assert len(off_by_time) > 50
    assert max(off_by_time) < 1e-4  # mV/min; the record rounds
    assert max(off_by_count) > 3.0


@pytest.mark.parametrize("max_drift_mv_per_min", [1.5, 2.0, 3.0, 4.0])
@pytest.mark.parametrize("max_remaining_ph", [0.02, 0.05, 2.0])
def test_nothing_is_accepted_in_the_reactor_once_acid_is_fed(
    max_drift_mv_per_min: float, max_remaining_ph: float
) -> None:
    criterion = reactor_criterion(max_drift_mv_per_min, max_remaining_ph)
    results = accepted(replayed(reactor(), criterion, Line(slope_pct=100.0, zero_mv=0.0)))
    assert all(ended_s(body) <= ACID_FEED_S for body in results)
    if max_drift_mv_per_min >= 2.0 and max_remaining_ph > 0.02:  # its noise is allowed
        assert results
    assert all(body["ph"] == pytest.approx(7.79, abs=0.03) for body in results)


# --- temperature baths: millivolts that rise with pH, and their own temperature term -------------

ISFET_ISOPOTENTIAL_PH = 1.0 / MV_PER_KELVIN
"""E0(T) = E_iso - k(T) pH_iso for a slope of -100 %, so dE0/dT = -1.000 mV/K asks for pH 5.0398."""
REFERENCE_K = 290.275
BATHS = {
    "20230407-1105_sensor-G_logger-P": 0.015,
    "20230407-1440_sensor-G_logger-Q": 0.007,
    "20230407-1440_sensor-R_logger-P": 0.0075,
    "20230407-1800_sensor-G_logger-P": 0.007,
    "20230407-1800_sensor-R_logger-Q": 0.007,
    "20230408-1230_sensor-G_logger-Q": 0.007,
}
"""Root mean square distance from the buffer, pH, that the recording allows behind 600 s."""


def tris_ph(temperature_c: Quantity) -> Quantity:
    """pH (total scale) of the Tris buffer in artificial sea water of S = 35.

    Source: DelValls and Dickson, Deep-Sea Research I 45 (1998) 1541, equation 18.
    """
    kelvin, s = temperature_c + ZERO_C_IN_K, 35.0
    return np.asarray(
        (11911.08 - 18.2499 * s - 0.039336 * s * s) / kelvin
        - 366.27059
        + 0.53993607 * s
        + 0.00016329 * s * s
        + (64.52243 - 0.084041 * s) * np.log(kelvin)
        - 0.11149858 * kelvin
    )


def bath(name: str) -> ReadingBlock:
    t_s, mv, temperature_c = columns(f"isfet-bath/{name}", "t_s", "e_mV", "temp_C")
    return ReadingBlock.from_columns(ms=(t_s * 1000).astype(np.int64), mv=mv, temperature_c=temperature_c)


def bath_criterion(name: str) -> Criterion:
    return Criterion(
        window_s=300.0,
        long_window_s=600.0,
        min_readings=8,
        max_gap_s=95.0,
        resolution_mv=0.031 if name.endswith("Q") else 0.001,
    )


def bath_line(block: ReadingBlock, rows: slice, isopotential_ph: float = ISFET_ISOPOTENTIAL_PH) -> Line:
    """The line that makes the buffer's pH of some readings."""
    unzeroed = Line(slope_pct=-100.0, zero_mv=0.0, isopotential_ph=isopotential_ph)
    mv, temperature_c = block.mv[rows], block.temperature_c[rows]
    zero_mv = float(np.mean(mv - unzeroed.mv(tris_ph(temperature_c), temperature_c)))
    return Line(slope_pct=-100.0, zero_mv=zero_mv, isopotential_ph=isopotential_ph)


def live_ph(block: ReadingBlock, name: str, line: Line) -> Quantity:
    """What the engine shows after each reading."""
    engine = Engine(cell_settings(bath_criterion(name), line=line, mode="on-request"))
    engine.take(began())
    shown = []
    for row in range(len(block)):
        engine.take(block[row : row + 1])
        engine.take(TimeMark(ms=int(block.ms[row])))
        shown.append(engine.indication().ph)
    return np.array(shown, np.float64)


def rms(values: Quantity) -> float:
    return float(np.sqrt(np.mean(values * values)))


@pytest.mark.parametrize("name", BATHS)
def test_ph_follows_the_buffer_through_a_changing_temperature(name: str) -> None:
    block = bath(name)
    late = slice(int(np.searchsorted(block.ms, 600_000, side="right")), len(block))
    shown = live_ph(block, name, bath_line(block, late))
    assert rms((shown - tris_ph(block.temperature_c))[late]) < BATHS[name]


@pytest.mark.parametrize("name", BATHS)
def test_line_fixed_at_one_point_gives_the_published_formula(name: str) -> None:
    block = bath(name)
    row = len(block) - len(block) // 20
    line = bath_line(block, slice(row, row + 1))
    kelvin = block.temperature_c + ZERO_C_IN_K
    k_mv = MV_PER_KELVIN * kelvin
    point_mv = block.mv[row] - k_mv[row] * tris_ph(block.temperature_c)[row]
    e0_mv = point_mv + 1.000 * (kelvin[row] - REFERENCE_K) - 1.000 * (kelvin - REFERENCE_K)
    assert np.max(np.abs(live_ph(block, name, line) - (block.mv - e0_mv) / k_mv)) < 1e-9
    for body in accepted(replayed(block, bath_criterion(name), line)):
        sample_k = body["temperature_c"] + ZERO_C_IN_K
        sample_e0_mv = point_mv + kelvin[row] - sample_k
        assert body["ph"] == pytest.approx(
            (body["mv"] - sample_e0_mv) / (MV_PER_KELVIN * sample_k), abs=1.5e-4
        )


@pytest.mark.parametrize("name", ["20230407-1440_sensor-G_logger-Q", "20230407-1440_sensor-R_logger-P"])
def test_without_its_temperature_term_the_line_misses_the_buffer(name: str) -> None:
    block = bath(name)
    late = slice(int(np.searchsorted(block.ms, 600_000, side="right")), len(block))
    shown = live_ph(block, name, bath_line(block, late, isopotential_ph=7.0))
    assert rms((shown - tris_ph(block.temperature_c))[late]) > 1.5 * BATHS[name]


@pytest.mark.parametrize("name", BATHS)
def test_healthy_repeats_of_a_coarse_meter_are_not_stuck(name: str) -> None:
    block, criterion = bath(name), bath_criterion(name)
    line = bath_line(block, slice(0, len(block)))
    found = screened(block, line=line, resolution_mv=criterion.resolution_mv, max_gap_s=criterion.max_gap_s)
    assert found.labels == []


def test_the_coarse_meter_does_repeat_itself() -> None:
    mv = bath("20230407-1800_sensor-R_logger-Q").mv
    ends = np.concatenate(([0], np.flatnonzero(np.diff(mv)) + 1, [len(mv)]))
    assert int(np.diff(ends).max()) >= 10


def test_handling_step_begins_the_window_again_and_keeps_what_was_accepted() -> None:
    block = bath("20230410-0955_sensor-G_logger-P")
    criterion = Criterion(window_s=300.0, min_readings=20, max_gap_s=16.0, resolution_mv=0.001)
    line = Line(slope_pct=-100.0, zero_mv=0.0)
    found = screened(block, line=line, resolution_mv=0.001, max_gap_s=16.0)
    ((moved_ms, name),) = found.disturbances
    assert name == "jump"
    assert 4_700_000 <= moved_ms <= 4_730_000
    results = accepted(replayed(block, criterion, line))
    assert any(ended_s(body) < 4700.0 for body in results)
    assert not [body for body in results if ended_s(body) > 4715.0]
