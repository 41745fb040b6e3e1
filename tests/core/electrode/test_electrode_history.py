"""The condition of an electrode from the records of its calibrations and checks."""

from typing import Any

from quietcell.core.electrode.condition import Signal
from quietcell.core.electrode_history import condition_of
from quietcell.core.times import DAY_MS, rfc3339


def calibration(
    day: int, slope_pct: float, *, refused_for: tuple[str, ...] = (), **more: Any
) -> dict[str, Any]:
    return {
        "record": "calibration",
        "at": rfc3339(1_790_000_000_000 + day * DAY_MS),
        "refusals": [{"reason": reason, "text": ""} for reason in refused_for],
        "slope_pct": slope_pct,
        "zero_mv": 3.0,
        "response_time_s": None,
        "noise_mv": 0.02,
        **more,
    }


def test_a_slope_that_falls_towards_its_limit_asks_for_care_before_it_is_there() -> None:
    bodies = [calibration(day, 99.0 - 0.15 * day) for day in (0, 10, 20, 30, 38)]
    condition = condition_of(bodies)
    assert condition.signal is Signal.MAINTENANCE_REQUIRED
    assert "moves by -0.15 % per day and reaches 90.0 %" in condition.reasons[0]
    assert condition_of(bodies[:3]).signal is Signal.NONE


def test_a_slow_response_is_told() -> None:
    condition = condition_of([calibration(0, 98.0, response_time_s=75.0)])
    assert condition.reasons[0].startswith("response time 75 s is outside")


def test_a_worn_electrode_counts_and_an_old_buffer_does_not() -> None:
    worn = calibration(1, 85.0, refused_for=("slope-out-of-limits",))
    assert condition_of([calibration(0, 98.0), worn]).signal is Signal.OUT_OF_SPECIFICATION
    old = calibration(2, 85.0, refused_for=("slope-out-of-limits", "buffer-expired"))
    assert condition_of([calibration(0, 98.0), old]).signal is Signal.NONE


def test_the_bias_of_a_low_ionic_check_is_the_junctions() -> None:
    at = rfc3339(1_790_000_000_000)
    check = {"record": "check", "at": at, "low_ionic": {"bias_ph": 0.15}}
    assert condition_of([check]).reasons[0].startswith("bias in water of low ionic strength 0.15 pH")
    assert condition_of([{"record": "check", "at": at}]).signal is Signal.NONE
