"""Which columns of a CSV no record can fill, told from the schemas of the records."""

from collections.abc import Collection, Iterable, Sequence

from quietcell.service.interface.catalogue import BODIES
from quietcell.service.interface.dataclass_schema import Schema
from quietcell.service.interface.payloads import record_schema


def never_filled(paths: Iterable[str], kinds: Collection[str]) -> list[str]:
    """Return the dotted paths that lead nowhere in any record of these kinds, nor in its envelope."""
    wholes = [record_schema(body) for body in BODIES if body.kind in kinds]
    rows = [{"properties": {**whole["properties"], **_body_of(whole)}} for whole in wholes]
    return [path for path in paths if not any(_leads(row, path.split(".")) for row in rows)]


def _body_of(whole: Schema) -> Schema:
    properties: Schema = whole["properties"]["body"]["properties"]
    return properties


def _leads(schema: Schema, parts: Sequence[str]) -> bool:
    """Tell whether there may be something at a path; at what is not described there may be anything."""
    if not parts or not schema:
        return True
    first, *rest = parts
    inner = [schema["properties"][first]] if first in schema.get("properties", {}) else []
    if isinstance(schema.get("additionalProperties"), dict):
        inner.append(schema["additionalProperties"])
    if first.isdecimal():
        inner += [schema["items"]] if "items" in schema else schema.get("prefixItems", [])[int(first) :][:1]
    return any(_leads(each, rest) for each in inner) or any(
        _leads(each, parts) for each in schema.get("anyOf", [])
    )
