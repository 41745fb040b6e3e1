"""What a report says of a cell in words."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC

import pytest

from quietcell.core.electrode.nernst import Line
from quietcell.report.calibration_part import calibration_table
from quietcell.report.cell_part import how_measured, line_of, what_changed
from quietcell.report.cell_report import Configuration, SettingChange
from quietcell.report.html import NOT_KNOWN, Times
from quietcell.report.settings_in_force import changes
from tests.support.streams import cell_settings


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
        changed=None,
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


def test_what_changed_in_the_settings_is_told_setting_by_setting() -> None:
    before = cell_settings(hold_up_ml=12.0)
    after = replace(
        before,
        hold_up_ml=None,
        criterion=replace(before.criterion, max_drift_mv_per_min=0.3),
        calibration_id="live-feed-room.2.7",
        line=Line(slope_pct=97.0, zero_mv=5.0),
    )

    def told(changed: Sequence[SettingChange] | None) -> str:
        return what_changed(
            replace(settings("continuous"), changed=None if changed is None else tuple(changed))
        )

    assert told(tuple(changes(before.as_json(), after.as_json()))) == (
        f"criterion.max_drift_mv_per_min: {before.criterion.max_drift_mv_per_min} → 0.3; "
        "hold_up_ml: 12.0 → none; the calibration"
    )
    assert told(tuple(changes(before.as_json(), before.as_json()))) == "nothing"
    assert told(None) == "the first of this cell"


def test_a_setting_an_older_release_did_not_record_was_none() -> None:
    now = cell_settings(hold_up_ml=12.0).as_json()
    then = {name: value for name, value in now.items() if name != "hold_up_ml"}
    assert list(changes(then, now)) == [SettingChange(setting="hold_up_ml", before=None, after=12.0)]
