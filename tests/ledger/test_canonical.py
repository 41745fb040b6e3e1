"""The canonical form is that of the reference library, byte for byte, however it is arrived at."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum
from typing import Any, ClassVar

import numpy as np
import pytest
import rfc8785
from hypothesis import given, settings
from hypothesis import strategies as st

from quietcell.core.records import ABSENT, Absent, Body
from quietcell.ledger.canonical import canonical, canonical_body

JSON_VALUES = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**53) + 1, 2**53 - 1) | st.floats(allow_nan=False) | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=5), inner, max_size=4),
    max_leaves=12,
)


@given(JSON_VALUES)
@settings(max_examples=150, deadline=None)
def test_the_form_is_that_of_the_reference_library(value: object) -> None:
    try:
        expected = rfc8785.dumps(value).decode()  # type: ignore[arg-type] # what the strategy makes is JSON
    except (rfc8785.CanonicalizationError, ValueError):
        with pytest.raises(ValueError, match=r"."):
            canonical(value)
        return
    assert canonical(value) == expected


@given(
    st.floats(1e-7, 1e-3) | st.floats(1e15, 1e17) | st.sampled_from([-0.0, 1e-4, 1e16, 9007199254740993.0])
)
@settings(max_examples=100, deadline=None)
def test_numbers_near_the_change_of_notation_are_written_as_the_reference_library_does(value: float) -> None:
    assert canonical({"x": value}) == rfc8785.dumps({"x": value}).decode()


class Kind(Enum):
    ONE = "one"
    OTHER = "zwölf"


@dataclass(frozen=True, slots=True)
class Inner:
    zeta: Any
    alpha: Any = field(default=None, metadata={"decimals": 3})


@dataclass(frozen=True, slots=True, kw_only=True)
class AnyBody(Body):
    kind: ClassVar[str] = "any"

    value: Any
    rounded: Any = field(default=None, metadata={"decimals": 2})
    maybe: Any | Absent = ABSENT


NUMBERS = st.floats() | st.floats(-1e-3, 1e-3) | st.integers(-1000, 1000).map(lambda n: n / 10)
FIELDS = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | NUMBERS
    | NUMBERS.map(np.float64)
    | st.integers(-5, 5).map(np.int64)
    | st.text()
    | st.sampled_from(Kind),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.lists(inner, max_size=3).map(tuple)
        | st.dictionaries(st.text(max_size=3), inner, max_size=3)
        | st.builds(Inner, inner, inner)
    ),
    max_leaves=10,
)
BODIES = st.builds(
    AnyBody,
    id=st.text(),
    cell=st.just("x"),
    at=st.just("2026"),
    value=FIELDS,
    rounded=FIELDS,
    maybe=FIELDS | st.just(ABSENT),
)


@given(BODIES)
@settings(max_examples=300, deadline=None)
def test_a_body_has_the_form_of_its_json(body: AnyBody) -> None:
    try:
        expected = rfc8785.dumps(body.as_json()).decode()
    except ValueError:
        with pytest.raises(ValueError, match=r"."):
            canonical_body(body)
        return
    assert canonical_body(body) == expected


@given(st.integers(150, 250), st.text(st.characters(codec="utf-8"), max_size=3))
@settings(max_examples=100, deadline=None)
def test_a_long_text_is_written_as_the_reference_library_does(length: int, more: str) -> None:
    for text in ("x" * length + more, more + "µ" * length):
        assert canonical(text) == rfc8785.dumps(text).decode()


@pytest.mark.parametrize("value", [{1: "x"}, {None: 1}, [object()], {"x": 2**53}, "\ud800", {"\ud800": 1}])
def test_what_has_no_form_is_refused(value: Mapping[Any, Any]) -> None:
    with pytest.raises(rfc8785.CanonicalizationError):
        canonical(value)
    with pytest.raises(rfc8785.CanonicalizationError):
        canonical_body(AnyBody(id="x", cell="x", at="", value=value, rounded=None))
