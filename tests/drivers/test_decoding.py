"""Lines to quantities."""

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from quietcell.core.readings import NO_FLAG, Flag
from quietcell_drivers.decoding import Decoded, LineDecoder, Undecodable
from quietcell_drivers.framing import Line
from quietcell_drivers.line_format import LineFormatSettings, unescape
from quietcell_drivers.line_reader import LineReader

PLAIN: dict[str, Any] = {"columns": ["mv", "temperature_c"]}


def decode(line: bytes, **settings: Any) -> Decoded | Undecodable:
    return LineDecoder(LineFormatSettings(**(settings or PLAIN))).decode(line)


def reading(line: bytes, **settings: Any) -> Decoded:
    decoded = decode(line, **settings)
    assert isinstance(decoded, Decoded), decoded
    return decoded


def test_two_columns_and_a_semicolon_are_the_default() -> None:
    assert reading(b"-102.31;25.04\r") == Decoded(-102.31, 25.04, None, None, NO_FLAG)


@pytest.mark.parametrize(
    "line",
    [
        b"",
        b"-102.31",
        b"-102.31;25.04;",
        b"-102.31;25.04-102.30;25.05",
        b"nan;25.04",
        b"inf;25.04",
        b"1e999;25.04",
        b"1_0;25.04",
        b"0x10;25.04",
        b"-;25.04",
        b"--1;25.04",
        b"12.3.4;25.04",
        b"1,5;25.04",
        b"\xb2;25.04",
        b";",
        b"\xff\xfe\x80",
    ],
)
def test_what_is_not_a_number_is_never_a_reading(line: bytes) -> None:
    assert isinstance(decode(line), Undecodable)


@given(line=st.binary(max_size=64), encoding=st.sampled_from(["latin-1", "utf-8", "ascii", "cp437"]))
def test_decoding_never_raises_and_yields_only_finite_numbers(line: bytes, encoding: str) -> None:
    decoder = LineDecoder(
        LineFormatSettings(
            columns=["mv", "temperature_c", "conductivity_us_cm", "status"],
            delimiter=" ",
            encoding=encoding,
            units={"temperature_c": "Pt100 ohm", "conductivity_us_cm": "MΩ·cm"},
            status={"OL": "meter-overrange"},
        )
    )
    decoded = decoder.decode(line)
    if isinstance(decoded, Decoded):
        values = [decoded.mv, decoded.temperature_c, decoded.conductivity_us_cm, decoded.flow_ml_min]
        assert all(value is None or math.isfinite(value) for value in values)


number_texts = st.text(alphabet="0123456789+-.,eE_ nifa\u0661", max_size=12)


@given(mv=number_texts, temperature=number_texts)
def test_whatever_looks_like_a_number_is_read_as_python_reads_it_or_not_at_all(
    mv: str, temperature: str
) -> None:
    decoded = decode(f"{mv};{temperature}".encode(), encoding="utf-8", **PLAIN)
    if isinstance(decoded, Decoded) and decoded.mv is not None:
        assert decoded.mv == float(mv.replace(" ", ""))


@given(mv=st.floats(-2000, 2000), temperature=st.floats(0, 100))
def test_numbers_come_through_exactly(mv: float, temperature: float) -> None:
    assert reading(f"{mv!r};{temperature!r}".encode()) == Decoded(mv, temperature, None, None, NO_FLAG)


def test_an_empty_field_is_not_measured() -> None:
    decoded = reading(b"-102.31,,0.06", columns=["mv", "temperature_c", "conductivity_us_cm"], delimiter=",")
    assert decoded == Decoded(-102.31, None, 0.06, None, NO_FLAG)


def test_a_trailing_empty_field_counts_even_with_tabs() -> None:
    assert reading(b"-102.31\t", delimiter="\\t", **PLAIN) == Decoded(-102.31, None, None, None, NO_FLAG)


def test_a_blank_as_delimiter_stands_for_any_run_of_blanks() -> None:
    decoded = reading(b"  7 -102.31   25.04 ", columns=["-", "mv", "temperature_c"], delimiter=" ")
    assert (decoded.mv, decoded.temperature_c) == (-102.31, 25.04)


def test_decimal_comma() -> None:
    assert reading(b"-102,31;25,04", decimal_comma=True, **PLAIN).mv == -102.31
    assert isinstance(decode(b"-1.102,31;25,04", decimal_comma=True, **PLAIN), Undecodable)


def test_a_number_with_the_other_decimal_mark_is_told_as_such() -> None:
    told = decode(b"-102,31;25,04", **PLAIN)
    assert told == Undecodable("a decimal comma where decimal_comma is false")
    told = decode(b"-102.31;25.04", decimal_comma=True, **PLAIN)
    assert told == Undecodable("a decimal point where decimal_comma is true")


def test_units_behind_the_numbers_are_understood_in_latin_1() -> None:
    decoded = reading(
        "-0.10231 V;77.0 °F;0.1 mS/m;6 L/h".encode("latin-1"),
        columns=["mv", "temperature_c", "conductivity_us_cm", "flow_ml_min"],
    )
    assert decoded.mv == pytest.approx(-102.31)
    assert decoded.temperature_c == pytest.approx(25.0)
    assert decoded.conductivity_us_cm == pytest.approx(1.0)
    assert decoded.flow_ml_min == pytest.approx(100.0)


def test_the_micro_sign_of_latin_1_is_one_byte() -> None:
    decoded = reading(b"-102.31 mV;0.055 \xb5S/cm", columns=["mv", "conductivity_us_cm"])
    assert decoded.conductivity_us_cm == 0.055


def test_an_unknown_unit_behind_a_number_is_no_reading() -> None:
    assert decode(b"-102.31 pH;25.04") == Undecodable("unknown unit behind a number")


def test_ohms_behind_a_number_are_those_of_the_configured_element() -> None:
    decoded = reading(b"-102.31;1097.347 ohm", units={"temperature_c": "Pt1000 ohm"}, **PLAIN)
    assert decoded.temperature_c == pytest.approx(25.0, abs=1e-3)


@pytest.mark.parametrize("ohm", [b"0.2", b"999999"])
def test_a_shorted_or_open_thermometer_leaves_the_potential_and_a_flag(ohm: bytes) -> None:
    decoded = reading(b"-102.31;" + ohm, units={"temperature_c": "Pt100 ohm"}, **PLAIN)
    assert decoded == Decoded(-102.31, None, None, None, Flag.METER_OVERRANGE)


def test_a_resistivity_of_zero_is_no_conductivity() -> None:
    decoded = reading(
        b"1;0.00", columns=["mv", "conductivity_us_cm"], units={"conductivity_us_cm": "Mohm.cm"}
    )
    assert decoded == Decoded(1.0, None, None, None, Flag.METER_OVERRANGE)


STATUS: dict[str, Any] = {
    "columns": ["mv", "temperature_c", "status"],
    "status": {"OK": "", "~": "meter-unstable", "OL": "meter-overrange", "SERVICE ON": "operator"},
}


@pytest.mark.parametrize(
    ("line", "flags"),
    [
        (b"1;2;OK", NO_FLAG),
        (b"1;2;", NO_FLAG),
        (b"1;2;~", Flag.METER_UNSTABLE),
        (b"1;2;~ OL", Flag.METER_UNSTABLE | Flag.METER_OVERRANGE),
        (b"1;2;SERVICE ON", Flag.OPERATOR),
        (b"1;2;E17", Flag.METER_STATUS),
    ],
)
def test_status_words_become_flags_and_unknown_ones_count_against_the_reading(
    line: bytes, flags: Flag
) -> None:
    assert reading(line, **STATUS).flags == flags


def test_a_status_word_in_place_of_a_number_is_not_measured_and_flagged() -> None:
    assert reading(b"OL;25.0;OK", **STATUS) == Decoded(None, 25.0, None, None, Flag.METER_OVERRANGE)


def test_a_pattern_takes_named_groups_and_must_fit_the_whole_line() -> None:
    settings: dict[str, Any] = {
        "pattern": r"E=(?P<mv>[-+.\d]+)mV T=(?P<temperature_c>[.\d]+) "
        r"K=(?P<conductivity_us_cm>[.\d]+)(?P<conductivity_us_cm_unit>\S+)( (?P<status>\w+))?",
        "status": {"HOLD": "operator"},
    }
    decoded = reading(b"E=-102.31mV T=25.04 K=0.55mS/m HOLD", **settings)
    assert decoded == Decoded(-102.31, 25.04, 5.5, None, Flag.OPERATOR)
    assert reading(b"E=-102.31mV T=25.04 K=0.55uS/cm", **settings).conductivity_us_cm == 0.55
    assert isinstance(decode(b"E=-102.31mV T=25.04 K=0.55mS/m HOLD E=1mV", **settings), Undecodable)


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        ({}, "either columns or pattern"),
        ({"columns": ["mv"], "pattern": "(?P<mv>.*)"}, "either columns or pattern"),
        ({"columns": ["mV"]}, "did you mean 'mv'"),
        ({"columns": ["temperature_c"]}, "no column 'mv'"),
        ({"columns": ["mv", "mv"]}, "appears 2 times"),
        ({"pattern": "(?P<mv>"}, "not a regular expression"),
        ({"pattern": "(?P<potential>.*)"}, "'potential' is no group"),
        ({"pattern": ".*"}, "no group 'mv'"),
        ({**PLAIN, "units": {"mv": "kV"}}, "'kV' is no unit of it; allowed: mV, V"),
        ({**PLAIN, "units": {"mV": "mV"}}, "did you mean 'mv'"),
        ({**PLAIN, "status": {"x": "meter-overange"}}, "did you mean 'meter-overrange'"),
        ({**PLAIN, "encoding": "utf-16"}, "no usable character set"),
        ({**PLAIN, "encoding": "klingon"}, "no usable character set"),
        ({**PLAIN, "encoding": "ascii", "terminator": "µ"}, "does not exist in ascii"),
        ({**PLAIN, "terminator": ""}, "gap_s"),
        ({**PLAIN, "gap_s": 0.1}, "gap_s"),
        ({**PLAIN, "delimiter": ""}, "delimiter is empty"),
        ({**PLAIN, "delimiter": "\\q"}, "begins no escape"),
        ({**PLAIN, "delimiter": ",", "decimal_comma": True}, "exclude each other"),
        ({**PLAIN, "max_line_bytes": 1}, "greater than or equal to 4"),
        ({**PLAIN, "colums": []}, "Extra inputs are not permitted"),
    ],
)
def test_a_wrong_setting_is_refused_with_what_is_allowed(settings: dict[str, Any], message: str) -> None:
    with pytest.raises(ValidationError, match=message):
        LineFormatSettings(**settings)


def test_escapes_and_the_characters_they_stand_for_mean_the_same() -> None:
    assert unescape("?\\r\\n\\x02\\\\") == "?\r\n\x02\\"
    assert unescape("?\r\n") == "?\r\n"


def test_every_setting_is_described() -> None:
    assert all(field.description for field in LineFormatSettings.model_fields.values())


@pytest.mark.parametrize("line", [b"00071+041352107", b"+04135;2107", b"4135;2107"])
def test_numbers_without_their_decimal_point_are_scaled(line: bytes) -> None:
    layout: dict[str, Any] = (
        {"columns": ["mv", "temperature_c"]}
        if b";" in line
        else {"pattern": r"\d{5}(?P<mv>.{6})(?P<temperature_c>\d{4})"}
    )
    decoder = LineDecoder(LineFormatSettings(**layout, scale={"mv": 0.01, "temperature_c": 0.01}))
    values = decoder.values(line)
    assert not isinstance(values, Undecodable)
    assert values[:2] == pytest.approx((41.35, 21.07))


@pytest.mark.parametrize("scale", [{"mv": 0.0}, {"mv": float("inf")}, {"ph": 0.1}])
def test_a_scale_that_makes_no_number_is_refused(scale: dict[str, float]) -> None:
    with pytest.raises(ValidationError, match=r"makes no number|no quantity with a scale"):
        LineFormatSettings(columns=["mv"], scale=scale)


def test_lines_to_ignore_are_no_faults_and_all_others_are() -> None:
    reader = LineReader(LineFormatSettings(**PLAIN, ignore=r"#2;.*|\*\*\* .* \*\*\*"))
    said = (b"25.0;21.0", b"#2;140.0;21.0", b"*** tally box ***\r", b"25.1;21.0", b"#3;1;2", b"25.2;21.0")
    found = [reader.reading(Line(line), 0) for line in said]
    assert [None if r is None else r.flags for r in found] == [
        NO_FLAG, None, None, NO_FLAG, None, Flag.AFTER_ERROR
    ]  # fmt: skip
    assert reader.counts.reasons == {"another number of fields than the 2 of columns": 1}


def test_a_line_to_ignore_is_no_reading_though_it_could_be_one() -> None:
    reader = LineReader(LineFormatSettings(columns=["-", "mv"], ignore="2;.*"))
    assert [row[1] for row in reader.rows([b"1;25.0", b"2;140.0", b"1;25.1"], [0, 1, 2], [0, 0, 0])] == [
        25.0,
        25.1,
    ]


@pytest.mark.parametrize(("ignore", "told"), [("(", "not a regular expression"), (".*", "readings too")])
def test_an_ignore_that_can_not_be_is_refused(ignore: str, told: str) -> None:
    with pytest.raises(ValidationError, match=told):
        LineFormatSettings(**PLAIN, ignore=ignore)
