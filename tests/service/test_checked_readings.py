"""What a driver gives is held against what it promised."""

import json
import math
from typing import Any

import numpy as np
import pytest

from quietcell.contracts import LineCounts
from quietcell.core.readings import NO_FLAG, Reading, ReadingBlock, ReadingRows
from quietcell.service.drivers import checked_counts, checked_readings


def rows(*values: float | None, boot_ms: int = 5) -> ReadingRows:
    return ReadingRows([(boot_ms, value, 21.0, None, None, int(NO_FLAG)) for value in values])


def test_rows_with_and_without_numbers_pass_and_become_a_block() -> None:
    given = checked_readings(rows(25.0, None, -0.0, 1e308, 1e308), latest_boot_ms=5)
    block = ReadingBlock.from_readings(given, anchor_boot_ms=2)
    assert block.ms.tolist() == [3] * 5
    assert repr(block.mv.tolist()) == "[25.0, nan, 0.0, 1e+308, 1e+308]"
    assert all(map(math.isnan, block.flow_ml_min))


def test_numbers_of_an_array_become_plain_ones() -> None:
    values = np.array([25.0, 21.0], np.float32)
    reading = Reading(boot_ms=np.int64(5), mv=values[0], temperature_c=values[1])  # type: ignore[arg-type] # as authors do
    given = checked_readings([reading], latest_boot_ms=5)
    assert json.dumps(given.rows[0]) == "[5, 25.0, 21.0, null, null, 0]"


@pytest.mark.parametrize("wrong", [{"reasons": {"torn": "x"}}, {"readings": 1.5}, {"last_bad_line": b"?"}])
def test_counts_that_are_none_are_refused(wrong: dict[str, Any]) -> None:
    with pytest.raises(TypeError, match="counts"):
        checked_counts(LineCounts(**wrong))
    with pytest.raises(TypeError, match="counts"):
        checked_counts(None)


@pytest.mark.parametrize("wrong", [math.nan, math.inf, -math.inf])
def test_a_quantity_that_is_no_finite_number_is_refused(wrong: float) -> None:
    with pytest.raises(ValueError, match="not all finite"):
        checked_readings(rows(25.0, wrong, 24.0), latest_boot_ms=5)


def test_a_stamp_from_the_future_is_refused() -> None:
    with pytest.raises(ValueError, match="ahead of the clock"):
        checked_readings(rows(25.0, boot_ms=6), latest_boot_ms=5)


@pytest.mark.parametrize("wrong", [[], None, [Reading(boot_ms=1, mv=1.0, temperature_c=1.0), 7]])
def test_what_is_no_sequence_of_readings_is_refused(wrong: object) -> None:
    with pytest.raises(TypeError, match=r"read\(\) returned"):
        checked_readings(wrong, latest_boot_ms=5)
