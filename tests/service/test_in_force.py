"""What clears a failed check and what does not."""

import math

import pytest

from quietcell.core.records import Json
from quietcell.service.in_force import InForce, with_in_force
from tests.support.streams import cell_settings


def check(method: str, verdict: str, at: str) -> dict[str, Json]:
    return {"record": "check", "id": f"{method} {at}", "method": method, "verdict": verdict, "at": at}


def calibration(verdict: str, at: str) -> dict[str, Json]:
    return {"record": "calibration", "id": f"calibration {at}", "verdict": verdict, "at": at}


def after(*bodies: dict[str, Json], fixed: bool = False) -> InForce:
    found = InForce()
    for body in bodies:
        found = found.behind(body, fixed=fixed)
    return found


FAILED = check("buffer", "failed", "01")


def test_a_failed_check_is_cleared_by_one_that_passes_of_the_same() -> None:
    assert after(FAILED).failed_check == FAILED
    for method in ("buffer", "comparison"):
        assert after(FAILED, check(method, "passed", "02")).failed_check is None
    for method in ("temperature", "low-ionic"):
        assert after(FAILED, check(method, "passed", "02")).failed_check == FAILED


def test_a_calibration_clears_what_buffers_tell_and_no_thermometer() -> None:
    warm = check("temperature", "failed", "02")
    assert after(FAILED, calibration("accepted", "03")).failed_check is None
    assert after(FAILED, warm, calibration("accepted", "03")).failed_check == warm
    for verdict in ("declined", "refused"):
        assert after(FAILED, calibration(verdict, "03")).failed_check == FAILED


def test_a_calibration_nobody_works_with_clears_nothing() -> None:
    found = after(FAILED, calibration("accepted", "03"), fixed=True)
    assert found.failed_check == FAILED
    assert found.good_since("buffer") is None


def test_what_is_in_doubt_begins_at_the_last_good_one_of_the_same() -> None:
    found = after(
        calibration("accepted", "01"),
        check("temperature", "passed", "02"),
        check("low-ionic", "passed", "03"),
    )
    since = {
        method: found.good_since(method) for method in ("buffer", "comparison", "temperature", "low-ionic")
    }
    assert since == {"buffer": "01", "comparison": "01", "temperature": "02", "low-ionic": "03"}


def line_of(name: str, at: str) -> dict[str, Json]:
    """A calibration that knows its zero to 0.6 mV."""
    zero_alone = [[0.0, 0.0, 0.0], [0.0, 0.36, 0.0], [0.0, 0.0, 0.0]]
    return {
        **calibration("accepted", at),
        "id": name,
        "slope_pct": 100.0,
        "zero_mv": 0.0,
        "isopotential_ph": 7.0,
        "slope_expanded_uncertainty_pct": 0.0,
        "zero_expanded_uncertainty_mv": 1.2,
        "errors": [{"source": "buffers", "covariance": zero_alone, "assumed": False}],
        "temperature_c": 25.0,
        "bracket_ph": [4.0, 10.0],
        "expires": None,
        "points": [],
    }


def low_ionic(read_by: str | None, at: str) -> dict[str, Json]:
    solutions = [{"found_ph": ph, "temperature_c": 25.0} for ph in (5.0, 7.0, 9.0)]
    found = {"bias_ph": 0.05, "standard_uncertainty_ph": 0.01, "solutions": solutions}
    covers = {"lowest_conductivity_us_cm": 0.0, "highest_conductivity_us_cm": 20.0}
    return {**check("low-ionic", "passed", at), "calibration_id": read_by, "low_ionic": {**found, **covers}}


def test_a_low_ionic_check_keeps_the_error_of_the_line_it_was_read_by_beyond_the_next_calibration() -> None:
    first = line_of("first", "2026-11-01T00:00:00.000Z")
    checked = low_ionic("first", "2026-11-11T00:00:00.000Z")
    same = with_in_force(cell_settings(), after(first, checked), fixed=False).low_ionic
    found = after(first, checked, line_of("second", "2026-11-12T00:00:00.000Z"))
    other = with_in_force(cell_settings(), found, fixed=False).low_ionic
    assert same is not None
    assert other is not None
    assert same.line_standard_uncertainty_ph == 0.0
    # 0.6 mV of zero, and ten days of drift within 0.2 mV a day as a rectangle (GUM 4.3.7), at 59.159 mV/pH.
    expected = math.hypot(0.6, 2.0 / math.sqrt(3.0)) / 59.159
    assert other.line_standard_uncertainty_ph == pytest.approx(expected, rel=1e-4)


def test_a_check_by_a_line_from_the_configuration_is_not_known_better_than_such_lines_are() -> None:
    found = after(low_ionic(None, "2026-11-11T00:00:00.000Z"), line_of("first", "2026-11-12T00:00:00.000Z"))
    low = with_in_force(cell_settings(), found, fixed=False).low_ionic
    assert low is not None
    assert low.line_standard_uncertainty_ph > 1.5 / 59.2
