"""Faults of a configuration in words: what is wrong, what is allowed."""

import ast
import json
import re
from collections.abc import Iterable
from difflib import get_close_matches
from operator import itemgetter
from typing import Any

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from quietcell.config.fields import NAME_PATTERN
from quietcell.config.keys import description, fields_at
from quietcell.config.lines import LineIndex, Path
from quietcell.errors import ConfigError

SECRET_KEY = re.compile(r"pass(word|phrase|wd)|secret|token|api_?key", re.IGNORECASE)
"""Keys whose values are never shown."""
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_LONGEST_SHOWN = 40
_PLAIN = {
    "a valid number": "a number",
    "a valid integer": "a whole number",
    "a valid string": "text in quotes",
    "a valid boolean": "true or false",
    "a valid list": "a list",
    "a valid dictionary": "an object",
}


class FaultList:
    """All faults of one text, by key.

    Parameters
    ----------
    filename : str
        Name of the file, for messages.
    document : dict
        The parsed text.
    lines : LineIndex
        Where its keys stand.
    """

    def __init__(self, filename: str, document: dict[str, Any], lines: LineIndex) -> None:
        self._filename = filename
        self._document = document
        self._lines = lines
        self._faults: dict[Path, list[str]] = {}

    def add(self, path: Path, wrong: str) -> None:
        """Note that the value at `path` is wrong."""
        wrong = "".join(c if c.isprintable() else "?" for c in wrong)
        texts = self._faults.setdefault(path, [])
        if wrong not in texts:
            texts.append(wrong)

    def add_all(self, error: ValidationError, model: type[BaseModel], at: Path = ()) -> None:
        """Note what a validation of the table at `at` against `model` found."""
        known = set(self._faults)
        details = error.errors(include_url=False)
        written = [(d["type"], self._written(at, d)) for d in details]
        for detail, (_, path) in zip(details, written, strict=True):
            if _follows_from_another(detail["type"], path, written):
                continue
            for key, wrong in detail.get("ctx", {}).get("faults", ()):
                self.add((*path, key), wrong)
            if detail["type"] != "incoherent" and path not in known:  # otherwise a plainer reason stands
                self.add(path, _words(detail, path, model, at))

    def raise_if_any(self) -> None:
        """Raise every fault noted, in order of lines.

        Raises
        ------
        ConfigError
            With one line per key.
        """
        if self._faults:
            placed = [(self._lines.line(path), path, texts) for path, texts in self._faults.items()]
            placed.sort(key=itemgetter(0))
            raise ConfigError(
                [
                    f"{self._filename}:{line}: {dotted(path)}: {'; '.join(texts)}"
                    for line, path, texts in placed
                ]
            )

    def _written(self, at: Path, detail: ErrorDetails) -> Path:
        """Return the place of a fault as the file writes it, free of the validator's own marks."""
        path = at
        place: Any = self._document
        for part in at:
            place = _inside(place, part)
        for part in detail["loc"]:
            inside = _inside(place, part)
            if inside is not None:
                path, place = (*path, part), inside
        if detail["type"] == "missing":
            path = (*path, detail["loc"][-1])
        return path


def _inside(place: Any, part: str | int) -> Any:
    if isinstance(place, dict):
        return place.get(part)
    if isinstance(place, list) and isinstance(part, int) and part < len(place):
        return place[part]
    return None


def _follows_from_another(kind: str, path: Path, written: Iterable[tuple[str, Path]]) -> bool:
    """Tell whether a fault says nothing new: one slip is one fault.

    A required key is missing where its name was mistyped, and a list is too short where an item of it
    was refused.
    """
    if kind == "missing":
        beside = [str(p[-1]) for k, p in written if k == "extra_forbidden" and p[:-1] == path[:-1]]
        return bool(get_close_matches(str(path[-1]), beside, n=1))
    return kind == "too_short" and any(p[: len(path)] == path != p for _, p in written)


def dotted(path: Path) -> str:
    """Return a path as TOML writes keys, safe to print."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part}]"
        else:
            key = part if _BARE_KEY.fullmatch(part) else json.dumps(part, ensure_ascii=not part.isprintable())
            text += f".{key}" if text else key
    return text or "configuration"


def shown(value: object) -> str:
    """Return a value as TOML writes it, shortened and safe to print."""
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return "a list"
    if isinstance(value, str) and value.isprintable():
        text = json.dumps(value, ensure_ascii=False)
    elif isinstance(value, (str, bool, int, float)):
        text = json.dumps(value)
    else:
        text = str(value)
    return text if len(text) <= _LONGEST_SHOWN else f"{text[:_LONGEST_SHOWN]}..."


def meant(word: str, known: Iterable[str]) -> str:
    """Return a proposal for a mistyped word and the list of what is known."""
    choices = sorted(known)
    if not choices:
        return "none is known"
    close = get_close_matches(word, choices, n=1)
    proposal = f'did you mean "{close[0]}"? ' if close else ""
    return f"{proposal}allowed: {', '.join(choices)}"


def _words(detail: ErrorDetails, path: Path, model: type[BaseModel], at: Path) -> str:
    """Say one validation error in words."""
    below = path[len(at) :]
    kind, value, context = detail["type"], detail["input"], detail.get("ctx", {})
    if kind == "extra_forbidden":
        return f"unknown key; {meant(str(path[-1]), fields_at(model, below[:-1]))}"
    if kind == "missing":
        inside_a_list = below and isinstance(below[-1], int)
        meaning = description(model, below[:-1] if inside_a_list else below)
        return f"missing; {meaning[:1].lower()}{meaning[1:]}" if meaning else "missing"
    if kind == "value_error":  # a driver's own check, which names the value itself
        return detail["msg"].removeprefix("Value error, ")
    wrong = _wrong(kind, context, detail["msg"])
    if kind == "secret_in_clear" or any(SECRET_KEY.search(str(part)) for part in path):
        return wrong
    if kind in {"shipped_criterion", "reserved_name"} or "[key]" in detail["loc"]:
        return wrong
    return f"is {shown(value)}; {wrong}"


def _wrong(kind: str, context: dict[str, Any], message: str) -> str:
    """Say what is allowed instead."""
    if kind in {"model_type", "model_attributes_type", "dict_type"}:
        return "must be a table"
    if kind in {"tuple_type", "list_type"}:
        return "must be a list"
    if kind == "string_pattern_mismatch" and context["pattern"] == NAME_PATTERN:
        return "must be a name: lower-case letters a-z, digits and -"
    if kind == "literal_error" and (choices := re.findall(r"'[^']*'", context["expected"])):
        return f"must be one of {', '.join(shown(ast.literal_eval(choice)) for choice in choices)}"
    if kind.startswith(("datetime_", "timezone_")):
        return "must be a time with its offset from UTC, such as 2026-03-02T08:00:00Z"
    if kind.startswith("date_"):
        return "must be a day such as 2027-03-31"
    return plain_words(message)


def plain_words(message: str) -> str:
    """Return what the validator says without its own words for things."""
    for word, plain in _PLAIN.items():
        message = message.replace(word, plain)
    message = re.sub(r" after validation, not \d+$", "", message)
    return re.sub(r"^(Input|String|Tuple|Value|Dictionary|List|Number) should ", "must ", message)
