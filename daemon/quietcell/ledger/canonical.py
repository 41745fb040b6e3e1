"""RFC 8785 canonical JSON, made in one pass: the reference library takes several times as long.

What is rare (numbers in scientific notation, text that is no Unicode) is left to that library.
"""

from collections.abc import Mapping
from dataclasses import fields
from functools import cache
from json.encoder import encode_basestring
from math import isfinite
from typing import Any, Final

import rfc8785
from pydantic_core import PydanticSerializationError, to_json

from quietcell.core.records import ABSENT, Body, Json, json_value

_ALL: Final = 999
"""Decimals of a number whose field states none."""
_LARGEST: Final = 2**53 - 1
_quoted = encode_basestring
_LONG: Final = 200
_CONSTANTS: Final = {None: "null", True: "true", False: "false"}


def canonical(value: Json) -> str:
    """Return the RFC 8785 form of a JSON value.

    Raises
    ------
    rfc8785.CanonicalizationError
        If it has none: a number that is none, an integer no double holds, half a surrogate pair.
    """
    return _checked(_text(value, None))


def canonical_body(body: Body) -> str:
    """Return the RFC 8785 form of a record's body, the same as that of `body.as_json()`.

    Raises
    ------
    rfc8785.CanonicalizationError
        As `canonical`.
    """
    return _checked(_object(body))


def _checked(text: str) -> str:
    if not text.isascii():
        try:
            text.encode()
        except UnicodeEncodeError:
            raise rfc8785.CanonicalizationError("text holds half a surrogate pair") from None
    return text


def _text(value: Any, places: int | None) -> str:
    """Return the form of a value; numbers rounded to `places`, as they are if it is None."""
    kind = type(value)
    if kind is str:
        return _string(value)
    if kind is float:
        return _number(value, places)
    if value is None or kind is bool:
        return _CONSTANTS[value]
    if kind is list or kind is tuple:
        return "[" + ",".join([_text(item, places) for item in value]) + "]"
    if kind is int and -_LARGEST <= value <= _LARGEST:
        return str(value)
    if kind is dict:
        return _mapping(value, places)
    return _unusual(value, places)


def _string(value: str) -> str:
    if len(value) < _LONG:
        return _quoted(value)
    try:  # takes a quarter of the standard library's time
        return to_json(value).decode()
    except PydanticSerializationError:  # half a surrogate pair, which is told of later
        return _quoted(value)


def _number(value: float, places: int | None) -> str:
    if places is not None and places != _ALL:
        value = round(value, places)
    text = repr(value)  # as ECMAScript writes it, but for whole numbers and exponents
    if text.endswith(".0"):
        return text[:-2] if value else "0"
    if "e" in text or "n" in text:
        return "null" if places is not None and not isfinite(value) else rfc8785.dumps(value).decode()
    return text


def _mapping(value: Mapping[str, Any], places: int | None) -> str:
    keys = sorted(value, key=None if all(type(key) is str and key.isascii() for key in value) else _key)
    return "{" + ",".join([f"{_quoted(key)}:{_text(value[key], places)}" for key in keys]) + "}"


def _key(key: Any) -> bytes:
    """Return what other keys than ASCII are sorted by: UTF-16 code units."""
    if not isinstance(key, str):
        raise rfc8785.CanonicalizationError("keys must be text")
    return key.encode("utf-16be", "surrogatepass")


def _object(record: Any) -> str:
    """Return the form of a dataclass, its fields as its JSON has them."""
    members = []
    for name, key, places in _members(record.__class__):
        value = getattr(record, name)
        if type(value) is str:  # as most are, and short: written without a call of our own
            members.append(key + (_quoted(value) if len(value) < _LONG else _string(value)))
        elif value is not ABSENT:
            members.append(key + _text(value, places))
    return f"{{{','.join(members)}}}"


@cache
def _members(kind: Any) -> tuple[tuple[str, str, int], ...]:
    """Return name, key with colon and decimals of the fields of a dataclass, in canonical order."""
    found = {f.name: (f.name, f.metadata.get("decimals", _ALL)) for f in fields(kind)}
    if issubclass(kind, Body):
        found["record"] = ("kind", _ALL)
    return tuple((found[key][0], f"{_quoted(key)}:", found[key][1]) for key in sorted(found))


def _unusual(value: Any, places: int | None) -> str:
    if hasattr(value, "__dataclass_fields__"):
        return _object(value)
    if isinstance(value, Mapping):
        return _mapping(value, places)
    plain = value if places is None else json_value(value, places)
    return rfc8785.dumps(plain).decode() if type(plain) is type(value) else _text(plain, places)
