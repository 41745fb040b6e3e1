"""What the engine of a cell promises, told by its record bodies."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from quietcell.core.engine import Engine
from quietcell.core.inputs import EngineInput, Request, SegmentEnded, TimeMark
from quietcell.core.readings import Flag, ReadingBlock
from quietcell.core.times import rfc3339
from quietcell.errors import ClockWentBackError, ContractError
from tests.support.streams import ANCHOR_UTC_MS, SHORT, began, cell_settings, determinations, readings, run


def stopped(ms: int) -> SegmentEnded:
    return SegmentEnded(ms=ms, cause="stopped")


def test_steady_reading_is_accepted_with_its_evidence() -> None:
    bodies = run(Engine(cell_settings()), [began(), readings(40), stopped(40_500)])
    first = determinations(bodies)[0]
    assert first["verdict"] == "accepted"
    assert first["reasons"] == []
    assert first["id"] == "live-feed-room.1.3"
    assert first["ph"] == pytest.approx(6.6179, abs=0.002)
    assert first["ph_reported"] == round(first["ph"], 2)
    assert first["readings"] >= SHORT.min_readings
    assert first["drift_bound_mv_per_min"] <= SHORT.max_drift_mv_per_min
    assert len(first["readings_sha256"]) == 64


def test_drifting_reading_is_refused_at_the_deadline_with_its_reason() -> None:
    bodies = run(Engine(cell_settings()), [began(), readings(100, drift_mv_per_min=3.0), stopped(100_000)])
    first = determinations(bodies)[0]
    assert first["verdict"] == "refused"
    assert first["reasons"] == ["max-wait", "not-at-rest"]
    assert first["ended"] == first["at"] == "2026-09-21T14:14:50.000Z"
    assert first["drift_mv_per_min"] == pytest.approx(3.0, abs=0.3)


def test_noise_is_named_when_it_hides_the_drift() -> None:
    bodies = run(Engine(cell_settings()), [began(), readings(100, noise_mv=3.0, seed=4), stopped(100_000)])
    assert "noise-too-high" in determinations(bodies)[0]["reasons"]


def test_deadline_is_dated_at_the_deadline_though_nothing_is_heard() -> None:
    engine = Engine(cell_settings(mode="on-request"))
    bodies = run(engine, [began(), Request(ms=1234, sample_id="S-17"), TimeMark(ms=500_000)])
    (only,) = determinations(bodies)
    assert only["ended"] == "2026-09-21T14:14:51.234Z"
    assert only["reasons"] == ["max-wait", "gap"]
    assert only["sample_id"] == "S-17"
    assert only["mv"] is None


def test_gap_restarts_the_window_and_is_recorded() -> None:
    early, late = readings(15), readings(40, start_ms=25_000)
    bodies = run(Engine(cell_settings()), [began(), early, late, stopped(66_000)])
    (gap,) = [body for body in bodies if body["record"] == "gap"]
    assert gap["cause"] == "silence"
    assert gap["gap_s"] == pytest.approx((int(late.ms[0]) - int(early.ms[-1])) / 1000)
    first = determinations(bodies)[0]
    assert first["verdict"] == "accepted"
    assert first["began"] == "2026-09-21T14:13:20.000Z"
    assert 20.0 <= first["time_since_disturbance_s"] <= 26.0  # looked at every 5 s


def test_flagged_reading_restarts_the_window_and_is_counted_by_name() -> None:
    block = readings(60)
    block.flags[18] = Flag.BURST | Flag.AFTER_ERROR
    bodies = run(Engine(cell_settings()), [began(), block, stopped(60_000)])
    first = determinations(bodies)[0]
    assert first["rejected_readings"] == {"after-error": 1, "burst": 1}
    assert first["time_since_disturbance_s"] >= 20
    assert int(block.ms[18]) + 20_000 <= 60_000


def test_impossible_temperature_never_enters_a_window() -> None:
    block = readings(60)
    block.temperature_c[10] = 988.79
    block.temperature_c[19] = np.nan
    first = determinations(run(Engine(cell_settings()), [began(), block, stopped(60_000)]))[0]
    assert first["rejected_readings"] == {"temperature-not-measured": 1, "temperature-out-of-range": 1}
    assert first["temperature_c"] == pytest.approx(21.0, abs=0.05)


@pytest.mark.parametrize("step_ms", [-3_600_000, 3_600_000])
def test_a_determination_that_a_clock_step_falls_into_is_dated_by_one_clock(step_ms: int) -> None:
    block = readings(90)
    step: list[EngineInput] = [
        SegmentEnded(ms=10_000, cause="clock-step"),
        began(2, "clock-step", ANCHOR_UTC_MS + 10_000 + step_ms),
    ]
    bodies = run(Engine(cell_settings()), [began(), block[:10], *step, readings(60, seed=2), stopped(60_500)])
    first = determinations(bodies)[0]
    assert first["began"] == rfc3339(ANCHOR_UTC_MS + step_ms)
    assert first["began"] < first["ended"]


def test_new_segment_delays_the_endpoint_and_leaves_no_window_across() -> None:
    engine = Engine(cell_settings())
    bodies = run(
        engine,
        [
            began(),
            readings(18),
            SegmentEnded(ms=19_000, cause="reopened"),
            began(segment=2, cause="reopened", utc_ms=1_790_000_019_000),
            readings(40, seed=2),
            stopped(40_500),
        ],
    )
    kinds = [(body["record"], body["id"]) for body in bodies]
    assert ("gap", "live-feed-room.2.2") in kinds
    first = determinations(bodies)[0]
    assert first["began"] == "2026-09-21T14:13:20.000Z"
    assert first["ended"] >= "2026-09-21T14:13:59.000Z"
    assert first["readings"] <= 21


def test_open_determination_is_refused_when_the_run_stops() -> None:
    bodies = run(Engine(cell_settings()), [began(), readings(10), stopped(10_000)])
    (only,) = determinations(bodies)
    assert only["reasons"][0] == "stopped"
    assert bodies[-1]["record"] == "segment"
    assert bodies[-1]["readings"] == 10


def test_request_supersedes_the_continuous_determination_and_a_second_gets_busy() -> None:
    inputs: list[EngineInput] = [
        began(),
        readings(10),
        Request(ms=10_000, sample_id="A"),
        Request(ms=12_000, sample_id="B"),
        readings(30, start_ms=12_000, seed=3),
        stopped(43_000),
    ]
    ends = [
        (body["sample_id"], body["verdict"], body["reasons"][:1])
        for body in determinations(run(Engine(cell_settings()), inputs))
    ]
    assert ends == [
        (None, "refused", ["superseded"]),
        ("B", "refused", ["busy"]),
        ("A", "accepted", []),
    ]


def test_continuous_determinations_begin_on_their_schedule() -> None:
    bodies = run(Engine(cell_settings()), [began(), readings(200), stopped(200_000)])
    assert [body["began"][17:19] for body in determinations(bodies)] == ["20", "20", "20", "20"]


def test_time_going_back_is_refused() -> None:
    engine = Engine(cell_settings())
    run(engine, [began(), readings(10)])
    with pytest.raises(ClockWentBackError, match="live-feed-room"):
        engine.take(TimeMark(ms=3000))
    with pytest.raises(ClockWentBackError):
        engine.take(readings(3))
    with pytest.raises(ContractError):
        engine.take(began(segment=2))


def test_equal_times_are_legal() -> None:
    block = readings(60)
    block.ms[20] = block.ms[19]
    assert determinations(run(Engine(cell_settings()), [began(), block, stopped(60_000)]))


@st.composite
def _stories(draw: st.DrawFn) -> tuple[list[EngineInput], list[int]]:
    """A run with gaps, flags, a request and a reopen, and where to cut its readings."""
    seed = draw(st.integers(0, 50))
    rng = np.random.default_rng(seed)
    block = readings(150, seed=seed, drift_mv_per_min=draw(st.sampled_from([0.0, 0.4, 2.0])))
    keep = rng.random(150) > 0.03
    keep[40 : 40 + draw(st.integers(0, 12))] = False
    block.flags[rng.integers(0, 150, 2)] = int(Flag.BURST)
    columns = ReadingBlock.from_columns(
        ms=block.ms[keep], mv=block.mv[keep], temperature_c=block.temperature_c[keep], flags=block.flags[keep]
    )
    request_ms = draw(st.integers(5_000, 140_000))
    split = int(np.searchsorted(columns.ms, request_ms, side="left"))
    inputs: list[EngineInput] = [
        began(),
        columns[:split],
        Request(ms=request_ms, sample_id="S"),
        columns[split:],
        SegmentEnded(ms=151_000, cause="reopened"),
        began(segment=2, cause="reopened", utc_ms=1_790_000_151_000),
        readings(60, seed=seed + 1),
        stopped(61_000),
    ]
    cuts = draw(st.lists(st.integers(1, 40), min_size=1, max_size=20))
    return inputs, cuts


@given(_stories())
@settings(max_examples=60, deadline=None)
def test_cutting_the_stream_into_blocks_changes_no_byte(story: tuple[list[EngineInput], list[int]]) -> None:
    inputs, cuts = story
    pieces: list[EngineInput] = []
    turn = 0
    for item in inputs:
        if not isinstance(item, ReadingBlock):
            pieces.append(item)
            continue
        row = 0
        while row < len(item):
            size = cuts[turn % len(cuts)]
            turn += 1
            piece = item[row : row + size]
            pieces.append(piece)
            row += size
            if turn % 3 == 0 and row < len(item) and item.ms[row] > piece.ms[-1]:
                pieces.append(TimeMark(ms=int(item.ms[row]) - 1))
    assert run(Engine(cell_settings()), pieces) == run(Engine(cell_settings()), inputs)


def test_nothing_comes_of_what_may_wait() -> None:
    engine = Engine(cell_settings())
    keep = np.ones(120, np.bool_)
    keep[60:70] = False
    block = readings(120)[keep]
    engine.take(began())
    waited, told = 0, 0
    for row in range(1, len(block)):
        mark = TimeMark(ms=int(block.ms[row]) - 1)
        items: list[EngineInput] = [mark, block[row : row + 1]] if row % 3 else [block[row : row + 1]]
        for item in items:
            last_ms = item.ms if isinstance(item, TimeMark) else int(block.ms[row])
            may_wait = last_ms <= engine.may_wait_until_ms
            bodies = engine.take(item)
            assert not (may_wait and bodies)
            waited += may_wait
            told += len(bodies)
    assert waited > 60
    assert told >= 3


@given(st.lists(st.integers(1, 900), min_size=1, max_size=6), st.integers(0, 3))
@settings(max_examples=4, deadline=None)
def test_cutting_a_loop_at_work_changes_no_byte(cuts: list[int], seed: int) -> None:
    """Long enough that noise is learnt, ingress is watched and most readings are taken in ahead."""
    plain = readings(1500, seed=seed)
    rng = np.random.default_rng(seed)
    block = ReadingBlock.from_columns(
        ms=plain.ms,
        mv=plain.mv + np.where(np.arange(1500) > 1000, 3.0, 0.0),
        temperature_c=plain.temperature_c,
        conductivity_us_cm=np.round(0.08 + rng.normal(0.0, 0.0005, 1500), 4),
        flow_ml_min=np.full(1500, 80.0),
        flags=np.where(rng.random(1500) < 0.002, int(Flag.BURST), 0),
    )
    cell = cell_settings(every_s=300.0, conductivity_position="downstream", hold_up_ml=12.0)
    edges = np.cumsum(np.resize(cuts, 1500))
    pieces = [
        block[int(low) : int(high)]
        for low, high in zip([0, *edges], [*edges[edges < 1500], 1500], strict=False)
        if low < 1500
    ]
    whole = run(Engine(cell), [began(), block, stopped(1_500_000)])
    assert len(determinations(whole)) >= 5
    assert run(Engine(cell), [began(), *pieces, stopped(1_500_000)]) == whole


@given(st.floats(-400, 400), st.integers(-(10**9), 10**9))
@settings(max_examples=40, deadline=None)
def test_level_and_epoch_change_no_verdict(offset_mv: float, shift_ms: int) -> None:
    def verdicts(extra_mv: float, utc_ms: int) -> list[tuple[str, int]]:
        block = readings(120, seed=5, drift_mv_per_min=0.3)
        block.mv[:] += extra_mv
        bodies = run(Engine(cell_settings()), [began(utc_ms=utc_ms), block, stopped(121_000)])
        return [(body["verdict"], body["readings"]) for body in determinations(bodies)]

    assert verdicts(offset_mv, 1_790_000_000_000 + shift_ms) == verdicts(0.0, 1_790_000_000_000)
