"""The written interface is what the code does: current, complete, and able to refuse."""

import copy
import importlib
import pkgutil
from collections.abc import Iterator
from typing import Any, get_args

import pytest

import quietcell
from quietcell.config.fields import RecordKind
from quietcell.core.records import Body
from quietcell.service.interface.asyncapi import document, files
from quietcell.service.interface.catalogue import BODIES, TOPICS
from quietcell.service.interface.payloads import all_schemas
from tests.support.interface import FOLDER, faults


def test_the_files_are_what_the_command_writes() -> None:
    written = {
        path.relative_to(FOLDER).as_posix(): path.read_text(encoding="utf-8")
        for path in FOLDER.rglob("*.json")
    }
    assert written == files(), "run: quietcell config interface --folder config/interface"


def test_every_kind_of_record_is_described() -> None:
    for module in pkgutil.walk_packages(quietcell.__path__, "quietcell."):
        if not module.name.endswith("__main__"):
            importlib.import_module(module.name)

    def below(kind: type[Body]) -> set[str]:  # by name: a class with slots exists twice until collected
        own = {kind.kind} if hasattr(kind, "kind") and kind.__module__.startswith("quietcell.") else set()
        return own.union(*(below(sub) for sub in kind.__subclasses__()))

    assert below(Body) == {body.kind for body in BODIES}
    assert {name for topic in TOPICS for name in (topic.carries, *topic.answers)} <= set(all_schemas())


def test_whatever_is_asked_is_answered_with_what_the_document_describes() -> None:
    whole = document()

    def at(pointer: str) -> Any:
        place = whole
        for step in pointer.removeprefix("#/").split("/"):
            place = place[step]
        return place

    def pointers(place: Any) -> Iterator[str]:
        for key, value in place.items() if isinstance(place, dict) else enumerate(place):
            if key == "$ref":
                yield value
            elif isinstance(value, (dict, list)):
                yield from pointers(value)

    assert all(at(pointer) for pointer in pointers(whole))
    asked = [one for one in whole["operations"].values() if one["action"] == "receive"]
    assert all(len(one["reply"]["messages"]) >= 2 for one in asked)
    assert len(asked) == 3


def test_every_kind_of_record_can_be_chosen_for_the_files() -> None:
    assert {body.kind for body in BODIES} == set(get_args(RecordKind))


def a_gap() -> dict[str, Any]:
    return {
        "ledger": "0b0e7a3e-2f0e-4b57-9d52-6d6d8ac8d0c1",
        "seq": 7,
        "recorded_at": "2026-11-25T09:52:30.001Z",
        "time_quality": "synchronised",
        "software": "quietcell 0.1.0",
        "engine_version": 1,
        "schema": 1,
        "previous": "0" * 64,
        "body": {
            "record": "gap",
            "id": "larval-hall.1.4",
            "cell": "larval-hall",
            "at": "2026-11-25T09:52:29.744Z",
            "began": "2026-11-25T09:52:20.744Z",
            "ended": "2026-11-25T09:52:29.744Z",
            "gap_s": 9.0,
            "cause": "silence",
        },
    }


def test_a_sound_record_has_no_faults() -> None:
    assert faults("gap", a_gap()) == []


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("seq",), 0),
        (("seq",), "7"),
        (("previous",), "0" * 63),
        (("time_quality",), "guessed"),
        (("surprise",), 1),
        (("body", "record"), "segment"),
        (("body", "gap_s"), "9"),
        (("body", "gap_s"), None),
        (("body", "surprise"), 1),
    ],
)
def test_a_planted_fault_is_found(path: tuple[str, ...], value: object) -> None:
    record = copy.deepcopy(a_gap())
    place = record
    for key in path[:-1]:
        place = place[key]
    place[path[-1]] = value
    assert len(faults("gap", record)) == 1


@pytest.mark.parametrize("key", sorted(a_gap()["body"]))
def test_a_field_that_applies_may_not_be_missing(key: str) -> None:
    record = a_gap()
    del record["body"][key]
    assert faults("gap", record)


def test_units_and_words_come_along() -> None:
    body = all_schemas()["determination"]["properties"]["body"]["properties"]
    assert body["drift_mv_per_min"]["x-unit"] == "mV/min"
    assert body["drift_mv_per_min"]["type"] == ["null", "number"]
    assert "conductivity and temperature allow" in body["ph_allowed_low"]["description"]
