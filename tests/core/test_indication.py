"""What a cell says it waits for."""

from dataclasses import replace
from typing import Any

import pytest

from quietcell.core.electrode.influences import LowIonicCheck
from quietcell.core.engine import Engine
from quietcell.core.inputs import Attendance, TimeMark
from tests.support.streams import SHORT, began, cell_settings, readings

SETTINGS = cell_settings(SHORT)


@pytest.mark.parametrize(
    ("lacks", "told"),
    [
        ({"calibrated": False}, "a calibration, without which nothing is accepted; "),
        (
            {"failed_check_id": "daemon.1.8", "calibration_id": "daemon.1.4"},
            "a check like daemon.1.8, which failed, to pass; if that was of the pH, a calibration will do",
        ),
        ({"failed_check_id": "daemon.1.8"}, "a check like daemon.1.8, which failed, to pass; "),
        ({"calibration_expires_utc_ms": 0}, "a calibration, for the last has expired; "),
        ({}, "a request"),
    ],
)
def test_what_bars_every_value_is_told_before_one_has_come_to_rest(lacks: dict[str, Any], told: str) -> None:
    engine = Engine(replace(SETTINGS, mode="on-request", **lacks))
    engine.take(began())
    assert engine.indication().waits_for.startswith(told)
    engine.take(Attendance(ms=5, id="daemon.1.9", state="began", work="calibration"))
    assert engine.indication().waits_for == "whoever works at the cell (calibration)"


def test_a_value_at_rest_in_vain_is_told_once_why() -> None:
    engine = Engine(replace(SETTINGS, calibrated=False))
    for item in (began(), readings(40), TimeMark(ms=40_000)):
        engine.take(item)
    assert engine.indication().waits_for == "a calibration, without which nothing is accepted"


def test_what_a_check_found_comes_off_what_is_shown_as_off_results_but_in_no_buffer() -> None:
    check = LowIonicCheck(bias_ph=0.12, standard_uncertainty_ph=0.01)
    engine = Engine(replace(SETTINGS, low_ionic=check))
    bodies = [
        body.as_json()
        for item in (began(), readings(40, noise_mv=0.0), TimeMark(ms=40_000))
        for body in engine.take(item)
    ]
    result = next(body for body in bodies if body["record"] == "determination")
    shown = engine.indication().ph
    assert shown is not None
    assert shown == pytest.approx(result["ph"], abs=1e-3)
    engine.take(Attendance(ms=40_500, id="daemon.1.9", state="began", work="calibration"))
    in_buffer = engine.indication().ph
    assert in_buffer is not None
    assert in_buffer == pytest.approx(shown + 0.12)
