"""The pharmacopoeia table."""

import numpy as np

from quietcell.core.water import pharmacopoeia


def test_stage_1_is_read_at_the_table_temperature_not_above_the_sample() -> None:
    # USP <645>: no interpolation.
    limits = pharmacopoeia.stage_1_limit_us_cm([0.0, 4.9, 5.0, 24.99, 25.0, 99.9, 100.0])
    assert np.asarray(limits).tolist() == [0.6, 0.6, 0.8, 1.1, 1.3, 2.9, 3.1]
    assert len(pharmacopoeia.STAGE_1_LIMITS_US_CM) == 21
