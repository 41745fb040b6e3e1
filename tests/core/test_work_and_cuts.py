"""While people work at a cell, how its readings are cut changes neither a body nor what is known."""

from dataclasses import replace

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from quietcell.core.engine import Engine
from quietcell.core.inputs import Attendance, EngineInput, ReferenceRequest, Request, TimeMark
from quietcell.core.readings import ReadingBlock
from quietcell.core.records import GrabSample
from quietcell.ledger.canonical import canonical
from tests.support.streams import SHORT, began, cell_settings, readings, run

CELL = cell_settings(replace(SHORT, max_wait_s=60.0), every_s=40.0, conductivity_position="downstream")
GRAB = GrabSample(
    portion=1,
    container="glass",
    age_min=4.0,
    conductivity_us_cm=None,
    conductivity_temperature_c=None,
    open_to_air=False,
    kcl_adjusted=False,
)
END_MS = 150_000


def water() -> ReadingBlock:
    """Readings twice a second, each with its conductivity."""
    rng = np.random.default_rng(3)
    block = readings(END_MS // 500, seed=3)
    return ReadingBlock.from_columns(
        ms=np.arange(len(block)) * 500 + rng.integers(1, 499, len(block)),
        mv=block.mv,
        temperature_c=block.temperature_c,
        conductivity_us_cm=np.round(0.08 + rng.normal(0.0, 0.0005, len(block)), 4),
    )


WATER = water()


def work(rng: np.random.Generator) -> list[EngineInput]:
    """Somebody comes, measures something, and leaves; twice."""
    inputs: list[EngineInput] = []
    times = np.sort(rng.integers(5_000, END_MS - 10_000, 6)).tolist()
    for number, (come, ask, leave) in enumerate((times[:3], times[3:])):
        kind = rng.choice(["measure", "calibration", "check", "flow-test"])
        here, asked = (f"daemon.1.{10 * number + each}" for each in (1, 2))
        inputs.append(Attendance(ms=come, id=here, state="began", work=kind))
        if kind == "measure":
            inputs.append(Request(ms=ask, id=asked, sample_id="S", attendance=here, grab=GRAB))
        else:
            inputs.append(ReferenceRequest(ms=ask, id=asked, purpose=kind, solution="A"))
        inputs.append(Attendance(ms=leave, id=here, state="ended", work=kind))
    return inputs


def story(people: list[EngineInput], cuts: list[int]) -> list[EngineInput]:
    """Readings with what people gave in its places: at equal times that comes first."""
    inputs: list[EngineInput] = [began()]
    row, turn = 0, 0
    for item in [*people, TimeMark(ms=END_MS)]:
        upto = int(np.searchsorted(WATER.ms, item.ms, side="left"))  # type: ignore[union-attr] # no block
        while row < upto:
            behind = min(row + cuts[turn % len(cuts)], upto)
            inputs.append(WATER[row:behind])
            row, turn = behind, turn + 1
        inputs.append(item)
    return inputs


@given(st.integers(0, 2**32 - 1))
@settings(max_examples=12, deadline=None)
def test_neither_bodies_nor_state_depend_on_the_cuts(seed: int) -> None:
    rng = np.random.default_rng(seed)
    people, cuts = work(rng), rng.integers(2, 60, 8).tolist()
    whole, cut = Engine(CELL), Engine(CELL)
    assert run(cut, story(people, cuts)) == run(whole, story(people, [len(WATER)]))
    assert canonical(cut.state()) == canonical(whole.state())
