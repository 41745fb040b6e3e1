"""Recognition of the buffer under the electrode."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietcell.core.electrode.buffers import BUFFER_SETS, Buffer, buffer
from quietcell.core.electrode.nernst import Line
from quietcell.core.electrode.recognition import recognise
from quietcell.errors import DomainError

SHELF = [buffer("iupac-2002", name) for name in ("phthalate", "phosphate", "borax")]


@given(
    slope_pct=st.floats(92.0, 103.0),
    zero_mv=st.floats(-20.0, 20.0),
    temperature_c=st.floats(5.0, 45.0),
    which=st.integers(0, 2),
)
def test_three_common_buffers_are_told_apart_by_any_usable_electrode(
    slope_pct: float, zero_mv: float, temperature_c: float, which: int
) -> None:
    electrode = Line(slope_pct=slope_pct, zero_mv=zero_mv)
    mv = electrode.mv(SHELF[which].ph(temperature_c), temperature_c)
    found = recognise(mv, temperature_c, SHELF, within_mv=40.0)
    assert found.buffer == SHELF[which]
    assert found.question == ""


def test_two_that_fit_are_both_named_and_none_is_chosen() -> None:
    pair = [buffer("iupac-2002", "phosphate"), buffer("iupac-2002", "phosphate-1-3.5")]
    found = recognise(-5.0, 25.0, pair, within_mv=30.0)
    assert found.buffer is None
    assert [one.name for one in found.fits] == ["phosphate", "phosphate-1-3.5"]
    assert "phosphate (iupac-2002, -13.0 mV away) or phosphate-1-3.5" in found.question


def test_the_same_buffer_in_two_sets_is_a_question_not_a_guess() -> None:
    both = [buffer("iupac-2002", "phthalate"), buffer("nbs-1962", "phthalate")]
    found = recognise(177.0, 25.0, both, within_mv=5.0)
    assert found.buffer is None
    assert "nbs-1962" in found.question


def test_none_that_fits_asks_too() -> None:
    found = recognise(90.0, 25.0, SHELF, within_mv=30.0)
    assert found.fits == ()
    assert found.buffer is None
    assert found.question.startswith("No buffer on offer explains this potential")


def test_the_last_calibration_narrows_the_choice() -> None:
    pair = [buffer("iupac-2002", "phosphate"), buffer("iupac-2002", "phosphate-1-3.5")]
    last = Line(slope_pct=98.0, zero_mv=18.0)
    mv = last.mv(pair[1].ph(25.0), 25.0)
    assert recognise(mv, 25.0, pair, within_mv=30.0).buffer is None
    assert recognise(mv, 25.0, pair, within_mv=5.0, line=last).buffer == pair[1]


def test_a_meter_whose_mv_rise_with_ph_is_recognised_by_its_line() -> None:
    rising = Line(slope_pct=-100.0, zero_mv=0.0)
    assert recognise(-176.0, 25.0, SHELF, within_mv=30.0, line=rising).buffer == SHELF[0]


def test_a_buffer_whose_table_does_not_reach_the_temperature_cannot_fit() -> None:
    everywhere: list[Buffer] = [buffer(name, "borax") for name in BUFFER_SETS]
    hot = Line(slope_pct=100.0, zero_mv=0.0).mv(everywhere[1].ph(70.0), 70.0)
    assert recognise(hot, 70.0, everywhere, within_mv=5.0).buffer == everywhere[1]


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"mv": 3000.0}, "mv: 3000 mV is outside -2000 to 2000 mV"),
        ({"temperature_c": -5.0}, "temperature_c: -5 °C is outside 0 to 100 °C"),
        ({"within_mv": 0.0}, "within_mv: 0 mV is outside 1e-06 to 1000 mV"),
        ({"on_offer": []}, "on_offer: no buffer is on offer"),
    ],
)
def test_wrong_use_names_argument_value_unit_and_range(changes: dict[str, object], message: str) -> None:
    arguments: dict[str, object] = {"mv": 0.0, "temperature_c": 25.0, "on_offer": SHELF, "within_mv": 30.0}
    with pytest.raises(DomainError) as caught:
        recognise(**(arguments | changes))  # type: ignore[arg-type]  # wrong values on purpose
    assert str(caught.value).startswith(message)
