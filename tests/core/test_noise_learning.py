"""The noise a cell learns from its own readings at rest."""

import numpy as np
import pytest

from quietcell.core.endpoint.noise import BIN_S
from quietcell.core.history import History
from quietcell.core.noise_learning import NoiseLearning
from quietcell.core.readings import ReadingBlock


def history(mv: list[float] | np.ndarray[tuple[int], np.dtype[np.float64]]) -> History:
    """One reading a second."""
    held = History()
    held.append(ReadingBlock.from_columns(ms=np.arange(len(mv)) * 1000, mv=mv), np.arange(len(mv)))
    return held


def learnt(learning: NoiseLearning) -> float | None:
    found = learning.noise.slope_se(60.0)
    return None if found is None else found[0]


def test_slopes_at_rest_tell_the_noise() -> None:
    held, learning = history(np.random.default_rng(1).normal(25.0, 0.05, 3600)), NoiseLearning()
    learning.at_rest(0)
    learning.catch_up(held, 3_600_000)
    # white noise: sd / sqrt(n) / sd of the times
    assert learnt(learning) == pytest.approx(0.05 * 60 / np.sqrt(60 * (60**2 - 1) / 12), rel=0.4)


def test_nothing_is_learnt_before_the_cell_is_at_rest_or_after_a_disturbance() -> None:
    held, learning = history(np.random.default_rng(1).normal(25.0, 0.05, 3600)), NoiseLearning()
    learning.catch_up(held, 1_800_000)
    assert learnt(learning) is None
    learning.at_rest(1_800_000)
    learning.disturbed(held, 1_830_000)
    learning.catch_up(held, 3_600_000)
    assert learnt(learning) is None


def test_other_water_ends_the_learning_until_the_next_value() -> None:
    mv = np.random.default_rng(1).normal(25.0, 0.05, 3600)
    moved = mv + np.where(np.arange(3600) % 90 < 45, 0.0, 2.0)
    learning = NoiseLearning()
    learning.at_rest(0)
    learning.catch_up(history(moved), 3_600_000)
    assert learning.state().next_bin is None


def test_when_bins_are_taken_in_makes_no_difference() -> None:
    held = history(np.random.default_rng(2).normal(25.0, 0.05, 3600))
    once, often = NoiseLearning(), NoiseLearning()
    for learning in (once, often):
        learning.at_rest(100_000)
    for ms in range(100_000, 3_000_000, 7_000):
        often.catch_up(held, ms)
    for learning in (once, often):
        learning.disturbed(held, 3_000_000 + BIN_S)
    assert once.state() == often.state()
