"""What a report says of a cell in words."""

import pytest

from quietcell.report.cell_part import how_measured
from quietcell.report.cell_report import Configuration


def settings(mode: str, every_s: float = 600.0) -> Configuration:
    return Configuration(
        seq=2,
        at="2026-03-01T08:00:00.000Z",
        sha256="0" * 64,
        mode=mode,
        every_s=every_s,
        criterion="loop-water",
        calibration_id=None,
        slope_pct=98.4,
        zero_mv=3.1,
        electrode=None,
        meter=None,
    )


@pytest.mark.parametrize(
    ("modes", "told"),
    [
        ((), "–"),
        (("on-request",), "on request"),
        (("continuous", "continuous"), "continuously, every 600 s"),
        (("continuous", "on-request", "continuous"), "continuously, every 600 s and on request"),
    ],
)
def test_a_cell_is_said_to_be_measured_in_every_mode_it_had(modes: tuple[str, ...], told: str) -> None:
    assert how_measured([settings(mode) for mode in modes]) == told
