import json
import re
import tomllib
from importlib.metadata import entry_points
from typing import Any

import jsonschema
import pytest
from pydantic import BaseModel

from quietcell.config import Config, effective_settings, example_text, json_schema, parse_config
from quietcell.config.keys import fields_at
from quietcell.config.lines import Path
from quietcell.contracts import DriverTable
from tests.config.fake_drivers import DRIVERS

INSTALLED: DriverTable = {entry.name: entry.load() for entry in entry_points(group="quietcell.drivers")}


def with_every_key() -> str:
    """Return the example with the keys it leaves out taken in."""
    return re.sub(r"^#(?=[a-z_]+ = )", "", example_text(), flags=re.MULTILINE)


def all_keys(model: type[BaseModel], path: Path = ()) -> set[Path]:
    """Return the path of every key, with ``*`` for a name people choose and for a list's position."""
    found: set[Path] = set()
    for key in fields_at(model, path):
        if path[-1:] == ("cells",) or key == "settings":
            continue
        here = (*path, key)
        inner = [step for step in (here, (*here, "*"), (*here, 0)) if fields_at(model, step)]
        found |= {here}.union(*(all_keys(model, step) for step in inner))
    return {tuple("*" if part == 0 else part for part in key) for key in found}


def written_keys(value: Any, path: Path = ()) -> set[Path]:
    """Return the path of every key of a document, names people choose and positions as ``*``."""
    if isinstance(value, list):
        return set().union(*(written_keys(inner, (*path, "*")) for inner in value))
    if not isinstance(value, dict):
        return set()
    found: set[Path] = set()
    for key, inner in value.items():
        here = (*path, "*" if path in {("cells",), ("criteria",), ("alarms",)} else key)
        found |= {here} | (written_keys(inner, here) if key != "settings" else set())
    return found


def test_the_example_passes_the_check_with_the_installed_drivers() -> None:
    config = parse_config(example_text(), "example.toml", INSTALLED)
    assert list(config.cells) == [
        "live-feed-room",
        "larval-hall",
        "header-tank",
        "header-tank-archive",
        "header-tank-logger",
    ]


def test_the_example_passes_with_every_key_taken_in() -> None:
    parse_config(with_every_key(), "example.toml", INSTALLED)


def test_the_example_mentions_every_key() -> None:
    missing = all_keys(Config) - written_keys(tomllib.loads(with_every_key()))
    assert missing == set()


def test_the_keys_counted_are_those_of_the_models() -> None:
    keys = all_keys(Config)
    assert ("cells", "*", "recording", "columns", "mv") in keys
    assert ("outlets", "files", "csv", "columns", "*", "decimals") in keys
    assert ("criteria", "*", "agreeing", "portions") in keys


def test_a_key_the_example_leaves_out_is_shown_with_the_value_that_then_counts() -> None:
    """Keys without a default of their own show a sensible value and say what counts."""
    short = parse_config(example_text(), "example.toml", INSTALLED)
    full = parse_config(with_every_key(), "example.toml", INSTALLED)
    before, after = effective_settings(short), effective_settings(full)
    assert before["criteria"] == after["criteria"]
    differences = {path for path in leaves(after) if leaves(before).get(path) != leaves(after)[path]}
    assert differences == {
        ("store", "keep_readings_months"),
        ("outlets", "mqtt", "client_id"),
        *(("outlets", "mqtt", "tls", name) for name in ("ca", "cert", "key")),
        *(("cells", "header-tank", "recording", "columns", name)
          for name in ("conductivity_us_cm", "flow_ml_min", "flags", "segment")),
    }  # fmt: skip


def leaves(value: Any, path: Path = ()) -> dict[Path, Any]:
    if isinstance(value, dict):
        return {k: v for key, inner in value.items() for k, v in leaves(inner, (*path, key)).items()}
    return {path: value}


def test_every_key_has_a_description() -> None:
    for path in all_keys(Config):
        table = tuple(
            0 if part == "*" and path[i - 1] == "columns" else part for i, part in enumerate(path[:-1])
        )
        if path[-1] != "*":
            assert fields_at(Config, table)[str(path[-1])].description, path


def plain(text: str) -> Any:
    return json.loads(json.dumps(tomllib.loads(text), default=lambda moment: moment.isoformat()))


def test_the_schema_is_sound_and_accepts_the_example() -> None:
    schema = json_schema(INSTALLED)
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.Draft202012Validator(schema).validate(plain(with_every_key()))


@pytest.mark.parametrize(
    ("text", "path"),
    [
        ('[cells.a]\ndriver = "loop-lines"\nsettings = { port = 5 }', ["cells", "a", "settings", "port"]),
        ('[cells.a]\ndriver = "loop-lines"\nsettings = { port = "p", x = 1 }', ["cells", "a", "settings"]),
        ('[cells.a]\ndriver = "loop-lines"', ["cells", "a"]),
        ('[cells.a]\ndriver = "lop-lines"', ["cells", "a", "driver"]),
        ("[cells.a]\nsettings = {}", ["cells", "a"]),
        ("[cells.a]\nevery = 5", ["cells", "a"]),
        ('[cells.a]\n[outlets.mqtt]\nhost = "h"\npassword = "p"', ["outlets", "mqtt", "password"]),
    ],
)
def test_the_schema_finds_what_an_editor_should_show(text: str, path: list[str]) -> None:
    validator = jsonschema.Draft202012Validator(json_schema(DRIVERS))
    assert path in [list(error.absolute_path) for error in validator.iter_errors(plain(text))]


def test_the_schema_ties_settings_to_the_driver() -> None:
    validator = jsonschema.Draft202012Validator(json_schema(DRIVERS))
    assert validator.is_valid(plain('[cells.a]\ndriver = "still"'))
    assert validator.is_valid(plain('[cells.a]\ndriver = "loop-lines"\nsettings = { port = "p" }'))
    assert not validator.is_valid(plain('[cells.a]\ndriver = "still"\nsettings = { port = "p" }'))
