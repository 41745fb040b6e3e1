"""What a report says of a cell in words."""

from datetime import UTC

import pytest

from quietcell.report.calibration_part import calibration_table
from quietcell.report.cell_part import how_measured, line_of
from quietcell.report.cell_report import Configuration
from quietcell.report.html import NOT_KNOWN, Times


def settings(mode: str, *, calibrated: bool = True) -> Configuration:
    return Configuration(
        seq=2,
        at="2026-03-01T08:00:00.000Z",
        sha256="0" * 64,
        mode=mode,
        every_s=600.0,
        criterion="loop-water",
        calibrated=calibrated,
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


def test_a_cell_without_a_calibration_is_not_said_to_have_one() -> None:
    assert line_of(settings("continuous"))[1] == "fixed in the configuration"
    assert line_of(settings("continuous", calibrated=False)) == (NOT_KNOWN, "none: no pH was shown")


def test_a_list_of_calibrations_tells_why_one_was_refused() -> None:
    body = {
        "id": "daemon.1.8",
        "at": "2026-03-01T08:00:00.000Z",
        "verdict": "refused",
        "refusals": [{"reason": "expected-value-outside", "text": "Choose buffers on both sides of it"}],
        "slope_pct": 98.4,
        "slope_expanded_uncertainty_pct": 1.2,
        "zero_mv": 3.1,
        "zero_expanded_uncertainty_mv": 1.4,
        "points": [],
        "as_found": None,
        "operator": None,
    }
    assert "refused: expected-value-outside" in calibration_table([body], Times(UTC), "one")
