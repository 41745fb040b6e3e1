"""An engine that goes on from its stored state is the same engine: not one byte differs."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from quietcell.core.engine import Engine
from quietcell.core.engine_state import EngineState, needed_readings
from quietcell.core.inputs import EngineInput, Request, SegmentEnded, TimeMark
from quietcell.core.plain import plain, rebuilt
from quietcell.core.readings import Flag, ReadingBlock
from quietcell.core.records import Json, TimeQuality
from quietcell.errors import ReadingsMissingError
from quietcell.ledger.canonical import canonical
from tests.support.leak import leaking
from tests.support.streams import ANCHOR_UTC_MS, SHORT, began, cell_settings, determinations, readings, run

SLOWER = cell_settings(replace(SHORT, max_wait_s=600.0), every_s=120.0)


def through_storage(engine: Engine, given: ReadingBlock) -> Engine:
    """Take an engine through its stored form; `given` are all readings of the open segment."""
    state = json.loads(canonical(engine.state()))
    needed = needed_readings(state)
    again = Engine(engine.settings)
    if needed is None:
        again.restore(state)
        return again
    first, behind = np.searchsorted(given.ms, (needed.after_ms, needed.upto_ms), side="right")
    again.restore(state, given[int(first) : int(behind)])
    return again


def bodies_with_restart(block: ReadingBlock, at_ms: int, *, restart: bool) -> list[dict[str, Json]]:
    """A run in two parts with a mark in between, gone on with or without the stored form."""
    engine, split = Engine(SLOWER), int(np.searchsorted(block.ms, at_ms, side="right"))
    bodies = run(engine, [began(), block[:split], TimeMark(ms=at_ms)])
    if restart:
        engine = through_storage(engine, block[:split])
    end = SegmentEnded(ms=int(block.ms[-1]) + 500, cause="stopped")
    return bodies + run(engine, [block[split:], end])


@given(st.integers(0, 899_000), st.integers(0, 20))
@settings(max_examples=6, deadline=None)
def test_no_byte_depends_on_a_restart_between_two_inputs(at_ms: int, seed: int) -> None:
    block = leaking(900, SLOWER, from_s=500, seed=seed)
    rng = np.random.default_rng(seed)
    kept = np.ones(900, np.bool_)
    kept[300 : 300 + int(rng.integers(0, 12))] = False
    block.flags[rng.integers(0, 900, 4)] = int(Flag.BURST)
    block.mv[rng.integers(0, 900, 2)] = np.nan
    columns = {name: getattr(block, name)[kept] for name in ("ms", "mv", "temperature_c", "flags")}
    gapped = ReadingBlock.from_columns(**columns, conductivity_us_cm=block.conductivity_us_cm[kept])
    whole = bodies_with_restart(gapped, at_ms, restart=False)
    assert bodies_with_restart(gapped, at_ms, restart=True) == whole


@given(st.integers(10_000, 90_000))
@settings(max_examples=8, deadline=None)
def test_an_open_request_and_a_moved_window_survive(at_ms: int) -> None:
    block = readings(100, seed=4, drift_mv_per_min=0.4)
    request = Request(ms=10_000, sample_id="S")

    def told(*, restart: bool) -> list[dict[str, Json]]:
        engine = Engine(SLOWER)
        bodies = run(engine, [began(), block[:10], request])
        split = int(np.searchsorted(block.ms, at_ms, side="right"))
        if at_ms > 10_000:
            bodies += run(engine, [block[10:split], TimeMark(ms=at_ms)])
            if restart:
                engine = through_storage(engine, block[:split])
        return bodies + run(engine, [block[split:], SegmentEnded(ms=101_000, cause="reopened")])

    assert told(restart=True) == told(restart=False)


def runs_apart(pause_ms: int, quality: TimeQuality = "synchronised") -> list[dict[str, Json]]:
    """A leak that begins in the first run; the bodies of the second."""
    first = leaking(900, SLOWER, from_s=500)
    engine = Engine(SLOWER)
    opened = run(engine, [began(), first, SegmentEnded(ms=900_000, cause="interrupted")])
    assert [body["state"] for body in opened if body["record"] == "episode"] == ["opened"]
    engine = through_storage(engine, first)
    after = leaking(200, SLOWER, seed=9)
    start = replace(began(2, utc_ms=ANCHOR_UTC_MS + 900_000 + pause_ms), time_quality=quality)
    return run(engine, [start, after, SegmentEnded(ms=200_000, cause="stopped")])


@pytest.mark.parametrize("pause_ms", [0, 5_000, 3_600_000])
def test_an_open_episode_outlives_the_run_and_no_value_is_accepted_because_of_it(pause_ms: int) -> None:
    bodies = runs_apart(pause_ms)
    delivered = [body for body in determinations(bodies) if body["verdict"] != "refused"]
    assert delivered
    assert {body["verdict"] for body in delivered} == {"qualified"}
    assert {body["episodes"][0] for body in delivered} == {delivered[0]["episodes"][0]}
    assert delivered[0]["episodes"][0].startswith("live-feed-room.1.")
    gap = next(body for body in bodies if body["record"] == "gap")
    assert gap["cause"] == "started"
    assert gap["gap_s"] == pytest.approx(pause_ms / 1000, abs=2.0)


@pytest.mark.parametrize(("pause_ms", "quality"), [(-3_600_000, "synchronised"), (10**9, "not-synchronised")])
def test_a_pause_that_no_clock_tells_gives_no_gap_of_invented_length(
    pause_ms: int, quality: TimeQuality
) -> None:
    bodies = runs_apart(pause_ms, quality)
    assert [body for body in bodies if body["record"] == "gap"] == []
    assert "qualified" in {body["verdict"] for body in determinations(bodies)}


@pytest.mark.parametrize("quality", ["synchronised", "not-synchronised"])
def test_an_episode_keeps_the_date_it_began_over_a_pause(quality: TimeQuality) -> None:
    first, mended = leaking(900, SLOWER, from_s=500), leaking(1800, SLOWER, from_s=1800, seed=9)
    engine = Engine(SLOWER)
    opened = run(engine, [began(), first, SegmentEnded(ms=900_000, cause="interrupted")])
    start = replace(began(2, utc_ms=ANCHOR_UTC_MS + 8_100_000), time_quality=quality)
    told = [*opened, *run(engine, [start, mended, SegmentEnded(ms=1_800_000, cause="stopped")])]
    episode = [body for body in told if body["record"] == "episode"]
    assert (episode[0]["state"], episode[-1]["state"]) == ("opened", "closed")
    assert {body["began"] for body in episode} == {episode[0]["began"]}


def test_a_state_whose_readings_are_gone_is_refused() -> None:
    block = readings(60)
    engine = Engine(SLOWER)
    run(engine, [began(), block, TimeMark(ms=60_000)])
    with pytest.raises(ReadingsMissingError, match="10 readings before the checkpoint are missing"):
        Engine(SLOWER).restore(engine.state(), block[10:])


def test_state_does_not_grow_with_the_readings() -> None:
    engine = Engine(cell_settings())
    items: list[EngineInput] = [began(), readings(3700), TimeMark(ms=3_700_500)]
    run(engine, items)
    reception = engine.state()["reception"]
    assert len(canonical(reception.pop("learning"))) < 10_000  # at most 128 slopes a window length
    assert len(canonical(reception)) < 3000


def test_numbers_without_a_form_in_json_survive() -> None:
    engine = Engine(SLOWER)
    run(engine, [began(), readings(60, drift_mv_per_min=9.0), TimeMark(ms=60_000)])
    state = engine.state()
    state["standing"]["drift"] = {**state["standing"]["drift"], "se_mv_per_min": "inf", "mean_mv": "nan"}
    known = rebuilt(EngineState, json.loads(canonical(state)))
    assert known.standing is not None
    assert known.standing.drift is not None
    assert math.isinf(known.standing.drift.se_mv_per_min)
    assert math.isnan(known.standing.drift.mean_mv)
    assert plain(known) == state
