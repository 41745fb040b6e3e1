"""JSON Schema of the configuration file, for editors and other checkers."""

from typing import Any

from pydantic.json_schema import models_json_schema

from quietcell.config.model import Config
from quietcell.contracts import DriverTable


def json_schema(drivers: DriverTable) -> dict[str, Any]:
    """Return the JSON Schema (2020-12) of a configuration.

    Parameters
    ----------
    drivers : DriverTable
        Known drivers by name; each cell's ``settings`` are tied to its ``driver``.

    Returns
    -------
    dict
        The schema; what spans several sections, such as the name of a criterion, it cannot check.
    """
    models = {name: drivers[name].settings_model for name in sorted(drivers)}
    references, schema = models_json_schema(
        [(Config, "validation"), *((model, "validation") for model in models.values())]
    )
    definitions = _without_null(schema["$defs"])
    root = definitions.pop("Config")
    cell = definitions["CellSettings"]
    cell["properties"]["driver"] = {
        "description": cell["properties"]["driver"]["description"],
        "enum": list(models),
    }
    cell["properties"]["settings"] = {
        "description": cell["properties"]["settings"]["description"],
        "type": "object",
    }
    cell["dependentRequired"] = {"settings": ["driver"]}
    cell["allOf"] = [
        {
            "if": {"properties": {"driver": {"const": name}}, "required": ["driver"]},
            "then": _settings_of(definitions, references[model, "validation"]),
        }
        for name, model in models.items()
    ]
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **root,
        "title": "quietcell configuration",
        "$defs": definitions,
    }


def _settings_of(definitions: dict[str, Any], reference: dict[str, Any]) -> dict[str, Any]:
    """Return what holds for a cell of one driver."""
    tied: dict[str, Any] = {"properties": {"settings": reference}}
    needed = definitions[reference["$ref"].rsplit("/", 1)[-1]].get("required")
    return {**tied, "required": ["settings"]} if needed else tied


def _without_null(schema: Any) -> Any:
    """Return the schema without null, which TOML does not have: an absent key is left out."""
    if isinstance(schema, list):
        return [_without_null(inner) for inner in schema]
    if not isinstance(schema, dict):
        return schema
    plain = {k: _without_null(v) for k, v in schema.items() if not (k == "default" and v is None)}
    choices = plain.get("anyOf")
    if isinstance(choices, list) and {"type": "null"} in choices:
        rest = [choice for choice in choices if choice != {"type": "null"}]
        del plain["anyOf"]
        plain |= rest[0] if len(rest) == 1 else {"anyOf": rest}
    return plain
