"""What the models allow at a place of the configuration, for messages and the manual."""

from collections.abc import Iterator
from types import NoneType, UnionType
from typing import Annotated, Any, Union, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from quietcell.config.lines import Path


def fields_at(model: type[BaseModel], path: Path) -> dict[str, FieldInfo]:
    """Return the keys a table at `path` below `model` may have, empty where no table is fixed."""
    places: list[Any] = [model]
    for part in path:
        places = [inner for place in places for inner in _inside(place, part)]
    return {name: info for place in places if _is_model(place) for name, info in place.model_fields.items()}


def description(model: type[BaseModel], path: Path) -> str:
    """Return what the key at `path` means, empty if nothing is known of it."""
    info = fields_at(model, path[:-1]).get(str(path[-1])) if path else None
    return (info.description if info else None) or ""


def _inside(place: Any, part: str | int) -> Iterator[Any]:
    """Yield the types that may stand at `part` of a value of type `place`."""
    if _is_model(place):
        if part in place.model_fields:
            yield from _alternatives(place.model_fields[part].annotation)
    elif get_origin(place) is dict:
        yield from _alternatives(get_args(place)[1])
    elif get_origin(place) in {list, tuple} and get_args(place):
        yield from _alternatives(get_args(place)[0])


def _alternatives(annotation: Any) -> Iterator[Any]:
    """Yield the types a value may have, without None and without constraints."""
    if get_origin(annotation) is Annotated:
        yield from _alternatives(get_args(annotation)[0])
    elif get_origin(annotation) in {Union, UnionType}:
        for alternative in get_args(annotation):
            yield from _alternatives(alternative)
    elif annotation is not NoneType:
        yield annotation


def _is_model(place: Any) -> bool:
    return isinstance(place, type) and issubclass(place, BaseModel)
