"""From a port's bytes to readings: what streaming and polling have in common.

Pure but for the counts it keeps: stamped chunks in, readings out.
"""

from collections.abc import Sequence
from operator import or_

from quietcell.contracts import LineCounts
from quietcell.core.readings import NO_FLAG, Flag, Reading, ReadingRows, Row
from quietcell_drivers.carrying import Carrying
from quietcell_drivers.decoding import Decoded, LineDecoder, Undecodable
from quietcell_drivers.framing import HEAD, Discarded, Line
from quietcell_drivers.line_format import LineFormatSettings

_SHOWN_CHARACTERS = 80
_EDGE = bytes(range(0x21)) + b"\x7f"
"""What is dropped at the ends of a line."""
_LONGEST_PARTED = 200
"""Trying every cut of a longer line takes too long."""


def printable(content: bytes) -> str:
    r"""Return a line as a log may show it: what stands between its ends, in printable ASCII, shortened.

    Examples
    --------
    >>> printable(b"OL\xb5\x001\r")
    'OL\\xb5\\x001'
    """
    inside = content.strip(_EDGE)
    shown = "".join(chr(b) if 0x20 <= b < 0x7F else f"\\x{b:02x}" for b in inside[:_SHOWN_CHARACTERS])
    cut = len(inside) > _SHOWN_CHARACTERS or len(shown) > _SHOWN_CHARACTERS
    return shown[:_SHOWN_CHARACTERS] + "..." if cut else shown


class LineReader:
    """Decodes framed lines into readings, counts the others, and flags the reading that follows them."""

    def __init__(self, settings: LineFormatSettings, carry_s: float | None = None) -> None:
        self._decoder = LineDecoder(settings)
        self._carrying = None if carry_s is None else Carrying(round(carry_s * 1000.0))
        self.counts = LineCounts()
        self.why = ""
        """Why the last item that was no reading was none."""
        self._next_flag = NO_FLAG

    def passes_over(self, content: bytes) -> bool:
        """Whether a line says nothing and hides nothing."""
        return not content.strip() or self._decoder.passes_over(content)

    def weighed(self, items: Sequence[Line | Discarded]) -> int:
        """Return how many of `items` are readings or hide some; the others may come along with one."""
        return sum(map(self._weighs, items))

    def _weighs(self, item: Line | Discarded) -> bool:
        if isinstance(item, Discarded):
            return True
        if self.passes_over(item.content):
            return False
        if self._carrying is None:
            return True
        values = self._decoder.values(item.content)
        return isinstance(values, Undecodable) or values[0] is not None

    def decodes(self, content: bytes) -> bool:
        """Whether a line says something."""
        return isinstance(self._decoder.decode(content), Decoded)

    def flag_next(self, flag: Flag) -> None:
        """Set `flag` on the next reading, whenever it comes."""
        self._next_flag |= flag

    def parted(self, item: Line | Discarded) -> list[Line | Discarded]:
        """Return the two messages that `item` is where the silence between them was missed.

        Only where it can be cut into two readings in exactly one way; else `item` as it is.
        """
        if isinstance(item, Discarded) or isinstance(self._decoder.decode(item.content), Decoded):
            return [item]
        content = item.content
        cuts = range(1, len(content) if len(content) <= _LONGEST_PARTED else 1)
        # Blanks between the two belong to neither: cuts that differ by them alone are one way.
        parts = ((content[:place].strip(), content[place:].strip()) for place in cuts)
        ways = {two for two in parts if all(isinstance(self._decoder.decode(one), Decoded) for one in two)}
        if len(ways) != 1:
            return [item]
        ((first, second),) = ways
        return [Line(first), Line(second)]

    def reading(self, item: Line | Discarded, boot_ms: int) -> Reading | None:
        """Return the reading that `item` is, or count it and return None."""
        row = self.row(item, boot_ms)
        return None if row is None else ReadingRows([row])[0]

    def rows(self, lines: Sequence[bytes], boot_ms: Sequence[int], flags: Sequence[int]) -> list[Row]:
        """Return the readings among whole lines, given with the receipt and the flags of each, as rows."""
        alone = not self._next_flag and self._carrying is None and not self._decoder.may_pass_over
        columns = self._decoder.columns(lines) if alone and lines else None
        if columns is None:
            each = map(self.row, map(Line, lines), boot_ms, flags)
            return [row for row in each if row is not None]
        self.counts.readings += len(lines)
        *quantities, said = columns
        return list(zip(boot_ms, *quantities, map(or_, flags, said), strict=True))

    def row(self, item: Line | Discarded, boot_ms: int, flags: int = 0) -> Row | None:
        """Return the reading that `item` is as a row, or count it and return None."""
        if isinstance(item, Discarded):
            self.counts.discarded_bytes += item.size
            self.why = item.reason
            if item.reason != HEAD:
                self.counts.count(item.reason)
                self.flag_next(Flag.AFTER_ERROR)
            return None
        content = item.content
        if self.passes_over(content):
            return None
        values = self._decoder.values(content)
        if isinstance(values, Undecodable):
            self.counts.discarded_bytes += len(content)
            said_by_meter = printable(content)
            self.counts.count(values.reason, said_by_meter)
            self.why = f"{values.reason}: {said_by_meter}"
            self.flag_next(Flag.AFTER_ERROR)
            return None
        if self._carrying is not None:
            together = self._carrying.together(values, boot_ms)
            if together is None:  # what it says against its value holds for what would have rested on it
                self.flag_next(Flag(flags | values[-1]))
                return None
            values = together
        self.counts.readings += 1
        mv, temperature_c, conductivity_us_cm, flow_ml_min, said = values
        if self._next_flag:
            flags |= int(self._next_flag)
            self._next_flag = NO_FLAG
        return boot_ms, mv, temperature_c, conductivity_us_cm, flow_ml_min, flags | said
