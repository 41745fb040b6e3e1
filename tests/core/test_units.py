"""Units of meters."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietcell.core.units import UNITS, find_unit, platinum_ratio, platinum_temperature_c

# IEC 60751 table of Pt100 in ohm, printed to 0.01 ohm.
PT100_TABLE = {
    -50: 80.31,
    -40: 84.27,
    -30: 88.22,
    -10: 96.09,
    0: 100.00,
    10: 103.90,
    20: 107.79,
    30: 111.67,
    40: 115.54,
    50: 119.40,
    70: 127.08,
    100: 138.51,
}


@pytest.mark.parametrize(("temperature_c", "ohm"), PT100_TABLE.items())
def test_platinum_agrees_with_the_table_of_iec_60751(temperature_c: float, ohm: float) -> None:
    assert 100.0 * platinum_ratio(temperature_c) == pytest.approx(ohm, abs=0.0051)
    # 0.005 ohm of rounding are 0.013 °C.
    assert platinum_temperature_c(ohm / 100.0) == pytest.approx(temperature_c, abs=0.014)


@given(st.floats(-200.0, 850.0))
def test_platinum_there_and_back(temperature_c: float) -> None:
    assert platinum_temperature_c(platinum_ratio(temperature_c)) == pytest.approx(temperature_c, abs=1e-6)


@pytest.mark.parametrize("ratio", [-1.0, 0.0, 0.18, 3.91, math.inf])
def test_a_resistance_outside_the_table_stands_for_no_temperature(ratio: float) -> None:
    assert math.isnan(platinum_temperature_c(ratio))


@pytest.mark.parametrize(
    ("quantity", "unit", "number", "expected"),
    [
        ("mv", "V", -0.10231, -102.31),
        ("temperature_c", "K", 298.15, 25.0),
        ("temperature_c", "°F", 77.0, 25.0),
        ("temperature_c", "degF", 212.0, 100.0),
        ("temperature_c", "Pt1000 ohm", 1097.347, 25.0),
        ("temperature_c", "Pt100 Ω", 84.2707, -40.0),
        ("conductivity_us_cm", "nS/cm", 55.0, 0.055),
        ("conductivity_us_cm", "mS/cm", 0.055, 55.0),
        ("conductivity_us_cm", "mS/m", 0.0055, 0.055),
        ("conductivity_us_cm", "S/m", 5.5e-6, 0.055),
        ("conductivity_us_cm", "MΩ·cm", 18.18, 0.0550055),
        ("flow_ml_min", "L/h", 6.0, 100.0),
    ],
)
def test_units_convert_to_those_of_the_reading(
    quantity: str, unit: str, number: float, expected: float
) -> None:
    found = find_unit(quantity, unit)
    assert found is not None
    assert found.to_reading(number) == pytest.approx(expected, rel=1e-5, abs=1e-3)


@pytest.mark.parametrize("spelling", ["\u00b5S/cm", "\u03bcS/cm", "uS/cm"])
def test_either_micro_sign_is_understood(spelling: str) -> None:
    unit = find_unit("conductivity_us_cm", spelling)
    assert unit is not None
    assert unit.name == "µS/cm"


@pytest.mark.parametrize(
    "spelling", ["M\u2126\u00b7cm", "M\u03a9\u22c5cm", "MOhm cm".replace("O", "o"), "Mohm*cm"]
)
def test_either_ohm_sign_and_any_product_dot_are_understood(spelling: str) -> None:
    unit = find_unit("conductivity_us_cm", spelling)
    assert unit is not None
    assert unit.name == "MΩ·cm"


def test_case_is_not_folded_since_it_carries_the_prefix() -> None:
    assert find_unit("conductivity_us_cm", "MS/m") is None


@given(quantity=st.sampled_from(list(UNITS)), index=st.integers(0, 9), value=st.floats(0.01, 300.0))
def test_every_unit_goes_there_and_back(quantity: str, index: int, value: float) -> None:
    units = UNITS[quantity]
    unit = units[index % len(units)]
    assert unit.to_reading(unit.from_reading(value)) == pytest.approx(value, rel=1e-9, abs=1e-6)


@given(quantity=st.sampled_from(list(UNITS)), text=st.text(max_size=8))
def test_looking_up_any_text_never_raises(quantity: str, text: str) -> None:
    find_unit(quantity, text)
