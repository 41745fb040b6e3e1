"""What a person may answer before a calibration is used, and what no answer helps."""

from datetime import date

import pytest

from quietcell.core.calibration_record import Before, Bottle, Judged, judge_calibration
from quietcell.core.electrode.buffers import buffer
from quietcell.core.electrode.nernst import Line


def judged(
    meter: Line,
    *,
    before: Line | None = None,
    names: tuple[str, ...] = ("phthalate", "borax"),
    expected_ph: tuple[float, float] | None = None,
) -> Judged:
    """Calibrate a meter in buffers at 25 °C."""
    bottles = [
        Bottle(
            buffer=buffer("iupac-2002", name),
            measurement={
                "id": name,
                "verdict": "accepted",
                "mv": meter.mv(buffer("iupac-2002", name).ph(25.0), 25.0),
                "mv_standard_uncertainty": 0.05,
                "temperature_c": 25.0,
                "response_time_s": None,
                "noise_mv": 0.02,
            },
        )
        for name in names
    ]
    return judge_calibration(
        bottles,
        before=None if before is None else Before(line=before),
        on=date(2026, 11, 27),
        expected_ph=expected_ph,
        temperature_standard_uncertainty_c=0.1,
    )


RISING, FALLING = Line(slope_pct=-98.0, zero_mv=3.0), Line(slope_pct=98.0, zero_mv=3.0)


def test_a_meter_whose_mv_rise_with_ph_is_asked_about_where_nothing_was_calibrated_before() -> None:
    first = judged(RISING)
    assert first.against == ()
    assert [one.reason for one in first.questions] == ["slope-sign"]
    later = judged(RISING, before=RISING)
    assert (later.against, later.questions) == ((), ())


def test_a_slope_that_turned_round_is_refused_whatever_anybody_answers() -> None:
    assert [one.reason for one in judged(RISING, before=FALLING).against] == ["slope-sign"]


def test_an_answer_about_the_sign_excuses_no_tired_electrode() -> None:
    tired = judged(Line(slope_pct=-84.0, zero_mv=3.0))
    assert [one.reason for one in tired.against] == ["slope-out-of-limits"]


def test_as_found_says_how_much_too_high_or_low_the_old_line_read() -> None:
    """By the Nernst equation, 98 % of 59.16 mV a pH unit at 25 °C: 4 mV more are 0.069 less in pH."""
    for shift_mv in (4.0, -4.0):
        old = Line(slope_pct=98.0, zero_mv=FALLING.zero_mv - shift_mv)
        as_found = judged(FALLING, before=old).as_found
        assert as_found is not None
        assert as_found.worst_deviation_ph == pytest.approx(-shift_mv / (0.98 * 59.16), abs=1e-3)
        assert as_found.out_of_limit is (abs(as_found.worst_deviation_ph) > as_found.limit_ph)


def test_a_value_expected_at_the_very_buffers_is_bracketed() -> None:
    ends = judged(FALLING).calibration.bracket_ph
    for expected_ph, reasons in (
        (ends, []),
        ((ends[0] - 0.01, ends[1]), ["expected-value-outside"]),
        ((ends[0], ends[1] + 0.01), ["expected-value-outside"]),
    ):
        told = judged(FALLING, expected_ph=expected_ph)
        assert [one.reason for one in (*told.questions, *told.against)] == reasons
