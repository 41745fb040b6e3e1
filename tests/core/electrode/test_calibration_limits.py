"""Refusals of calibrations and buffer checks, each with its reason."""

from datetime import date

import pytest

from quietcell.core.electrode.buffers import Buffer, buffer
from quietcell.core.electrode.calibration import Calibration, CalibrationPoint, calibrate
from quietcell.core.electrode.calibration_limits import (
    CalibrationLimits,
    check_line,
    refusals,
)
from quietcell.core.electrode.nernst import Line
from quietcell.errors import DomainError

PHTHALATE, PHOSPHATE, BORAX = (buffer("iupac-2002", name) for name in ("phthalate", "phosphate", "borax"))
BRACKET_PH = (PHTHALATE.ph(25.0), BORAX.ph(25.0))


def at(electrode: Line, bottle: Buffer, temperature_c: float = 25.0, off_mv: float = 0.0) -> CalibrationPoint:
    mv = electrode.mv(bottle.ph(temperature_c), temperature_c) + off_mv
    return CalibrationPoint(buffer=bottle, mv=mv, temperature_c=temperature_c)


def two_points(slope_pct: float = 99.0, zero_mv: float = 2.0) -> Calibration:
    electrode = Line(slope_pct=slope_pct, zero_mv=zero_mv)
    return calibrate([at(electrode, PHTHALATE), at(electrode, BORAX)])


def reasons(calibration: Calibration, limits: CalibrationLimits | None = None, **others: object) -> list[str]:
    found = refusals(calibration, limits or CalibrationLimits(), **others)  # type: ignore[arg-type]  # passed on
    assert all(refusal.text for refusal in found)
    return [refusal.reason for refusal in found]


@pytest.mark.parametrize(
    ("slope_pct", "good"), [(89.9, False), (90.1, True), (104.9, True), (105.1, False), (98.0, True)]
)
def test_the_slope_limits_are_those_of_usp_791(slope_pct: float, good: bool) -> None:
    # USP <791> since USP 39: 90.0 to 105.0 % of theory.
    assert reasons(two_points(slope_pct=slope_pct)) == ([] if good else ["slope-out-of-limits"])


@pytest.mark.parametrize(("zero_mv", "good"), [(29.9, True), (30.1, False), (-29.9, True), (-30.1, False)])
def test_the_zero_limit_is_that_of_usp_791(zero_mv: float, good: bool) -> None:
    # USP <791>: 0 +- 30 mV, 0.5 pH at 25 °C.
    assert reasons(two_points(zero_mv=zero_mv)) == ([] if good else ["zero-out-of-limits"])


def test_the_narrower_slope_of_the_european_pharmacopoeia_can_be_asked_for() -> None:
    # Ph. Eur. 2.2.3: 95 to 105 % (from memory).
    assert reasons(two_points(slope_pct=93.0), CalibrationLimits(min_slope_pct=95.0)) == [
        "slope-out-of-limits"
    ]


def test_swapped_buffers_show_as_a_slope_of_the_wrong_sign() -> None:
    electrode = Line(slope_pct=99.0, zero_mv=2.0)
    swapped = calibrate(
        [
            CalibrationPoint(buffer=PHTHALATE, mv=at(electrode, BORAX).mv, temperature_c=25.0),
            CalibrationPoint(buffer=BORAX, mv=at(electrode, PHTHALATE).mv, temperature_c=25.0),
        ]
    )
    first, *_ = refusals(swapped)
    assert first.reason == "slope-sign"
    assert "swapped" in first.text
    # Taken for a meter whose mV rise, they show by the zero alone.
    (found,) = refusals(swapped, CalibrationLimits(rising_mv=True))
    assert found.reason == "zero-out-of-limits"
    assert "swapped" in found.text


def test_a_meter_whose_mv_rise_with_ph_passes_when_it_is_said() -> None:
    assert reasons(two_points(slope_pct=-98.0), CalibrationLimits(rising_mv=True)) == []
    assert reasons(two_points(slope_pct=98.0), CalibrationLimits(rising_mv=True)) == ["slope-sign"]


def test_a_single_point_is_refused_unless_it_is_allowed() -> None:
    one = calibrate([at(Line(slope_pct=100.0, zero_mv=2.0), PHOSPHATE)])
    assert reasons(one) == ["too-few-points"]
    assert reasons(one, CalibrationLimits(min_points=1)) == []


def test_buffers_too_close_or_too_far_apart_are_refused() -> None:
    electrode = Line(slope_pct=99.0, zero_mv=2.0)
    close = calibrate([at(electrode, PHOSPHATE), at(electrode, buffer("iupac-2002", "phosphate-1-3.5"))])
    assert "buffer-span-out-of-limits" in reasons(close)
    assert reasons(two_points(), CalibrationLimits(max_buffer_span_ph=4.0)) == ["buffer-span-out-of-limits"]


def test_points_at_differing_temperatures_need_the_isopotential_point() -> None:
    electrode = Line(slope_pct=99.0, zero_mv=2.0)
    points = [at(electrode, PHTHALATE, 20.0), at(electrode, BORAX, 20.0), at(electrode, PHOSPHATE, 45.0)]
    assert reasons(calibrate(points)) == ["temperatures-apart"]
    assert reasons(calibrate(points, fit_isopotential=True)) == []


def test_an_isopotential_point_far_from_any_electrode_is_refused() -> None:
    electrode = Line(slope_pct=99.0, zero_mv=2.0, isopotential_ph=3.0)
    points = [at(electrode, PHTHALATE, 20.0), at(electrode, BORAX, 20.0), at(electrode, PHOSPHATE, 45.0)]
    assert reasons(calibrate(points, fit_isopotential=True)) == ["isopotential-out-of-limits"]


def test_a_bottle_past_its_day_is_refused_and_named() -> None:
    old = buffer("iupac-2002", "phthalate", lot="M-17", expires=date(2026, 6, 30))
    electrode = Line(slope_pct=99.0, zero_mv=2.0)
    calibration = calibrate([at(electrode, old), at(electrode, BORAX)])
    assert reasons(calibration) == []
    assert reasons(calibration, on=date(2026, 6, 30)) == []
    (refusal,) = refusals(calibration, on=date(2026, 7, 1))
    assert refusal.reason == "buffer-expired"
    assert "phthalate, lot M-17, expired on 2026-06-30" in refusal.text


def test_a_point_off_the_line_is_named() -> None:
    electrode = Line(slope_pct=99.0, zero_mv=2.0)
    points = [at(electrode, PHTHALATE), at(electrode, PHOSPHATE, off_mv=12.0), at(electrode, BORAX)]
    found = refusals(calibrate(points))
    residual = [refusal.text for refusal in found if refusal.reason == "residual-too-large"]
    assert residual
    assert residual[0].startswith("phosphate lies -0.1")


def test_a_slope_that_is_hardly_known_is_refused() -> None:
    rough = buffer("iupac-2002", "borax", bottle_standard_uncertainty_ph=0.2)
    electrode = Line(slope_pct=99.0, zero_mv=2.0)
    assert reasons(calibrate([at(electrode, PHTHALATE), at(electrode, rough)])) == ["slope-not-known"]


def test_a_leap_since_the_last_calibration_is_refused() -> None:
    before = Line(slope_pct=99.0, zero_mv=20.0)
    assert reasons(two_points(), previous=before) == ["zero-changed"]
    assert reasons(two_points(slope_pct=92.0, zero_mv=18.0), previous=before) == ["slope-changed"]
    assert reasons(two_points(zero_mv=18.0), previous=before) == []


@pytest.mark.parametrize(("off_mv", "good"), [(2.8, True), (-2.8, True), (3.1, False), (-3.1, False)])
def test_a_check_buffer_may_be_0_05_ph_off(off_mv: float, good: bool) -> None:
    # USP <791> and Ph. Eur. 2.2.3: 0.05 pH; 0.05 pH is 2.93 mV at 99 % and 25 °C.
    electrode = Line(slope_pct=99.0, zero_mv=2.0)
    check = check_line(electrode, at(electrode, PHOSPHATE, off_mv=off_mv), bracket_ph=BRACKET_PH)
    assert [refusal.reason for refusal in check.refusals] == ([] if good else ["check-buffer-off"])
    assert check.between_buffers
    assert check.deviation_ph == pytest.approx(-off_mv / 58.57, abs=1e-3)


def test_a_check_buffer_outside_the_calibration_buffers_is_refused() -> None:
    # USP <791>: the check buffer lies between the two calibration buffers.
    electrode = Line(slope_pct=99.0, zero_mv=2.0)
    carbonate = at(electrode, buffer("iupac-2002", "carbonate"))
    check = check_line(electrode, carbonate, bracket_ph=BRACKET_PH)
    assert not check.between_buffers
    assert [refusal.reason for refusal in check.refusals] == ["check-buffer-outside"]


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"min_points": 0}, "min_points: 0 points is outside 1 to 5 points"),
        ({"max_zero_mv": -1.0}, "max_zero_mv: -1 mV is outside 0 to 1000 mV"),
        ({"min_slope_pct": 110.0}, "min_slope_pct: 110 % is outside 0 to 105 %"),
        ({"max_residual_ph": float("nan")}, "max_residual_ph: nan is outside 0 to 14"),
    ],
)
def test_a_limit_that_is_none_is_named(changes: dict[str, float], message: str) -> None:
    with pytest.raises(DomainError) as caught:
        CalibrationLimits(**changes)  # type: ignore[arg-type]  # wrong values on purpose
    assert str(caught.value).startswith(message)


def test_a_check_needs_a_limit_above_zero() -> None:
    electrode = Line(slope_pct=99.0, zero_mv=2.0)
    with pytest.raises(DomainError, match="max_deviation_ph: 0 is outside"):
        check_line(electrode, at(electrode, PHOSPHATE), bracket_ph=None, max_deviation_ph=0.0)
