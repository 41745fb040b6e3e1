"""What a person may answer before a calibration is used, and what no answer helps."""

from datetime import date

from quietcell.core.calibration_record import Before, Bottle, Judged, judge_calibration
from quietcell.core.electrode.buffers import buffer
from quietcell.core.electrode.nernst import Line


def judged(
    meter: Line, *, before: Line | None = None, names: tuple[str, ...] = ("phthalate", "borax")
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
        expected_ph=None,
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
