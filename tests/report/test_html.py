"""What records hold can't become markup, and numbers keep their exact value."""

import re
from html import unescape
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietcell.report.html import Html, Times, number, safe, table, tag


@given(st.text())
def test_text_never_opens_a_tag_nor_leaves_an_attribute(text: str) -> None:
    assert "<" not in safe(text).replace("<wbr>", "")
    element = tag("p", text, title=text).replace("<wbr>", "")
    assert element.count("<") == 2
    assert element.count('"') == 2


@given(st.text(st.sampled_from('ab<&-" é'), max_size=120))
def test_a_long_word_can_break_and_stays_the_same_word(text: str) -> None:
    shown = safe(text)
    assert unescape(shown.replace("<wbr>", "")) == text
    pieces = re.split(r"[\s-]|<wbr>", shown)
    assert all(len(unescape(piece)) < 24 for piece in pieces)


def test_markup_in_text_is_shown_as_it_was_written() -> None:
    assert tag("td", "<i onload='x'>") == "<td>&lt;i onload=&#x27;x&#x27;&gt;</td>"
    assert tag("p", Html("<b>1</b>")) == "<p><b>1</b></p>"


@pytest.mark.parametrize("unwanted", ["\x00", "\x1b", "\u202e", "\u2066", "\x9b", "\ud800"])
def test_characters_that_hide_or_turn_text_are_replaced(unwanted: str) -> None:
    assert safe(f"a{unwanted}b") == "a\N{REPLACEMENT CHARACTER}b"


def test_a_number_shows_its_decimals_and_keeps_its_value() -> None:
    assert number(6.91874, 2) == '<data value="6.91874">6.92</data>'
    assert number(-0.5, 1, sign=True) == '<data value="-0.5">−0.5</data>'
    assert "not known" in number(None)


def test_times_are_of_the_zone_and_keep_utc() -> None:
    summer = Times(ZoneInfo("Europe/Lisbon"))("2026-07-01T11:30:00.250Z")
    assert summer == '<time datetime="2026-07-01T11:30:00.250Z">2026-07-01 12:30:00 +0100</time>'
    assert "11:30:00.250<" in Times()("2026-07-01T11:30:00.250Z", ms=True)


def test_every_cell_of_a_table_tells_its_header() -> None:
    made = table("t", ("a", 'b"'), [("x", "y")])
    assert '<th scope="col">a</th>' in made
    assert '<td data-label="b&quot;"><span>y</span></td>' in made
