"""What clears a failed check and what does not."""

from quietcell.core.records import Json
from quietcell.service.in_force import InForce


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
