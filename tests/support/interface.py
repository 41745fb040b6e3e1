"""Holds what was really sent against the written description of the interface."""

import json
import re
from functools import cache
from pathlib import Path
from typing import Any

from jsonschema import Draft202012Validator

from quietcell.core.records import Json

FOLDER = Path(__file__).parents[2] / "config" / "interface"


@cache
def _described() -> dict[str, Any]:
    whole: dict[str, Any] = json.loads((FOLDER / "asyncapi.json").read_text(encoding="utf-8"))
    return whole


@cache
def _validator(name: str) -> Draft202012Validator:
    schema = json.loads((FOLDER / "schemas" / f"{name}.json").read_text(encoding="utf-8"))
    return Draft202012Validator(schema, format_checker=Draft202012Validator.FORMAT_CHECKER)


def faults(name: str, payload: Json) -> list[str]:
    """Return what the schema of that name has against a payload."""
    return [f"{e.json_path}: {e.message}" for e in _validator(name).iter_errors(payload)]


def faults_of_record(envelope: dict[str, Json]) -> list[str]:
    """Return what is wrong with a stored record."""
    return faults(envelope["body"]["record"], envelope)


def faults_of_message(topic: str, payload: Json) -> list[str]:
    """Return what is wrong with a message: its topic is described, and it holds what belongs there."""
    for channel in _described()["channels"].values():
        if channel["address"] is None:
            continue
        pattern = re.sub(r"\\{\w+\\}", "[a-z0-9-]+", re.escape(channel["address"]))
        if re.fullmatch(pattern, topic):
            if not payload and "/alarm/" in topic:
                return []  # an empty one clears what stood there
            (carried,) = channel["messages"]
            return [f"{topic}: {fault}" for fault in faults(carried, payload)]
    return [f"{topic}: not described"]


def faults_of_answer(to: str, payload: Json) -> list[str]:
    """Return what is wrong with an answer to a message on the topic `to`: it is one of those described."""
    allowed = {
        message["$ref"].rpartition("/")[2]
        for name, channel in _described()["channels"].items()
        if (channel["address"] or "").rpartition("/")[2] == to.rpartition("/")[2]
        for message in _described()["operations"][f"receive-{name}"]["reply"]["messages"]
    }
    fitting = [name for name in allowed if not faults(name, payload)]
    return [] if len(fitting) == 1 else [f"{to}: fits {fitting or 'none'} of {sorted(allowed)}"]
