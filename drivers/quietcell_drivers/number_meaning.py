"""What the numbers of messages mean: by the unit behind, else the label before, else their size. Pure."""

import re
from collections.abc import Iterable, Sequence
from itertools import pairwise, product

from quietcell.core.units import UNITS, find_unit
from quietcell_drivers.line_format import IGNORED
from quietcell_drivers.message_shape import Slot

_LABELS = {
    "mv": r"mv|e|u|v|emf|ise|pot\w*|millivolts?|volts?",
    "temperature_c": r"t|temp\w*|thermo\w*|pt\w*|(?:deg)?[cf]",
    "conductivity_us_cm": r"k|kappa|cond\w*|lf|ec|rho|res\w*|kond\w*|[uµμ]s\w*|ms\w*",
    "flow_ml_min": r"q|flow\w*|rate|ml\w*",
}
_NOT_WANTED = r"ph|orp|do|o|date|time|no|nr"
"""Labels of numbers that are none of the readings'; their size must not make them one."""
_UNIT = r"[^\W\d_]?(?:S|[lL])/.+|[^\W\d_]?(?:[oO]hm|\u03a9|\u2126).*|[^\W\d_]V"
"""What looks like a unit, whether it is known or not."""


_MOST_MV = 3000.0
"""No electrode gives more, common practice, no source: from memory."""


def in_lines_apart(slots: Sequence[Slot]) -> bool:
    """Whether one place has the labels of several quantities or meters: each comes in a line of its own."""
    numbers = [(place, slot) for place, slot in enumerate(slots) if slot.kind == "number"]
    addresses = [slot.texts for _, slot in numbers if all(map(str.isdecimal, slot.texts))]
    return any(_parted_by(_words_before(slots, place), slot.values) for place, slot in numbers) or any(
        _parted_by(address, slot.values)
        for address in addresses
        for _, slot in numbers
        if slot.texts is not address
    )


def _parted_by(words: Sequence[str], values: Sequence[float]) -> bool:
    """Whether words are labels of several quantities: of known ones, or each with values of its own size."""
    if len({_labelled(word) for word in words} - {""}) > 1:
        return True
    of_word: dict[str, list[float]] = {}
    for word, value in zip(words, values, strict=False):
        of_word.setdefault(word, []).append(value)
    spans = sorted((min(own), max(own)) for own in of_word.values())
    often = all(len(own) >= 3 for own in of_word.values())
    often = often and sum(a != b for a, b in pairwise(words)) >= 2 * len(of_word)  # not once for good
    return often and len(spans) > 1 and all(a[1] < b[0] for a, b in pairwise(spans))


def name_numbers(slots: list[Slot], *, by_size: bool = True) -> None:
    """Say of each number what it is: by its unit, its label, or (with `by_size`) its size."""
    _name_by_units(slots)
    for place, slot in enumerate(slots):
        label = _before(slots, place)
        if slot.kind != "number" or slot.quantity != IGNORED or slot.why or not label:
            continue
        if quantity := _labelled(label, _free(slots)):
            slot.quantity, slot.unit = quantity, _unit_by_size(quantity, slot)
            slot.why = f"its label {label!r}"
    unnamed = [
        slot
        for place, slot in enumerate(slots)
        if slot.kind == "number"
        and slot.quantity == IGNORED
        and not slot.why
        and (slot.moves or slot.decimals > 0)
        and not slot.counts
        and not re.fullmatch(_NOT_WANTED, _before(slots, place) or "-", re.IGNORECASE)
    ]
    # Where a voltage in an unknown unit stands, no other number is the potential.
    voltage = any(re.search(r"V' is none", slot.why) for slot in slots)
    if by_size and not voltage:
        _name_by_size(unnamed[:5], _free(slots))
    for slot in unnamed:
        if slot.quantity == "conductivity_us_cm" and _may_be_ph(slot, slots):
            slot.quantity, slot.unit, slot.why = IGNORED, "", "it may be the pH"
    for slot in slots:
        if slot.quantity == "mv" and _too_large(slot):
            slot.quantity, slot.unit, slot.why = IGNORED, "", "too large for an electrode's potential"


def _name_by_units(slots: list[Slot]) -> None:
    """Name numbers by the units behind them or, where more have one there, in front of them."""
    numbers = [place for place, slot in enumerate(slots) if slot.kind == "number"]
    behind_them = {place: behind(slots, place)[0] for place in numbers}
    before_them = {place: {_unit_before(slots, place)} for place in numbers}
    in_front = sum(map(_some_unit, before_them.values())) > sum(map(_some_unit, behind_them.values()))
    for place in numbers:
        _name_by_unit(slots[place], (before_them if in_front else behind_them)[place], _free(slots))
    for place, slot in enumerate(slots):
        if slot.kind != "number" or in_front:
            continue
        units = behind_them[place]
        behind_it, known = min(units), _some_unit(units)
        if slot.quantity == IGNORED and known:
            slot.why = f"its unit {behind_it!r} stands behind another number too"
        elif slot.quantity == IGNORED and re.fullmatch(_UNIT, behind_it):
            slot.why = f"its unit {behind_it!r} is none that is known here"  # off by a factor, if taken


def _too_large(slot: Slot) -> bool:
    return max(map(abs, slot.values)) * (1000.0 if slot.unit == "V" else 1.0) > _MOST_MV


def _free(slots: list[Slot]) -> list[str]:
    """Return the quantities no number has been found for."""
    return [quantity for quantity in UNITS if all(slot.quantity != quantity for slot in slots)]


def _some_unit(texts: set[str]) -> bool:
    """Whether all of the texts are units of one quantity."""
    return any(all(find_unit(quantity, text) for text in texts) for quantity in UNITS)


def _name_by_unit(slot: Slot, texts: set[str], free: Sequence[str]) -> None:
    """Name a number by the unit that is always there, or by the several between which it switches."""
    first, *others = sorted(texts)
    if not first:
        return
    for quantity in free:
        units = [find_unit(quantity, text) for text in texts]
        if all(units) and units[0] is not None:
            slot.quantity, slot.unit, slot.why = quantity, units[0].name, f"its unit {first!r}"
            if others:  # each line names its own
                slot.unit, slot.why = "", f"its units {', '.join(map(repr, sorted(texts)))}"
            return
    if "temperature_c" in free and not others and re.fullmatch(r"ohm|\u03a9|\u2126", first, re.IGNORECASE):
        element = "Pt1000 ohm" if abs(slot.values[0]) > 400 else "Pt100 ohm"
        slot.quantity, slot.unit, slot.why = "temperature_c", element, f"its unit {first!r}"


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
            if name == "mv" and slot.unit == "mV" and all(0.0 <= value <= 14.0 for value in slot.values):
                slot.why += "; if it is pH, switch the meter to mV: its pH is of no use here"


def _fits(quantity: str, slot: Slot) -> float:
    """Return how well a number without name goes with a quantity; 0 where nothing speaks for it."""
    values = slot.values
    mean, spread = sum(values) / len(values), max(values) - min(values)
    decimals = slot.decimals
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


def behind(slots: Sequence[Slot], place: int) -> tuple[set[str], int]:
    """Return what may be the unit behind a number, in all lines, and the place after it."""
    at = place + 1
    if at < len(slots) and slots[at].kind == "blank":
        at += 1
    end, texts = at, [""] * len(slots[place].texts)
    while end < len(slots) and len(texts[0]) < 8 and _in_unit(slots[end]):
        if slots[end].moves and not (end == at and slots[end].kind == "word"):
            break
        texts = [text + more for text, more in zip(texts, slots[end].texts, strict=True)]
        end += 1
    found = set(texts)
    return (found, end) if len(found) == 1 or _some_unit(found) else ({""}, place + 1)


def _unit_before(slots: Sequence[Slot], place: int) -> str:
    """Return what may be the unit in front of a number."""
    place -= 1
    while place >= 0 and (slots[place].kind == "blank" or slots[place].texts[0] in "=:"):
        place -= 1
    text = ""
    while place >= 0 and len(text) < 8 and _in_unit(slots[place]) and not slots[place].moves:
        text = slots[place].texts[0] + text
        place -= 1
    return "" if text == "V" else text  # which may as well be the label of a voltage


def _in_unit(slot: Slot) -> bool:
    return slot.kind == "word" or (slot.kind == "other" and slot.texts[0] in "°µΩ·/%.²")


def _before(slots: Sequence[Slot], place: int) -> str:
    """Return what may be the label before a number."""
    return (_words_before(slots, place) or [""])[0]


def _words_before(slots: Sequence[Slot], place: int) -> list[str]:
    """Return the word before a number in each line."""
    place -= 1
    while place >= 0 and (slots[place].kind == "blank" or slots[place].texts[0] in "=:>#"):
        place -= 1
    return slots[place].texts if place >= 0 and slots[place].kind == "word" else []


def _labelled(label: str, quantities: Iterable[str] = _LABELS) -> str:
    """Return the first quantity that has this label, or nothing."""
    return next((each for each in quantities if re.fullmatch(_LABELS[each], label, re.IGNORECASE)), "")


def _may_be_ph(slot: Slot, slots: Sequence[Slot]) -> bool:
    """Whether a number is about the pH that its line's mV give with an electrode of usual slope and zero."""
    mv = next((s for s in slots if s.quantity == "mv" and s.unit == "mV"), None)
    return mv is not None and all(
        abs(ph - 7.0 + potential / 58.0) < 1.0 for ph, potential in zip(slot.values, mv.values, strict=True)
    )


def _element(mean: float) -> str:
    """Return the thermometer whose ohms between 10 and 45 °C these may be."""
    return "Pt100 ohm" if 103.9 <= mean <= 117.5 else "Pt1000 ohm" if 1039.0 <= mean <= 1175.0 else ""


def _unit_by_size(quantity: str, slot: Slot) -> str:
    """Return the unit that fits the size of unnamed numbers."""
    values = slot.values
    mean = sum(values) / len(values)
    if quantity == "mv":
        fine = all(len(re.split("[.,]", text)[-1]) >= 4 for text in slot.texts if re.search("[.,]", text))
        return "V" if abs(mean) < 2.0 and fine and any(re.search("[.,]", t) for t in slot.texts) else "mV"
    if quantity == "temperature_c":
        return "K" if 273.0 <= mean <= 373.0 else _element(mean) or ("°F" if mean > 45.0 else "°C")
    if quantity == "conductivity_us_cm" and 14.0 < mean <= 20.0:
        return "MΩ·cm"  # purified water is far likelier than water of so much conductivity
    return UNITS[quantity][0].name
