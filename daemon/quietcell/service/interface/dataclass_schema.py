"""JSON Schema of a record's dataclass: types, units, decimals and the words beside each field."""

import ast
import inspect
import textwrap
from collections.abc import Mapping
from dataclasses import Field, fields, is_dataclass
from enum import Enum
from functools import lru_cache
from itertools import pairwise
from types import NoneType, UnionType
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

from quietcell.core.records import Absent, Json
from quietcell.errors import ContractError

Schema = dict[str, Json]
_PLAIN: dict[Any, Schema] = {
    str: {"type": "string"},
    int: {"type": "integer"},
    float: {"type": "number"},
    bool: {"type": "boolean"},
    NoneType: {"type": "null"},
    Any: {},
}


def schema_of(record: type) -> Schema:
    """Return the JSON Schema of a dataclass as records write it.

    A field that may be `ABSENT` is not required; None is null. Units are UCUM codes in ``x-unit``, the
    decimals a number is rounded to in ``x-decimals``.

    Raises
    ------
    ContractError
        If a field's type has no form in JSON.
    """
    hints = get_type_hints(record)
    words = _words(record)
    properties, required = {}, []
    for one in fields(record):
        options = _options(hints[one.name])
        if Absent not in options:
            required.append(one.name)
        properties[one.name] = _described(_any_of(options - {Absent}, of=one.name), one, words)
    return {
        "type": "object",
        "description": inspect.getdoc(record) or "",
        "properties": properties,
        "required": required,
        "additionalProperties": False,
    }


def _described(schema: Schema, one: "Field[Any]", words: Mapping[str, str]) -> Schema:
    added: Schema = {}
    if one.name in words:
        added["description"] = words[one.name]
    if "unit" in one.metadata:
        added |= {"x-unit": one.metadata["unit"], "x-decimals": one.metadata["decimals"]}
    return {**schema, **added}


def _options(hint: Any) -> set[Any]:
    return set(get_args(hint)) if get_origin(hint) in {Union, UnionType} else {hint}


def _any_of(options: set[Any], *, of: str) -> Schema:
    schemas = [_form(option, of=of) for option in sorted(options, key=str)]
    if len(schemas) == 1:
        return schemas[0]
    if all(set(schema) == {"type"} for schema in schemas):
        return {"type": [schema["type"] for schema in schemas]}
    return {"anyOf": schemas}


def _form(hint: Any, *, of: str) -> Schema:
    origin, inner = get_origin(hint), get_args(hint)
    if hint in _PLAIN:
        return dict(_PLAIN[hint])
    if origin is Literal:
        return {"enum": list(inner)}
    if isinstance(hint, type) and issubclass(hint, Enum):
        return {"enum": [member.value for member in hint]}
    if isinstance(hint, type) and is_dataclass(hint):
        return schema_of(hint)
    if origin is tuple and inner[1:] == (...,):
        return {"type": "array", "items": _any_of(_options(inner[0]), of=of)}
    if origin is tuple:
        items = [_any_of(_options(one), of=of) for one in inner]
        return {"type": "array", "prefixItems": items, "minItems": len(items), "maxItems": len(items)}
    if origin is not None and issubclass(origin, Mapping):
        return {"type": "object", "additionalProperties": _any_of(_options(inner[1]), of=of)}
    raise ContractError(f"{hint!r} has no form in JSON", subject=of)


@lru_cache
def _words(record: type) -> dict[str, str]:
    """Return the text beneath each field, those of base classes included."""
    words: dict[str, str] = {}
    for owner in reversed(record.__mro__):
        if not is_dataclass(owner):
            continue
        (tree,) = ast.parse(textwrap.dedent(inspect.getsource(owner))).body
        statements = tree.body if isinstance(tree, ast.ClassDef) else []
        for before, after in pairwise(statements):
            if not (isinstance(before, ast.AnnAssign) and isinstance(before.target, ast.Name)):
                continue
            if isinstance(after, ast.Expr) and isinstance(after.value, ast.Constant):
                words[before.target.id] = inspect.cleandoc(str(after.value.value))
    return words
