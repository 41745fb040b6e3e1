"""From bytes a meter sent to settings that read them. Pure.

Lines of one shape are laid over each other: what stays is label or unit, what moves is a value. What a
value means follows from the unit behind it, else from the label before it, else from its size; each
guess says which.
"""

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise, product
from typing import Any

from pydantic import ValidationError

from quietcell.core.readings import Reading
from quietcell_drivers.framing import Line
from quietcell_drivers.line_format import IGNORED, STATUS, LineFormatSettings
from quietcell_drivers.line_reader import LineReader
from quietcell_drivers.units import UNITS, find_unit

Chunks = Sequence[tuple[int, bytes]]
"""What came, with the ms at which it came."""

_TERMINATORS = (b"\n", b"\r", b"\x03", b"\x04", b"\x1e", b"\x00")
_EDGE = bytes(range(0x21)) + b"\x7f"
"""What the decoder drops around a message, too."""
_LABELS = {
    "mv": r"mv|e|u|emf|ise|pot\w*|millivolts?|volts?",
    "temperature_c": r"t|temp\w*|thermo\w*|pt\w*|(?:deg)?[cf]",
    "conductivity_us_cm": r"k|kappa|cond\w*|lf|ec|rho|res\w*|kond\w*|[uµμ]s\w*|ms\w*",
    "flow_ml_min": r"q|flow\w*|rate|ml\w*",
}
_NOT_WANTED = r"ph|orp|do|o|date|time|no|nr"
"""Labels of numbers that are none of the readings'; their size must not make them one."""
_TIME = (
    r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d:\d\d(?:\.\d+)?Z?"
    r"|\d{1,4}[-/.]\d\d[-/.]\d{2,4}"
    r"|(?<!\d)[0-2]\d:[0-5]\d(?::[0-5]\d(?:\.\d+)?)?(?![\d.:])"
)
_WORD = r"[^\W\d_]+\d+(?=\s*[:=])|[^\W\d_][^\W\d]*"
_SUM = r"\*[0-9A-Fa-f]{2,4}\Z"
"""A check sum at the end, as messages of some families have it."""


@dataclass(slots=True)
class Slot:
    """One place in all lines of a shape."""

    kind: str
    """number, time, sum, word, blank or other."""
    texts: list[str]
    quantity: str = IGNORED
    unit: str = ""
    why: str = ""

    @property
    def moves(self) -> bool:
        """Whether it differs from line to line."""
        return len(set(self.texts)) > 1


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
    moving: tuple[str, ...]
    """In words: the numbers that move."""
    last: Reading | None = field(default=None)
    """The last reading, as the settings read it."""


def messages(chunks: Chunks) -> tuple[list[bytes], dict[str, Any]]:
    """Part what came into whole messages; return them and the settings that do so."""
    data = b"".join(content for _, content in chunks)
    for terminator in _TERMINATORS:
        if data.count(terminator) >= 3:
            found = [part.strip(_EDGE) for part in data.split(terminator)[1:-1]]
            shown = "" if terminator == b"\n" else terminator.decode("latin-1")
            return [part for part in found if part], {"terminator": shown} if shown else {}
    pauses = [b - a for (a, _), (b, _) in pairwise(chunks)]
    if not pauses:
        return [], {}
    # Pauses inside a message are short (USB adapters: 16 ms); a machine that hesitated makes odd long ones.
    between = sorted(pause for pause in pauses if pause > 30) or [max(pauses)]
    least = between[len(between) // 10]
    gap_ms = max(20, min(10_000, least // 2))
    groups: list[bytes] = [b""]
    for pause, (_, content) in zip([0, *pauses], chunks, strict=True):
        if pause > gap_ms:
            groups.append(b"")
        groups[-1] += content
    return [part.strip(_EDGE) for part in groups[1:] if part.strip(_EDGE)], {
        "terminator": "",
        "gap_s": gap_ms / 1000,
    }


def propose(chunks: Chunks) -> Proposal | None:
    """Return settings that read what came, or None if there is nothing to be made of it."""
    found, framing = messages(chunks)
    if len(found) < 3:
        return None
    settings: dict[str, Any] = dict(framing)
    notes = {"gap_s": "no character ends a message; a pause does"} if "gap_s" in framing else {}
    encoding = _encoding(found)
    if encoding != "latin-1":
        settings["encoding"] = encoding
    longest = max(map(len, found))
    if longest > 200:
        settings["max_line_bytes"] = 2 * longest
    texts = [part.decode(encoding, "replace").strip() for part in found]
    decimal_comma = _decimal_comma(texts)
    if decimal_comma:
        settings["decimal_comma"] = True
    slots, shaped = _slots(texts, decimal_comma=decimal_comma)
    _name(slots)
    if not any(slot.quantity == "mv" for slot in slots):
        return None
    candidates = []
    for layout in (_columns(slots, shaped, decimal_comma=decimal_comma), _pattern(slots, decimal_comma)):
        if layout is not None:
            whole = {**settings, **layout, **_units(slots), **_status(layout, slots, texts)}
            candidates.append((whole, *_tried(whole, found)))
    best = max(candidates, key=lambda candidate: candidate[1], default=None)
    if best is None or best[1] == 0:
        return None
    notes |= {slot.quantity: slot.why for slot in slots if slot.why}
    return Proposal(
        settings=best[0],
        notes=notes,
        seen=len(found),
        read=best[1],
        lines=tuple(found),
        moving=tuple(_told(slot, decimal_comma) for slot in slots if slot.kind == "number" and slot.moves),
        last=best[2],
    )


def _tried(settings: dict[str, Any], found: Sequence[bytes]) -> tuple[int, Reading | None]:
    """Return how many messages the settings read, and the last reading."""
    try:
        reader = LineReader(LineFormatSettings.model_validate(settings))
    except ValidationError:
        return 0, None
    readings = [reading for part in found if (reading := reader.reading(Line(part), 0)) is not None]
    return len(readings), readings[-1] if readings else None


# --- what the text is made of --------------------------------------------------------------------


def _encoding(found: Sequence[bytes]) -> str:
    if all(byte < 0x80 for part in found for byte in part):
        return "latin-1"
    try:
        for part in found:
            part.decode("utf-8")
    except UnicodeDecodeError:
        return "latin-1"
    return "utf-8"


def _decimal_comma(texts: Sequence[str]) -> bool:
    """Whether the comma in numbers is a decimal one: then there is no point and something else parts them."""
    together = "\n".join(re.sub(_TIME, " ", text) for text in texts)
    if re.search(r"\d\.\d", together) or not re.search(r"\d,\d", together):
        return False
    if re.search(r"\d,[-+]?\d+,[-+]?\d", together) or re.search(r",[-+ ]+\d", together):
        return False
    return bool(re.search(r"\d,\d+[^\d,\n]+[-+]?\d|\d,\d+[ ]?[^\W\d_]", together))


def _number(*, decimal_comma: bool) -> str:
    point = "," if decimal_comma else r"\."
    return rf"(?:(?<!\d)[-+\u2212])?(?:\d+(?:{point}\d+)?|{point}\d+)(?:[eE][-+]?\d{{1,2}}(?![\d.,]))?"


def _slots(texts: Sequence[str], *, decimal_comma: bool) -> tuple[list[Slot], list[str]]:
    """Lay the lines of the commonest shape over each other; return its places and these lines."""
    token = re.compile(
        rf"(?P<sum>{_SUM})|(?P<time>{_TIME})|(?P<number>{_number(decimal_comma=decimal_comma)})|(?P<word>{_WORD})"
        r"|(?P<blank>\s+)|(?P<other>.)",
        re.DOTALL,
    )
    by_shape: dict[tuple[str, ...], list[tuple[str, list[str]]]] = {}
    for text in texts:
        found = [(str(piece.lastgroup), piece.group()) for piece in token.finditer(text)]
        shape = tuple(content if kind == "other" else kind for kind, content in found)
        by_shape.setdefault(shape, []).append((text, [content for _, content in found]))
    with_numbers = {shape: rows for shape, rows in by_shape.items() if "number" in shape} or by_shape
    shape, rows = max(with_numbers.items(), key=lambda item: len(item[1]))
    kinds = [kind if kind in {"sum", "time", "number", "word", "blank"} else "other" for kind in shape]
    slots = [Slot(kind, [pieces[place] for _, pieces in rows]) for place, kind in enumerate(kinds)]
    return slots, [text for text, _ in rows]


# --- what the numbers mean -----------------------------------------------------------------------


def _value(text: str) -> float:
    return float(text.replace("\u2212", "-").replace(",", "."))


def _name(slots: list[Slot]) -> None:
    """Say of each number what it is: by its unit, its label, or its size."""
    for place, slot in enumerate(slots):
        if slot.kind == "number":
            _name_by_unit(slot, _behind(slots, place), _free(slots))
    for place, slot in enumerate(slots):
        label = _before(slots, place)
        if slot.kind != "number" or slot.quantity != IGNORED or not label:
            continue
        for quantity in _free(slots):
            if re.fullmatch(_LABELS[quantity], label, re.IGNORECASE):
                slot.quantity, slot.unit = quantity, _unit_by_size(quantity, slot)
                slot.why = f"its label {label!r}"
                break
    unnamed = [
        slot
        for place, slot in enumerate(slots)
        if slot.kind == "number"
        and slot.quantity == IGNORED
        and (slot.moves or _decimals(slot) > 0)
        and not _counts(slot)
        and not re.fullmatch(_NOT_WANTED, _before(slots, place) or "-", re.IGNORECASE)
    ]
    _name_by_size(unnamed[:5], _free(slots))


def _free(slots: list[Slot]) -> list[str]:
    """Return the quantities no number has been found for."""
    return [quantity for quantity in UNITS if all(slot.quantity != quantity for slot in slots)]


def _name_by_unit(slot: Slot, behind: str, free: Sequence[str]) -> None:
    if not behind:
        return
    for quantity in free:
        if (unit := find_unit(quantity, behind)) is not None:
            slot.quantity, slot.unit, slot.why = quantity, unit.name, f"its unit {behind!r}"
            return
    if "temperature_c" in free and re.fullmatch(r"ohm|\u03a9|\u2126", behind, re.IGNORECASE):
        element = "Pt1000 ohm" if abs(_value(slot.texts[0])) > 400 else "Pt100 ohm"
        slot.quantity, slot.unit, slot.why = "temperature_c", element, f"its unit {behind!r}"


def _name_by_size(unnamed: list[Slot], free: list[str]) -> None:
    """Give numbers the quantities that fit their sizes best, all together."""
    best: tuple[float, tuple[str, ...]] = (0.0, ())
    for names in product([*free, IGNORED], repeat=len(unnamed)):
        twice = any(name != IGNORED and names.count(name) > 1 for name in names)
        if twice or ("mv" in free and "mv" not in names):
            continue
        worth = sum(_fits(name, slot) for name, slot in zip(names, unnamed, strict=True))
        order = [list(UNITS).index(name) for name in names if name != IGNORED]
        worth += 0.5 * sum(a < b for a, b in pairwise(order)) + 1.0 * (order[:1] == [0])
        if not best[1] or worth > best[0]:
            best = (worth, names)
    for name, slot in zip(best[1], unnamed, strict=False):
        if name != IGNORED:
            slot.quantity, slot.unit = name, _unit_by_size(name, slot)
            slot.why = "a guess from its size and place"


def _decimals(slot: Slot) -> int:
    """Return how many decimals a number has; with an exponent they say nothing: two."""
    if any(letter in text for text in slot.texts for letter in "eE"):
        return 2
    return max(len(re.split("[.,]", text)[1]) if re.search("[.,]", text) else 0 for text in slot.texts)


def _fits(quantity: str, slot: Slot) -> float:
    """Return how well a number without name goes with a quantity; 0 where nothing speaks for it."""
    values = [_value(text) for text in slot.texts]
    mean, spread = sum(values) / len(values), max(values) - min(values)
    decimals = _decimals(slot)
    if quantity == "mv":
        return 1.0 + 4.0 * (min(values) < 0.0) + 1.0 * (abs(mean) >= 1.0) + 0.5 * (decimals in {1, 2})
    if quantity == "temperature_c":
        ordinary = 5.0 <= mean <= 45.0 and decimals <= 3
        return 3.0 if spread < 8.0 and (ordinary or 278.0 <= mean <= 318.0 or _element(mean)) else -5.0
    if quantity == "conductivity_us_cm":
        return 1.0 + 1.0 * (decimals >= 3) + 1.0 * (mean < 1.0) if 0.01 <= mean <= 20.0 else -5.0
    if quantity == "flow_ml_min":
        return 2.0 - 0.5 * decimals if 10.0 <= mean <= 1000.0 else -5.0
    return 0.0


def _behind(slots: list[Slot], place: int) -> str:
    """Return what may be the unit behind a number."""
    text, place = "", place + 1
    if place < len(slots) and slots[place].kind == "blank":
        place += 1
    while place < len(slots) and len(text) < 8:
        slot = slots[place]
        inside = slot.kind == "word" or (slot.kind == "other" and slot.texts[0] in "°µΩ·/%.²")
        if slot.moves or not inside:
            break
        text += slot.texts[0]
        place += 1
    return text


def _before(slots: list[Slot], place: int) -> str:
    """Return what may be the label before a number."""
    place -= 1
    while place >= 0 and (slots[place].kind == "blank" or slots[place].texts[0] in "=:>#"):
        place -= 1
    return slots[place].texts[0] if place >= 0 and slots[place].kind == "word" else ""


def _counts(slot: Slot) -> bool:
    """Whether a number only counts the lines."""
    if not all(text.isdecimal() for text in slot.texts):
        return False
    steps = Counter(int(b) - int(a) for a, b in pairwise(slot.texts))
    step, often = steps.most_common(1)[0]
    return step == 1 and often >= 0.7 * (len(slot.texts) - 1)


def _element(mean: float) -> str:
    """Return the thermometer whose ohms between 10 and 45 °C these may be."""
    return "Pt100 ohm" if 103.9 <= mean <= 117.5 else "Pt1000 ohm" if 1039.0 <= mean <= 1175.0 else ""


def _unit_by_size(quantity: str, slot: Slot) -> str:
    """Return the unit that fits the size of unnamed numbers."""
    values = [_value(text) for text in slot.texts]
    mean = sum(values) / len(values)
    if quantity == "mv":
        fine = all(len(re.split("[.,]", text)[-1]) >= 4 for text in slot.texts if re.search("[.,]", text))
        return "V" if abs(mean) < 2.0 and fine and any(re.search("[.,]", t) for t in slot.texts) else "mV"
    if quantity == "temperature_c":
        return "K" if 273.0 <= mean <= 373.0 else _element(mean) or ("°F" if mean > 45.0 else "°C")
    if quantity == "conductivity_us_cm" and 14.0 < mean <= 20.0:
        return "MΩ·cm"  # purified water is far likelier than water of so much conductivity
    return UNITS[quantity][0].name


# --- settings ------------------------------------------------------------------------------------


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
        behind = "".join(part.texts[0] for part in field_slots[1:])
        known = find_unit(slot.quantity, behind) is not None or slot.unit.endswith(" ohm")
        return slot.quantity if known else ""
    if "number" in kinds:
        return "" if any(slot.quantity != IGNORED for slot in field_slots) else IGNORED
    return STATUS if kinds == ["word"] else IGNORED


def _pattern(slots: list[Slot], decimal_comma: bool) -> dict[str, Any]:  # noqa: FBT001 # one of two alike
    """Return a pattern that has the lines' own labels and takes what moves."""
    number = "[-+0-9,eE]+" if decimal_comma else "[-+0-9.eE]+"
    last_word = max((place for place, slot in enumerate(slots) if slot.kind == "word"), default=-1)
    pattern, status_there = "", False
    for place, slot in enumerate(slots):
        text = slot.texts[0]
        if slot.kind == "number":
            pattern += number if slot.quantity == IGNORED else f"(?P<{slot.quantity}>{number})"
        elif slot.kind == "time":
            pattern += "[-0-9:/.TZ ]+"
        elif slot.kind == "sum":
            pattern += r"\*[0-9A-Fa-f]+"
        elif slot.kind == "blank":
            pattern += r"\s+"
        elif slot.kind == "word" and (slot.moves or (place == last_word == len(slots) - 1 and len(text) > 1)):
            is_unit = place > 0 and any(find_unit(q, text) for q in UNITS)
            if is_unit or (status_there and not slot.moves):
                pattern += re.escape(text)
            else:
                pattern += r"\w+" if status_there else rf"(?P<{STATUS}>\w+)"
                status_there = True
        else:
            pattern += re.escape(text)
    return {"pattern": pattern}


def _status(layout: dict[str, Any], slots: list[Slot], texts: Sequence[str]) -> dict[str, Any]:
    """Return the words that came, so that those that mean nothing set no flag."""
    names = layout.get("columns")
    words: Counter[str] = Counter()
    if names is None:
        if f"(?P<{STATUS}>" in layout["pattern"]:
            place = next(
                (p for p, s in enumerate(slots) if s.kind == "word" and s.moves),
                max((p for p, s in enumerate(slots) if s.kind == "word"), default=None),
            )
            words.update(slots[place].texts if place is not None else [])
    elif STATUS in names:
        delimiter = layout.get("delimiter", ";")
        for text in texts:
            parts = text.split(None if delimiter == " " else delimiter)
            if len(parts) == len(names):
                words.update([parts[names.index(STATUS)].strip()])
    if not words:
        return {}
    (usual, _), *others = words.most_common()
    return {"status": {usual: "", **{word: "meter-status" for word, _ in others}}}


def _told(slot: Slot, decimal_comma: bool) -> str:  # noqa: FBT001 # one of two alike
    values = [_value(text) for text in slot.texts]
    span = f"{min(values):g} to {max(values):g}"
    what = "the line's count" if _counts(slot) else "not used" if slot.quantity == IGNORED else slot.quantity
    return f"{span.replace('.', ',') if decimal_comma else span}: {what}" + (
        f", {slot.why}" if slot.why else ""
    )
