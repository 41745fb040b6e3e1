"""Samples someone brings to the cell: others wait, and what is known of the cell's own water stays."""

from dataclasses import replace

import numpy as np

from quietcell.core.engine import Engine
from quietcell.core.inputs import (
    Attendance,
    EngineInput,
    ReferenceRequest,
    Request,
    SegmentEnded,
    TimeMark,
)
from quietcell.core.readings import ReadingBlock
from quietcell.core.records import GrabSample, Json
from tests.core.test_engine_state import through_storage
from tests.support.leak import leaking
from tests.support.streams import SHORT, began, cell_settings, determinations, readings, run

CELL = cell_settings(replace(SHORT, max_wait_s=600.0), every_s=120.0)
GRAB = GrabSample(
    portion=1,
    container="glass",
    age_min=4.0,
    conductivity_us_cm=1.0,
    conductivity_temperature_c=None,
    open_to_air=False,
    kcl_adjusted=False,
)


def work(ms: int, state: str) -> Attendance:
    return Attendance(ms=ms, id="daemon.1.7", state=state, work="measure")  # type: ignore[arg-type] # one of its two


def leak_with_a_sample_between(*, stored: bool = False) -> list[dict[str, Json]]:
    """A leak into the loop; behind it someone measures a sample for two minutes."""
    block = leaking(1400, CELL, from_s=500)
    first, later = (int(np.searchsorted(block.ms, ms)) for ms in (900_000, 1_020_000))
    engine = Engine(CELL)
    asked = Request(ms=900_001, id="daemon.1.8", sample_id="S-17", attendance="daemon.1.7", grab=GRAB)
    bodies = run(engine, [began(), block[:first], work(900_000, "began"), asked, TimeMark(ms=900_005)])
    if stored:
        engine = through_storage(engine, block[:first])
    rest: list[EngineInput] = [
        block[first:later],
        work(1_020_000, "ended"),
        block[later:],
        SegmentEnded(ms=1_400_000, cause="stopped"),
    ]
    return bodies + run(engine, rest)


def test_an_open_episode_of_the_loop_is_none_of_the_sample_and_stays_open() -> None:
    bodies = leak_with_a_sample_between()
    (episode,) = [body for body in bodies if body["record"] == "episode" and body["state"] == "opened"]
    assert [body["state"] for body in bodies if body["record"] == "episode"][-1] != "closed"
    (sample,) = [body for body in determinations(bodies) if body["sample_id"] == "S-17"]
    assert (sample["verdict"], sample["episodes"]) == ("accepted", [])
    behind = [body for body in determinations(bodies) if body["began"] > sample["ended"] and body["ph"]]
    assert behind
    assert all(body["episodes"] == [episode["id"]] for body in behind)


def test_a_beaker_in_which_nothing_flows_is_no_loop_that_has_stopped() -> None:
    block = readings(600)
    flow = np.where(block.ms < 60_000, 100.0, 0.0)  # the sample valve is shut once the electrode is out
    noise = np.random.default_rng(2).normal(0.0, 2e-3, len(block))
    block = replace(block, flow_ml_min=flow, conductivity_us_cm=1.0 + noise)
    slow = replace(CELL, criterion=replace(CELL.criterion, min_wait_s=500.0))
    asked = Request(ms=10, id="daemon.1.8", sample_id="S-17", attendance="daemon.1.7", grab=GRAB)
    items: list[EngineInput] = [
        began(),
        work(0, "began"),
        asked,
        block,
        SegmentEnded(ms=600_000, cause="stopped"),
    ]
    bodies = run(Engine(slow), items)
    assert [body for body in bodies if body["record"] == "episode"] == []
    (sample,) = determinations(bodies)
    assert sample["verdict"] == "accepted"


def test_a_checkpoint_in_the_middle_of_a_sample_changes_no_byte() -> None:
    assert leak_with_a_sample_between(stored=True) == leak_with_a_sample_between()


def test_a_request_by_someone_else_is_busy_and_the_sample_goes_on() -> None:
    own = Request(ms=10, id="daemon.1.8", sample_id="S-17", attendance="daemon.1.7", grab=GRAB)
    strange = Request(ms=5_000, id="daemon.1.9", sample_id="S-18")
    block = readings(60)
    items: list[EngineInput] = [began(), work(0, "began"), own, block[:5], strange, block[5:]]
    bodies = determinations(run(Engine(CELL), [*items, SegmentEnded(ms=60_000, cause="stopped")]))
    assert [(body["sample_id"], body["reasons"]) for body in bodies] == [("S-18", ["busy"]), ("S-17", [])]


def test_a_request_turned_away_does_not_change_when_an_open_measurement_is_looked_at() -> None:
    cell = replace(CELL, criterion=replace(CELL.criterion, window_s=12.0))
    come = Attendance(ms=0, id="daemon.1.7", state="began", work="check")
    asked = ReferenceRequest(ms=10, id="daemon.1.8", purpose="check", solution="A")
    block = readings(240)

    def ended(*strange: EngineInput) -> list[str]:
        items: list[EngineInput] = [began(), come, asked, block[:5], *strange, block[5:]]
        bodies = run(Engine(cell), [*items, SegmentEnded(ms=240_000, cause="stopped")])
        return [body["ended"] for body in bodies if body["record"] == "reference-measurement"]

    assert ended(Request(ms=5_000, id="daemon.1.9")) == ended()


def at_air(seconds: int) -> ReadingBlock:
    """Water in equilibrium with air: pH 5.65 and about 0.95 µS/cm."""
    quiet = readings(seconds)
    return ReadingBlock.from_columns(
        ms=quiet.ms,
        mv=quiet.mv - 25.0 + float(CELL.line.mv(5.65, 25.0)),
        temperature_c=np.full(seconds, 25.0),
        conductivity_us_cm=np.full(seconds, 0.95),
    )


def test_what_was_found_in_a_sample_closes_when_the_sample_is_gone() -> None:
    slow = replace(SHORT, min_wait_s=700.0, max_wait_s=900.0)
    cell = replace(CELL, criterion=slow, mode="on-request", conductivity_position="same")
    first, second = Request(ms=0, sample_id="A"), Request(ms=760_000, sample_id="B")
    block = at_air(760)
    end = SegmentEnded(ms=770_000, cause="stopped")
    bodies = run(Engine(cell), [began(), first, block[:750], TimeMark(ms=755_000), second, end])
    told = [(body["state"], body["at"]) for body in bodies if body["record"] == "episode"]
    assert [state for state, _ in told][:1] == ["opened"]
    assert [state for state, _ in told][-1:] == ["closed"]


def test_what_a_sample_held_from_the_first_reading_on_is_told_as_the_samples() -> None:
    slow = replace(
        CELL, criterion=replace(SHORT, min_wait_s=500.0, max_wait_s=600.0), conductivity_position="same"
    )
    asked = Request(ms=1, id="daemon.1.8", sample_id="S-17", attendance="daemon.1.7", grab=GRAB)
    end = SegmentEnded(ms=400_000, cause="stopped")
    bodies = run(Engine(slow), [began(), work(0, "began"), asked, at_air(400), end])
    episode = next(body for body in bodies if body["record"] == "episode")
    assert "the sample holds carbon dioxide" in episode["text"]
    assert "Look first at container, closure and age" in episode["text"]


def test_air_at_a_sample_of_low_conductivity_is_a_caveat() -> None:
    block = readings(60)

    def verdict(conductivity_us_cm: float, *, open_to_air: bool) -> tuple[str, bool]:
        grab = replace(GRAB, conductivity_us_cm=conductivity_us_cm, open_to_air=open_to_air)
        request = Request(ms=0, id="daemon.1.8", sample_id="S-17", grab=grab)
        (body,) = determinations(
            run(
                Engine(replace(CELL, mode="on-request")),
                [began(), request, block, SegmentEnded(ms=60_000, cause="stopped")],
            )
        )
        return body["verdict"], "open-to-air" in body["qualifiers"]

    assert verdict(1.0, open_to_air=True) == ("qualified", True)
    assert verdict(1.0, open_to_air=False) == ("accepted", False)
    assert verdict(150.0, open_to_air=True) == ("accepted", False)


def test_in_a_beaker_nothing_flows_and_the_band_of_flows_does_not_count() -> None:
    banded = replace(CELL, criterion=replace(CELL.criterion, flow_low_ml_min=60.0), mode="on-request")
    quiet = readings(60)
    still = replace(quiet, flow_ml_min=np.zeros(len(quiet)))

    def body(grab: GrabSample | None) -> dict[str, Json]:
        request = Request(ms=0, id="daemon.1.8", sample_id="S-17", grab=grab)
        end = SegmentEnded(ms=60_000, cause="stopped")
        return determinations(run(Engine(banded), [began(), request, still, end]))[0]

    assert body(GRAB)["verdict"] == "accepted"
    assert "flow-out-of-band" in body(None)["reasons"]
    assert body(GRAB)["criterion"]["digest"] != body(None)["criterion"]["digest"]
