"""Dataclasses as JSON values and back, exactly: the form in which state is stored.

Unlike the body of a record nothing is rounded or left out. Enums become their values, tuples lists,
numbers JSON has no form for the words ``nan``, ``inf`` and ``-inf``.
"""

import math
from collections import Counter
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from enum import Enum
from types import NoneType, UnionType
from typing import Any, TypeVar, Union, get_args, get_origin, get_type_hints

import numpy as np

from quietcell.core.records import Json

T = TypeVar("T")


def plain(value: Any) -> Json:
    """Return a value, dataclasses in it included, as JSON values."""
    if isinstance(value, Enum):
        return value.value
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, Mapping):
        return {key: plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(item) for item in value]
    if isinstance(value, (float, np.floating)):
        number = float(value)
        return number if math.isfinite(number) else repr(number)
    if isinstance(value, np.integer):
        return int(value)
    return value


def rebuilt(kind: type[T], stored: Json) -> T:
    """Return the value of type `kind` that `plain` made `stored` of.

    Raises
    ------
    KeyError, TypeError, ValueError
        If it was not made of such a value.
    """
    value: T = _rebuilt(kind, stored)
    return value


def _rebuilt(kind: Any, stored: Json) -> Any:
    origin, inner = get_origin(kind), get_args(kind)
    if origin in (Union, UnionType):
        (kind,) = (each for each in inner if each is not NoneType)
        return None if stored is None else _rebuilt(kind, stored)
    if origin is not None:
        return _collection(origin, inner, stored)
    if is_dataclass(kind):
        hints = get_type_hints(kind)
        return kind(**{f.name: _rebuilt(hints[f.name], stored[f.name]) for f in fields(kind)})  # type: ignore[operator] # hints name classes, no instances
    if isinstance(kind, type) and issubclass(kind, Enum):
        return kind(stored)
    return float(stored) if kind is float else stored


def _collection(origin: Any, inner: tuple[Any, ...], stored: Json) -> Any:
    if origin is list:
        return [_rebuilt(inner[0], item) for item in stored]
    if origin is tuple:
        kinds = [inner[0]] * len(stored) if inner[-1] is Ellipsis else inner
        return tuple(_rebuilt(each, item) for each, item in zip(kinds, stored, strict=True))
    if origin in (dict, Counter):
        return origin(stored)
    return stored  # Literal
