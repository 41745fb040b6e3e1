"""Where a determination stands at a look."""

from dataclasses import replace

import numpy as np
import pytest

from quietcell.core.endpoint.criterion import SHIPPED, Criterion
from quietcell.core.endpoint.machine import Phase, first_judged_ms, standing
from quietcell.core.readings import ReadingBlock
from quietcell.core.records import Reason

PLAIN = SHIPPED["loop-water"]


@pytest.mark.parametrize("disturbed_ms", [-900_000, 0, 300_000])
@pytest.mark.parametrize(
    "criterion",
    [
        PLAIN,
        replace(PLAIN, min_wait_s=150.5),
        replace(PLAIN, window_s=45.0, long_window_s=None),
        replace(PLAIN, long_window_s=240.0),
    ],
)
def test_a_look_judges_from_the_first_full_window_on_and_never_before(
    criterion: Criterion, disturbed_ms: int
) -> None:
    began_ms = 60_000
    ms = np.arange(-900_000, 1_200_000, 1000)
    block = ReadingBlock.from_columns(ms, 8.0 + np.random.default_rng(1).normal(0.0, 0.02, len(ms)))

    def phase(now_ms: int) -> Phase:
        after_ms = max(now_ms - round(criterion.window_s * 1000), disturbed_ms, began_ms)
        since = (ms > disturbed_ms) & (ms <= now_ms)
        return standing(
            block[(ms > after_ms) & (ms <= now_ms)],
            (ms[since], block.mv[since]),
            criterion,
            now_ms=now_ms,
            began_ms=began_ms,
            disturbed_ms=disturbed_ms,
            silent_ms=0,
            disturbance=Reason.GAP,
            mv_per_ph=58.0,
        ).phase

    first_ms = first_judged_ms(criterion, began_ms, disturbed_ms)
    assert phase(first_ms - 1) in (Phase.WAITING, Phase.FILLING)
    assert phase(first_ms) in (Phase.JUDGING, Phase.AT_REST)


def test_an_electrode_from_buffer_is_said_to_wait_for_its_junction_and_for_no_risk() -> None:
    criterion = SHIPPED["grab-water"]
    ms = np.arange(0, 240_000, 1000)
    block = ReadingBlock.from_columns(ms, 8.0 + np.random.default_rng(1).normal(0.0, 0.02, len(ms)))
    found = standing(
        block[ms > 240_000 - round(criterion.window_s * 1000)],
        (ms, block.mv),
        criterion,
        now_ms=240_000,
        began_ms=-1,
        disturbed_ms=-1,
        silent_ms=0,
        disturbance=Reason.GAP,
        mv_per_ph=58.0,
        from_buffer=True,
    )
    assert found.lacks == (Reason.STILL_RELAXING,)
    assert found.waits_for == "the junction, fresh from a buffer, to be shown at rest"


def test_how_long_the_rinse_still_takes_is_told() -> None:
    ms = np.arange(0, 20_001, 1000)
    block = ReadingBlock.from_columns(ms, np.full(len(ms), 8.0))
    found = standing(
        block,
        (ms, block.mv),
        replace(PLAIN, min_wait_s=45.0),
        now_ms=20_000,
        began_ms=0,
        disturbed_ms=-1,
        silent_ms=0,
        disturbance=Reason.GAP,
        mv_per_ph=58.0,
    )
    assert (found.phase, found.waits_for) == (Phase.WAITING, "rinse and response, 25 s to go")


def test_a_silent_meter_is_told_while_the_electrode_is_rinsed_too() -> None:
    none = np.empty(0)
    found = standing(
        ReadingBlock.from_columns(np.empty(0, np.int64), none),
        (np.empty(0, np.int64), none),
        PLAIN,
        now_ms=20_000,
        began_ms=0,
        disturbed_ms=0,
        silent_ms=20_000,
        disturbance=Reason.GAP,
        mv_per_ph=58.0,
    )
    assert found.phase is Phase.WAITING
    assert found.waits_for == "the meter to speak, silent for 20 s"
