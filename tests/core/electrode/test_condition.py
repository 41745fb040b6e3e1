"""Condition of an electrode as NAMUR NE 107 signals with reasons."""

from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietcell.core.electrode.condition import (
    SEVERITY,
    ConditionLimits,
    ElectrodeCondition,
    HistoryEntry,
    Signal,
    Spans,
    assess,
)
from tests.support.wrong_use import assert_refused

HEALTHY = {
    "slope_pct": 98.9,
    "zero_mv": 3.0,
    "response_time_s": 20.0,
    "noise_mv": 0.05,
    "junction_ph": 0.02,
}


def seen(**changes: float) -> ElectrodeCondition:
    return assess([HistoryEntry(day=1.0, **(HEALTHY | changes))])


def test_a_healthy_electrode_signals_nothing_and_says_why() -> None:
    condition = seen()
    assert condition.signal is Signal.NONE
    assert condition.reasons == ()
    assert len(condition.findings) == 5
    assert all("is inside" in finding.text for finding in condition.findings)


@pytest.mark.parametrize(
    ("quantity", "value", "signal"),
    [
        ("slope_pct", 92.0, Signal.MAINTENANCE_REQUIRED),
        ("slope_pct", 89.9, Signal.OUT_OF_SPECIFICATION),  # USP <791>: 90.0 to 105.0 %
        ("slope_pct", 105.1, Signal.OUT_OF_SPECIFICATION),
        ("slope_pct", 40.0, Signal.FAILURE),
        ("slope_pct", -98.0, Signal.NONE),
        ("zero_mv", -22.0, Signal.MAINTENANCE_REQUIRED),
        ("zero_mv", 30.1, Signal.OUT_OF_SPECIFICATION),  # USP <791>: 0 +- 30 mV
        ("zero_mv", -150.0, Signal.FAILURE),
        ("response_time_s", 100.0, Signal.MAINTENANCE_REQUIRED),
        ("response_time_s", 300.0, Signal.OUT_OF_SPECIFICATION),
        ("response_time_s", 2000.0, Signal.FAILURE),
        ("noise_mv", 0.5, Signal.MAINTENANCE_REQUIRED),
        ("noise_mv", 2.0, Signal.OUT_OF_SPECIFICATION),
        ("noise_mv", 20.0, Signal.FAILURE),
        ("junction_ph", -0.15, Signal.MAINTENANCE_REQUIRED),
        ("junction_ph", 0.3, Signal.OUT_OF_SPECIFICATION),
        ("junction_ph", 0.9, Signal.FAILURE),
    ],
)
def test_each_quantity_reaches_its_signal(quantity: str, value: float, signal: Signal) -> None:
    assert seen(**{quantity: value}).signal is signal


def test_the_reason_gives_value_limit_and_what_to_do() -> None:
    (reason,) = seen(zero_mv=42.0).reasons
    assert reason.startswith("zero 42.0 mV is outside -30.0 to 30.0 mV. Look at the reference")


def test_the_worst_comes_first() -> None:
    condition = seen(slope_pct=92.0, noise_mv=20.0)
    assert [finding.quantity for finding in condition.findings[:2]] == ["noise", "slope"]
    assert condition.signal is Signal.FAILURE


def test_work_on_the_electrode_is_a_function_check_that_only_a_failure_hides() -> None:
    entry = HistoryEntry(day=0.0, **(HEALTHY | {"slope_pct": 89.0}))
    assert assess([entry], being_worked_on=True).signal is Signal.FUNCTION_CHECK
    broken = HistoryEntry(day=0.0, **(HEALTHY | {"slope_pct": 20.0}))
    assert assess([broken], being_worked_on=True).signal is Signal.FAILURE


def test_what_was_never_measured_says_so_and_signals_nothing() -> None:
    condition = assess([])
    assert condition.signal is Signal.NONE
    assert next(f.text for f in condition.findings) == "slope not measured yet"


def _slopes(*values_pct: float) -> list[HistoryEntry]:
    return [HistoryEntry(day=10.0 * i, slope_pct=value) for i, value in enumerate(values_pct)]


def test_a_trend_asks_for_maintenance_before_the_limit_is_reached() -> None:
    falling = _slopes(99.5, 97.5, 95.5, 93.5)
    condition = assess(falling)
    assert condition.signal is Signal.MAINTENANCE_REQUIRED
    # 3.5 % above the limit of 90 %, falling by 0.2 % a day: 17.5 days.
    assert condition.reasons[0].startswith(
        "slope 93.5 % moves by -0.2 % per day and reaches 90.0 % in about 1"
    )
    assert assess(falling, ConditionLimits(notice_d=10.0)).signal is Signal.NONE


def test_a_falling_slope_of_a_meter_whose_mv_rise_with_ph_is_a_trend_too() -> None:
    condition = assess(_slopes(-99.5, -97.5, -95.5, -93.5))
    assert condition.signal is Signal.MAINTENANCE_REQUIRED


def test_a_trend_lost_in_the_scatter_does_not_count() -> None:
    far_ahead = ConditionLimits(notice_d=100.0)
    assert assess(_slopes(99.5, 94.0, 98.5, 93.5), far_ahead).signal is Signal.NONE
    assert assess(_slopes(99.5, 97.5, 95.5, 93.5), far_ahead).signal is Signal.MAINTENANCE_REQUIRED


def test_three_entries_make_no_trend() -> None:
    assert assess(_slopes(98.5, 96.0, 93.5)).signal is Signal.NONE


def test_an_electrode_that_grows_quicker_and_quieter_asks_for_nothing() -> None:
    better = [
        HistoryEntry(day=10.0 * i, response_time_s=40.0 - 10.0 * i, noise_mv=0.2 - 0.05 * i) for i in range(4)
    ]
    assert assess(better).signal is Signal.NONE
    worse = [HistoryEntry(day=10.0 * i, noise_mv=0.05 + 0.08 * i) for i in range(4)]
    assert assess(worse).signal is Signal.NONE
    assert assess(worse, ConditionLimits(notice_d=100.0)).signal is Signal.MAINTENANCE_REQUIRED


@given(
    slope_pct=st.floats(-120.0, 120.0),
    zero_mv=st.floats(-200.0, 200.0),
    worse_mv=st.floats(0.0, 200.0),
)
def test_a_zero_further_out_is_never_a_milder_signal(
    slope_pct: float, zero_mv: float, worse_mv: float
) -> None:
    further = zero_mv + (worse_mv if zero_mv >= 0.0 else -worse_mv)
    mild, bad = seen(slope_pct=slope_pct, zero_mv=zero_mv), seen(slope_pct=slope_pct, zero_mv=further)
    assert SEVERITY.index(bad.signal) >= SEVERITY.index(mild.signal)


def test_the_signals_are_those_of_ne_107_in_order_of_severity() -> None:
    # NAMUR NE 107: failure, function check, out of specification, maintenance required.
    assert [signal.value for signal in reversed(SEVERITY)] == [
        "failure",
        "function-check",
        "out-of-specification",
        "maintenance-required",
        "none",
    ]


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: assess([HistoryEntry(day=2.0), HistoryEntry(day=1.0)]), "history: days go back"),
        (lambda: HistoryEntry(day=0.0, noise_mv=-1.0), "noise_mv: -1 mV is outside 0 mV and above"),
        (lambda: HistoryEntry(day=float("nan")), "day: nan d is outside the finite numbers"),
        (lambda: ConditionLimits(notice_d=-1.0), "notice_d: -1 d is outside 0 to 3650 d"),
        (
            lambda: Spans(attention=(0.0, 5.0), specified=(1.0, 6.0), usable=(0.0, 9.0)),
            "spans: attention (0.0, 5.0), specified (1.0, 6.0), usable (0.0, 9.0) do not lie inside",
        ),
        (
            lambda: Spans(attention=(0.0, float("nan")), specified=(0.0, 6.0), usable=(0.0, 9.0)),
            "spans: attention (0.0, nan)",
        ),
    ],
)
def test_wrong_use_names_argument_value_unit_and_range(call: Callable[[], object], message: str) -> None:
    assert_refused(call, message)
