import csv
import io
import json
from typing import Any

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from quietcell.core.records import DeterminationBody
from quietcell.outlets.csv_format import DETERMINATION_COLUMNS, Column, CsvFormat

RECORD: dict[str, Any] = {
    "cell": "larval-hall",
    "ph": 6.98125,
    "readings": 60,
    "operator": None,
    "kcl_adjusted": False,
    "reasons": ["not-at-rest", "max-wait"],
    "rejected_readings": {"spike": 2, "burst": 1},
    "calibration": {"slope_pct": 98.4, "buffers": [{"lot": "A7"}, {"lot": "B2"}]},
}


def form(
    *paths: str, delimiter: str = ",", decimal_comma: bool = False, decimals: int | None = None
) -> CsvFormat:
    columns = [Column(path=path, decimals=decimals) for path in paths]
    return CsvFormat(columns=columns, delimiter=delimiter, decimal_comma=decimal_comma)


def parsed(line: str, delimiter: str = ",") -> list[str]:
    (row,) = csv.reader(io.StringIO(line, newline=""), delimiter=delimiter, strict=True)
    return row


def cell(value: Any, **choice: Any) -> str:
    (only,) = parsed(form("x", **choice).row({"x": value}), choice.get("delimiter", ","))
    return only


def test_columns_come_in_the_order_and_under_the_names_chosen() -> None:
    chosen = CsvFormat(columns=[Column(path="ph", name="pH", decimals=2), Column(path="cell")], delimiter=";")
    assert chosen.header() == "pH;cell\r\n"
    assert chosen.row(RECORD) == "6.98;larval-hall\r\n"


@pytest.mark.parametrize(
    ("path", "text"),
    [
        ("calibration.slope_pct", "98.4"),
        ("calibration.buffers.1.lot", "B2"),
        ("calibration.buffers.2.lot", ""),
        ("calibration.buffers.lot", ""),
        ("cell.inner", ""),
        ("absent", ""),
        ("operator", ""),
        ("readings", "60"),
        ("ph", "6.98125"),
        ("kcl_adjusted", "false"),
        ("reasons", "not-at-rest max-wait"),
        ("rejected_readings", '{"burst":1,"spike":2}'),
    ],
)
def test_a_path_leads_to_the_value_it_names(path: str, text: str) -> None:
    assert parsed(form(path, "cell").row(RECORD)) == [text, "larval-hall"]


@pytest.mark.parametrize(
    ("value", "choice", "text"),
    [
        (6.98125, {"decimals": 2}, "6.98"),
        (6.98125, {"decimals": 2, "decimal_comma": True, "delimiter": ";"}, "6,98"),
        (-0.001, {"decimals": 2}, "0.00"),
        (-0.3, {}, "-0.3"),
        (7, {"decimals": 2}, "7.00"),
        (1e-9, {}, "1e-09"),
        (1e-9, {"decimals": 0}, "0"),
    ],
)
def test_a_number_is_written_as_chosen_and_never_with_an_apostrophe(
    value: float, choice: dict[str, Any], text: str
) -> None:
    assert cell(value, **choice) == text


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r"])
def test_a_text_that_looks_like_a_formula_gets_an_apostrophe(start: str) -> None:
    assert cell(f"{start}1+1") == f"'{start}1+1"
    assert cell([f"{start}1", "b"]) == f"'{start}1 b"
    assert parsed(CsvFormat(columns=[Column(path="a", name=f"{start}x"), Column(path="b")]).header()) == [
        f"'{start}x",
        "b",
    ]


def test_a_text_that_is_only_like_a_number_is_a_text() -> None:
    assert cell("-5") == "'-5"


@pytest.mark.parametrize(
    ("arguments", "wrong"),
    [
        ({"columns": []}, "no column"),
        ({"columns": [Column(path="x")], "delimiter": ";;"}, "must be one character such as"),
        ({"columns": [Column(path="x")], "delimiter": "."}, "must be one character such as"),
        ({"columns": [Column(path="x")], "decimal_comma": True}, "needs a delimiter other than the comma"),
    ],
)
def test_a_form_that_could_not_be_read_back_is_refused(arguments: dict[str, Any], wrong: str) -> None:
    with pytest.raises(ValueError, match=wrong):
        CsvFormat(**arguments)


def test_the_default_columns_are_fields_of_a_determination() -> None:
    known = {*DeterminationBody.__dataclass_fields__, "ledger", "seq"}  # the row joins body and envelope
    assert {column.path.split(".")[0] for column in DETERMINATION_COLUMNS} <= known


DELIMITERS = st.sampled_from([",", ";", "\t", "|"])
TEXTS = st.text(st.characters(codec="utf-8") | st.sampled_from("=+-@\t\r\n\"',;| "), max_size=20)
SCALARS = st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | TEXTS
VALUES = st.recursive(SCALARS, lambda inner: st.lists(inner) | st.dictionaries(TEXTS, inner), max_leaves=6)


@given(st.lists(TEXTS, min_size=1, max_size=5), DELIMITERS)
def test_texts_read_back_but_for_the_apostrophe(texts: list[str], delimiter: str) -> None:
    assume(not any("\0" in text for text in texts))
    record = {f"f{i}": text for i, text in enumerate(texts)}
    row = parsed(form(*record, delimiter=delimiter).row(record), delimiter)
    assert len(row) == len(texts)
    for read, text in zip(row, texts, strict=True):
        assert read == (f"'{text}" if text.startswith(("=", "+", "-", "@", "\t", "\r")) else text)


@given(st.floats(allow_nan=False, allow_infinity=False) | st.integers(-(2**53), 2**53), st.booleans())
def test_numbers_read_back_the_same(value: float, decimal_comma: bool) -> None:
    text = cell(value, decimal_comma=decimal_comma, delimiter=";")
    assert float(text.replace(",", ".") if decimal_comma else text) == value
    assert set(text) <= set("0123456789-+e" + ("," if decimal_comma else "."))


@given(st.floats(-1e6, 1e6), st.integers(0, 9))
def test_rounded_numbers_are_within_half_of_the_last_decimal(value: float, decimals: int) -> None:
    text = cell(value, decimals=decimals)
    assert len(text.partition(".")[2]) == decimals
    assert abs(float(text) - value) <= 0.5 * 10.0**-decimals + 1e-9


@given(st.dictionaries(st.sampled_from("abcd"), VALUES), DELIMITERS, st.booleans())
def test_any_record_is_one_row_without_a_formula(record: dict[str, Any], delimiter: str, comma: bool) -> None:
    assume("\\u0000" not in json.dumps(record))
    chosen = form("a", "b", "c.x.0", "d", delimiter=delimiter, decimal_comma=comma and delimiter != ",")
    row = parsed(chosen.row(record), delimiter)
    assert len(row) == 4
    for key, text in zip("ab", row, strict=False):
        is_number = isinstance(record.get(key), (int, float))
        assert is_number or not text.startswith(("=", "+", "-", "@", "\t", "\r"))
