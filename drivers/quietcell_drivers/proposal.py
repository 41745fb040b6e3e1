"""From bytes a meter sent to settings that read them. Pure.

Lines of one shape are laid over each other: what stays is label or unit, what moves is a value. What a
value means follows from the unit behind it, else from the label before it, else from its size; each
guess says which.
"""

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from pydantic import ValidationError

from quietcell.core.readings import Reading
from quietcell.core.units import UNITS, find_unit
from quietcell_drivers.framing import Line
from quietcell_drivers.line_format import IGNORED, STATUS, LineFormatSettings
from quietcell_drivers.line_reader import LineReader
from quietcell_drivers.message_shape import (
    EDGE,
    Chunks,
    Slot,
    encoding_of,
    has_decimal_comma,
    laid_over,
    messages,
    messages_by_pause,
)
from quietcell_drivers.number_meaning import behind, in_lines_apart, name_numbers

_BEYOND = re.compile(r"ov|ol|o\.|range|max|[<>^]", re.IGNORECASE)
"""In words a meter sends in place of a number beyond its range."""
_MOST = 0.75
"""A smaller share of the messages means that a message may be more than a line."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """Settings and what speaks for them."""

    settings: dict[str, Any]
    """As a configuration would give them, port and line settings apart."""
    notes: dict[str, str]
    """By setting: where it comes from."""
    seen: int
    """Whole messages that came."""
    read: int
    """Of these, read with the settings."""
    lines: tuple[bytes, ...]
    """The messages."""
    numbers: tuple[str, ...]
    """In words: the numbers that move or were given a meaning."""
    last: Reading | None = field(default=None)
    """The last reading, as the settings read it."""
    unread: str = ""
    """One of the messages that are not read, and why."""

    @property
    def quantities(self) -> list[str]:
        """Return what the settings take."""
        columns, pattern = self.settings.get("columns", ()), self.settings.get("pattern", "")
        return [quantity for quantity in UNITS if quantity in columns or f"(?P<{quantity}>" in pattern]

    @property
    def share(self) -> float:
        """Return the share of the messages that is read."""
        return self.read / self.seen


def propose(chunks: Chunks, question: bytes = b"") -> Proposal | None:
    """Return settings that read what came, or None if there is nothing to be made of it.

    `question` is what was sent to get it, which the meter may have sent back.
    """
    found, framing = messages(chunks)
    if "gap_s" in framing:
        return _proposed(found, framing, {"gap_s": "no character ends a message; a pause does"})
    answers = [part for part in found if part != question.strip(EDGE)]
    if question:
        answers = _without_prompt(answers, b"".join(content for _, content in chunks), framing)
    proposal = _proposed(answers, framing, {})
    if len(answers) < len(found) and proposal is not None:
        note = {"echo": "the question comes back before its answer"}
        return replace(proposal, settings={"echo": True, **proposal.settings}, notes=proposal.notes | note)
    if proposal is None or proposal.share < _MOST:
        note = {"gap_s": "a message has several lines; a pause ends it"}
        several = _proposed(*messages_by_pause(chunks), note)
        if several is not None and (proposal is None or several.share > proposal.share):
            return several
    if not question and (proposal is None or "temperature_c" not in proposal.quantities):
        apart = _proposed_apart(found, framing, (chunks[-1][0] - chunks[0][0]) / 1000 if chunks else 0.0)
        if apart is not None and (proposal is None or len(apart.quantities) > len(proposal.quantities)):
            return apart
    return proposal


def _without_prompt(answers: Sequence[bytes], data: bytes, framing: dict[str, Any]) -> list[bytes]:
    """Return answers without the prompt left over from the one before: it is dropped before each question."""
    prompt = data.rpartition(framing.get("terminator", "\n").encode("latin-1"))[2].strip(EDGE)
    every = bool(prompt) and all(answer.startswith(prompt) for answer in answers)
    return [answer[len(prompt) :].strip(EDGE) if every else answer for answer in answers]


def _proposed_apart(found: Sequence[bytes], framing: dict[str, Any], span_s: float) -> Proposal | None:
    """Return settings for quantities in lines of their own, each known by its unit or label, or None."""
    encoding = encoding_of(found)
    texts = [part.decode(encoding, "replace").strip() for part in found]
    decimal_comma = has_decimal_comma(texts)
    kinds: dict[str, list[str]] = {}
    for text in texts:
        kinds.setdefault(re.sub(r"[-+]?[0-9]+([.,][0-9]+)?", "0", text), []).append(text)
    kinds = {kind: lines for kind, lines in kinds.items() if "0" in kind and len(lines) >= 2}
    if not 2 <= len(kinds) <= 4 or sum(map(len, kinds.values())) < _MOST * len(found):
        return None
    laid = [laid_over(lines, decimal_comma=decimal_comma)[0] for lines in kinds.values()]
    for slots in laid:
        name_numbers(slots, by_size=False)
    unnamed = [slots for slots in laid if not _quantities(slots)]
    if len(unnamed) == 1 and not any("mv" in _quantities(slots) for slots in laid):
        name_numbers(unnamed[0])
    named = [quantity for slots in laid for quantity in _quantities(slots)]
    if len(set(named)) < len(named) or "mv" not in named or len(named) < 2 or not all(map(_quantities, laid)):
        return None
    every_s = span_s / min(len(lines) for lines in kinds.values())
    carry_s = min(600.0, max(2.0, float(round(1.5 * every_s))))
    settings: dict[str, Any] = dict(framing)
    settings |= {"encoding": encoding} if encoding != "latin-1" else {}
    settings |= {"decimal_comma": True} if decimal_comma else {}
    settings["pattern"] = "|".join(_pattern(slots, decimal_comma)["pattern"] for slots in laid)
    every_slot = [slot for slots in laid for slot in slots]
    settings |= _units(every_slot)
    read, last, unread = _tried(settings, found, carry_s)
    if last is None:
        return None
    return Proposal(
        settings={**settings, "carry_s": carry_s},
        notes={"carry_s": "so long a value stands in later readings: a little more than from line to line"},
        seen=len(found),
        read=read,
        lines=tuple(found),
        numbers=tuple(_told(slot, decimal_comma) for slot in every_slot if slot.quantity != IGNORED),
        last=last,
        unread=unread,
    )


def _quantities(slots: Sequence[Slot]) -> list[str]:
    return [slot.quantity for slot in slots if slot.quantity != IGNORED]


def _proposed(found: Sequence[bytes], framing: dict[str, Any], notes: dict[str, str]) -> Proposal | None:
    """Return settings that read messages parted so, or None."""
    if len(found) < 3:
        return None
    settings = dict(framing)
    encoding = encoding_of(found)
    if encoding != "latin-1":
        settings["encoding"] = encoding
    longest = max(map(len, found))
    if longest > 200:
        settings["max_line_bytes"] = 2 * longest
    texts = [part.decode(encoding, "replace").strip() for part in found]
    decimal_comma = has_decimal_comma(texts)
    if decimal_comma:
        settings["decimal_comma"] = True
    slots, shaped = laid_over(texts, decimal_comma=decimal_comma)
    name_numbers(slots)
    if in_lines_apart(slots) or not any(slot.quantity == "mv" for slot in slots):
        return None
    candidates = []
    for layout in (_columns(slots, shaped, decimal_comma=decimal_comma), _pattern(slots, decimal_comma)):
        if layout is not None:
            whole = {**settings, **layout, **_units(slots), **_status(layout, slots, texts)}
            candidates.append((whole, *_tried(whole, found)))
    best = max(candidates, key=lambda candidate: candidate[1], default=None)
    if best is None or best[1] == 0:
        return None
    if "status" in best[0]:
        words = best[0]["status"]
        notes["status"] = (
            'what was sent most is taken for "all is well": is it?'
            if "" in words.values()
            else "are they that?"
        )
    notes |= {slot.quantity: slot.why for slot in slots if slot.why}
    return Proposal(
        settings=best[0],
        notes=notes,
        seen=len(found),
        read=best[1],
        lines=tuple(found),
        numbers=tuple(
            _told(slot, decimal_comma)
            for slot in slots
            if slot.kind == "number" and (slot.moves or slot.quantity != IGNORED)
        ),
        last=best[2],
        unread=best[3],
    )


def _tried(
    settings: dict[str, Any], found: Sequence[bytes], carry_s: float | None = None
) -> tuple[int, Reading | None, str]:
    """Return how many messages the settings read, the last reading, and one that is not read, with why."""
    try:
        reader = LineReader(LineFormatSettings.model_validate(settings), carry_s)
    except ValidationError:
        return 0, None, ""
    readings = [reading for part in found if (reading := reader.reading(Line(part), 0)) is not None]
    carried = sum(1 for part in found if reader.decodes(part)) if carry_s is not None else len(readings)
    return carried, readings[-1] if readings else None, reader.why


def _units(slots: list[Slot]) -> dict[str, Any]:
    units = {s.quantity: s.unit for s in slots if s.unit and s.unit != UNITS[s.quantity][0].name}
    return {"units": units} if units else {}


def _columns(slots: list[Slot], shaped: list[str], *, decimal_comma: bool) -> dict[str, Any] | None:
    """Return columns and delimiter, where each field is a number with or without its unit, or a word."""
    for delimiter in (";", "\t", "|", ",", " "):
        if (delimiter == "," and decimal_comma) or not all(delimiter in text for text in shaped):
            continue
        fields: list[list[Slot]] = [[]]
        for slot in slots:
            parts = slot.texts[0] == delimiter or (delimiter in " \t" and delimiter in slot.texts[0])
            if parts and slot.kind in {"other", "blank"}:
                fields.append([])
            elif slot.kind != "blank":
                fields[-1].append(slot)
        names = [_column(each) for each in fields]
        # Blanks part labels from numbers too: a pattern keeps the labels.
        labels = delimiter == " " and any(not any(s.kind == "number" for s in each) for each in fields)
        if not labels and "mv" in names and "" not in names and sum(name == STATUS for name in names) <= 1:
            layout: dict[str, Any] = {"columns": names}
            if delimiter != ";":
                layout["delimiter"] = delimiter
            return layout
    return None


def _column(field_slots: list[Slot]) -> str:
    """Return what a field is, or nothing if it is no field."""
    kinds = [slot.kind for slot in field_slots]
    if kinds.count("number") > 1:
        return ""
    if kinds[:1] == ["number"]:
        slot = field_slots[0]
        if slot.quantity == IGNORED or len(kinds) == 1:
            return slot.quantity
        unit = "".join(part.texts[0] for part in field_slots[1:])
        known = find_unit(slot.quantity, unit) is not None or slot.unit.endswith(" ohm")
        return slot.quantity if known else ""
    if "number" in kinds:
        return "" if any(slot.quantity != IGNORED for slot in field_slots) else IGNORED
    return STATUS if kinds == ["word"] else IGNORED


def _pattern(slots: list[Slot], decimal_comma: bool) -> dict[str, Any]:  # noqa: FBT001 # one of two alike
    """Return a pattern that has the lines' own labels and takes what moves."""
    number = "[-+0-9,eE]+" if decimal_comma else "[-+0-9.eE]+"
    last_word = max((place for place, slot in enumerate(slots) if slot.kind == "word"), default=-1)
    plain = {"time": "[-0-9:/.TZ ]+", "blank": r"\s+"}
    pattern, status_there, after = "", False, 0
    for place, slot in enumerate(slots):
        text = slot.texts[0]
        if place < after:
            continue
        if _is_sign(slots, place) or slot.kind == "number":
            group, after = _number_group(slots, place, number)
            pattern += group
        elif slot.kind in plain:
            pattern += plain[slot.kind]
        elif slot.kind == "sum":
            pattern += re.escape(text[0]) + "[0-9A-Fa-f]+"
        elif slot.kind == "word" and (slot.moves or (place == last_word == len(slots) - 1 and len(text) > 1)):
            if _ends_unit(slots, place) or (status_there and not slot.moves):
                pattern += re.escape(text)
            else:
                pattern += r"\w+" if status_there else rf"(?P<{STATUS}>\w+)"
                status_there = True
        else:
            pattern += re.escape(text)
    return {"pattern": pattern}


def _number_group(slots: list[Slot], place: int, number: str) -> tuple[str, int]:
    """Return what takes a number with a sign apart or a unit that switches, and the place after it."""
    at = next(at for at in range(place, len(slots)) if slots[at].kind == "number")
    slot = slots[at]
    if slot.quantity == IGNORED:
        return number, at + 1
    sign = r"[-+]\s*" if at > place else ""
    if slot.unit:
        return f"(?P<{slot.quantity}>{sign}{number})", at + 1
    units, after = behind(slots, at)
    blank = r"\s*" if slots[at + 1].kind == "blank" else ""
    return f"(?P<{slot.quantity}>{sign}{number}{blank}(?:{'|'.join(map(re.escape, sorted(units)))}))", after


def _is_sign(slots: list[Slot], place: int) -> bool:
    """Whether this is the sign of a number that was found: it changes where the potential crosses zero."""
    text = slots[place].texts[0]
    if slots[place].kind != "other" or text not in "+-\u2212":
        return False
    following = next((slot for slot in slots[place + 1 :] if slot.kind != "blank"), None)
    preceding = next((slot for slot in slots[:place][::-1] if slot.kind != "blank"), None)
    # Behind a word or a number a dash may part them.
    may = text == "+" or preceding is None or (preceding.kind == "other" and preceding.texts[0] in ",;|:=")
    return may and following is not None and following.kind == "number" and following.quantity != IGNORED


def _ends_unit(slots: list[Slot], place: int) -> bool:
    """Whether a word is the end of the unit behind a number: the `cm` of `µS/cm`."""
    first = max((p for p in range(place) if slots[p].kind == "number"), default=place) + 1
    unit = "".join(slot.texts[0] for slot in slots[first : place + 1]).strip()
    return any(find_unit(quantity, unit) for quantity in UNITS)


def _status(layout: dict[str, Any], slots: list[Slot], texts: Sequence[str]) -> dict[str, Any]:
    """Return the words that came, so that those that mean nothing set no flag."""
    names = layout.get("columns")
    words: Counter[str] = Counter()
    instead: dict[str, str] = {}
    if names is None:
        if f"(?P<{STATUS}>" in layout["pattern"]:
            place = next(
                (p for p, s in enumerate(slots) if s.kind == "word" and s.moves),
                max((p for p, s in enumerate(slots) if s.kind == "word"), default=None),
            )
            words.update(slots[place].texts if place is not None else [])
    else:
        delimiter = layout.get("delimiter", ";")
        for text in texts:
            parts = [part.strip() for part in text.split(None if delimiter == " " else delimiter)]
            if len(parts) == len(names):
                said = dict(zip(names, parts, strict=True))
                words.update([said[STATUS]] if STATUS in names else [])
                instead |= {
                    word: "meter-overrange" if re.search(_BEYOND, word) else "meter-status"
                    for name, word in said.items()
                    if name in UNITS and word and not re.search("[0-9]", word)
                }
    found = {word: "" if n == 0 else "meter-status" for n, (word, _) in enumerate(words.most_common())}
    return {"status": instead | found} if instead or found else {}


def _told(slot: Slot, decimal_comma: bool) -> str:  # noqa: FBT001 # one of two alike
    values = slot.values
    span = f"{min(values):g} to {max(values):g}" if slot.moves else f"always {values[0]:g}"
    what = "the line's count" if slot.counts else "not used" if slot.quantity == IGNORED else slot.quantity
    return f"{span.replace('.', ',') if decimal_comma else span}: {what}" + (
        f", {slot.why}" if slot.why else ""
    )
