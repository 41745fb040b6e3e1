"""A meter slower than the largest gap is told of once, a silence by itself each time."""

from itertools import pairwise

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from quietcell.core.engine import Engine
from quietcell.core.inputs import TimeMark
from quietcell.core.readings import ReadingBlock
from quietcell.core.records import Json
from quietcell.core.rhythm import SINGLE, SPARSE
from tests.support.streams import began, cell_settings, run


def block(times_s: list[float]) -> ReadingBlock:
    n = len(times_s)
    return ReadingBlock.from_columns(
        ms=np.round(np.array(times_s) * 1000), mv=np.full(n, 25.0), temperature_c=np.full(n, 21.0)
    )


def gaps(times_s: list[float], cuts: tuple[int, ...] = ()) -> list[dict[str, Json]]:
    """The gap records of a cell whose largest gap is 5 s."""
    whole = block(times_s)
    parts = [whole[low:high] for low, high in pairwise((0, *cuts, len(whole)))]
    bodies = run(Engine(cell_settings()), [began(), *parts, TimeMark(ms=int(whole.ms[-1]) + 1000)])
    return [body for body in bodies if body["record"] == "gap"]


def steady(start_s: float, seconds: int) -> list[float]:
    return [start_s + s for s in range(seconds)]


def test_an_hour_of_a_slow_meter_makes_a_handful_of_records_and_says_when_it_is_over() -> None:
    slow = list(np.arange(10.0, 3610.0, 8.0))
    found = gaps([*steady(1, 9), *slow, *steady(3605, 90)])
    *single, opened, over = found
    assert [each["cause"] for each in single] == ["silence"] * SINGLE
    assert ("goes_on" in single[0], opened["goes_on"], over["goes_on"]) == (False, True, False)
    assert (opened["cause"], opened["gap_s"], over["cause"]) == (SPARSE, 8.0, SPARSE)
    assert over["began"] == opened["began"]
    assert over["gap_s"] == 8.0 * (len(slow) - 1 - SINGLE)
    assert over["at"] > over["ended"]


def test_silences_now_and_then_are_told_each() -> None:
    times = [t for start in range(0, 1000, 100) for t in steady(start, 90)]
    assert [each["cause"] for each in gaps(times)] == ["silence"] * 9


def test_a_long_silence_of_a_slow_meter_is_told_by_itself() -> None:
    found = gaps([*np.arange(0.0, 200.0, 8.0), *np.arange(900.0, 1100.0, 8.0)])
    assert [each["cause"] for each in found] == ["silence"] * SINGLE + [SPARSE, "silence"]
    assert found[-1]["gap_s"] == 900 - 192


def test_a_meter_as_slow_as_minutes_is_told_of_once_as_well() -> None:
    assert len(gaps(list(np.arange(0.0, 36_000.0, 120.0)))) == SINGLE + 1


@given(
    st.lists(st.sampled_from([0.5, 1.0, 4.0, 6.0, 8.0, 20.0, 70.0]), min_size=5, max_size=120),
    st.sets(st.integers(1, 119), max_size=6),
)
@settings(max_examples=60, deadline=None)
def test_how_readings_are_cut_changes_no_gap(steps: list[float], cuts: set[int]) -> None:
    times = list(np.cumsum(steps))
    inside = tuple(sorted(cut for cut in cuts if cut < len(times)))
    whole = gaps(times)
    assert gaps(times, inside) == whole
    opened = [each["goes_on"] for each in whole if "goes_on" in each]
    assert opened == [True, False] * (len(opened) // 2) + [True] * (len(opened) % 2)
