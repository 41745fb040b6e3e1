"""What messages are made of: parted, decoded, and those of one shape laid over each other. Pure."""

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from quietcell_drivers.line_format import IGNORED

Chunks = Sequence[tuple[int, bytes]]
"""What came, with the ms at which it came."""

_TERMINATORS = (b"\n", b"\r", b"\x03", b"\x04", b"\x1e", b"\x00")
EDGE = bytes(range(0x21)) + b"\x7f"
"""What the decoder drops around a message, too."""
_TIME = (
    r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d:\d\d(?:\.\d+)?Z?"
    r"|\d{1,4}[-/.]\d\d[-/.]\d{2,4}"
    r"|(?<!\d)[0-2]\d:[0-5]\d(?::[0-5]\d(?:\.\d+)?)?(?![\d.:])"
)
_WORD = r"[^\W\d_]+\d+(?=\s*[:=])|[^\W\d_][^\W\d]*"
_SUM = r"[*\x03][0-9A-Fa-f]{2,4}\Z"
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

    @property
    def values(self) -> list[float]:
        """What the numbers are."""
        return [float(text.replace("\u2212", "-").replace(",", ".")) for text in self.texts]

    @property
    def decimals(self) -> int:
        """How many decimals the numbers have; with an exponent they say nothing: two."""
        if any(letter in text for text in self.texts for letter in "eE"):
            return 2
        return max(len(re.split("[.,]", text)[1]) if re.search("[.,]", text) else 0 for text in self.texts)

    @property
    def counts(self) -> bool:
        """Whether the numbers only count the lines."""
        if len(self.texts) < 2 or not all(text.isdecimal() for text in self.texts):
            return False  # of one line nobody knows
        steps = Counter(int(b) - int(a) for a, b in pairwise(self.texts))
        step, often = steps.most_common(1)[0]
        return step == 1 and often >= 0.7 * (len(self.texts) - 1)


def messages(chunks: Chunks) -> tuple[list[bytes], dict[str, Any]]:
    """Part what came into whole messages; return them and the settings that do so."""
    data = b"".join(content for _, content in chunks)
    for terminator in _TERMINATORS:
        if data.count(terminator) >= 3:
            found = [part.strip(EDGE) for part in data.split(terminator)[1:-1]]
            shown = "" if terminator == b"\n" else terminator.decode("latin-1")
            return [part for part in found if part], {"terminator": shown} if shown else {}
    return messages_by_pause(chunks)


def messages_by_pause(chunks: Chunks) -> tuple[list[bytes], dict[str, Any]]:
    """Part what came at its longer pauses, whatever characters are in it."""
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
    return [part.strip(EDGE) for part in groups[1:] if part.strip(EDGE)], {
        "terminator": "",
        "gap_s": gap_ms / 1000,
    }


def encoding_of(found: Sequence[bytes]) -> str:
    """Return the encoding all messages can be read in."""
    if all(byte < 0x80 for part in found for byte in part):
        return "latin-1"
    try:
        for part in found:
            part.decode("utf-8")
    except UnicodeDecodeError:
        return "latin-1"
    return "utf-8"


def has_decimal_comma(texts: Sequence[str]) -> bool:
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


def laid_over(texts: Sequence[str], *, decimal_comma: bool) -> tuple[list[Slot], list[str]]:
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
