"""Numbers proposed for a slow or coarse meter are a criterion the configuration takes."""

from dataclasses import replace

import pytest

from quietcell.config.criteria import CriterionSettings
from quietcell.core.endpoint.criterion import SHIPPED, coarser, slower


@pytest.mark.parametrize("base", ["loop-water", "grab-water", "buffer"])
def test_what_is_proposed_can_be_met_by_such_a_meter(base: str) -> None:
    for step_mv in (0.3, 0.59, 1.0, 5.9):
        found = CriterionSettings.model_validate({"based_on": base, **coarser(SHIPPED[base], step_mv)})
        assert found.to_criterion().resolution_mv >= step_mv
    for every_s in (7.3, 60.0, 900.0):
        found = CriterionSettings.model_validate({"based_on": base, **slower(SHIPPED[base], every_s)})
        assert found.to_criterion().longest_interval_s >= every_s


def test_nothing_is_proposed_that_asks_for_less() -> None:
    patient = replace(SHIPPED["loop-water"], window_s=900.0, long_window_s=2000.0, max_wait_s=9000.0)
    assert slower(patient, 6.0) == {"max_gap_s": 18}
    assert coarser(patient, 0.3) == {"resolution_mv": 0.3}
