"""Bytes in, lines out. Pure: no port, no clock, no parsing.

A line cut anywhere but at its end still looks like a line, and often like a number, so whatever
precedes the first terminator after an opening or a fault is thrown away, and said.
"""

from dataclasses import dataclass

HEAD = "cut off at the start"
TOO_LONG = "longer than max_line_bytes"
DAMAGED = "damaged on the line"


@dataclass(frozen=True, slots=True)
class Line:
    """One whole line without its terminator."""

    content: bytes


@dataclass(frozen=True, slots=True)
class Discarded:
    """Input thrown away up to and including a terminator."""

    reason: str
    """`HEAD`, `TOO_LONG` or `DAMAGED`."""
    size: int
    """Bytes thrown away, terminator included."""


class LineFramer:
    """Cuts a stream of bytes into lines; holds at most one line in memory.

    How the stream is cut into chunks changes nothing. A byte 0 marks its line as damaged: that is
    how Linux hands over a byte with a framing or parity error, and a break.

    Parameters
    ----------
    terminator : bytes
        What ends a line; empty if only silence does, then the owner calls `end_by_silence`.
    max_line_bytes : int
        The longest line taken, terminator not counted.
    discard_head : bool
        Whether everything up to the first terminator is thrown away.
    """

    def __init__(self, terminator: bytes, max_line_bytes: int, *, discard_head: bool = True) -> None:
        if max_line_bytes < 1:
            raise ValueError(f"max_line_bytes is {max_line_bytes}, must be at least 1")
        self._terminator = terminator
        self._max_line_bytes = max_line_bytes
        self._buffer = bytearray()
        self._searched = 0
        self._skipped = 0
        self._fault = HEAD if discard_head else ""

    @property
    def held_bytes(self) -> int:
        """Bytes kept for a line that is not yet whole; bounded whatever comes in."""
        return len(self._buffer)

    def feed(self, chunk: bytes) -> list[Line | Discarded]:
        """Take a chunk and return what it completes, in order."""
        buffer, terminator = self._buffer, self._terminator
        if terminator and not (buffer or self._skipped or self._fault) and chunk.endswith(terminator):
            # The usual chunk, a whole line: nothing to search for.
            size = len(chunk) - len(terminator)
            if chunk.find(terminator) == size <= self._max_line_bytes and 0 not in chunk:
                return [Line(chunk[:size])]
        buffer += chunk
        found: list[Line | Discarded] = []
        if terminator:
            begin = 0
            while (end := buffer.find(terminator, max(begin, self._searched))) >= 0:
                found.append(self._finish(bytes(buffer[begin:end]), len(terminator)))
                begin = end + len(terminator)
                self._searched = begin
            del buffer[:begin]
            self._searched = max(0, len(buffer) - len(terminator) + 1)
        self._drop_excess()
        return found

    def only_line(self, chunk: bytes) -> bytes | None:
        """Take `chunk` if it is just one whole line and nothing is held, and return the line.

        None leaves everything as it was, for `feed`.
        """
        if self._buffer or self._fault or self._skipped or not self._terminator:
            return None
        end = chunk.find(self._terminator)
        if end + len(self._terminator) != len(chunk) or not 0 <= end <= self._max_line_bytes or 0 in chunk:
            return None
        return chunk[:end]

    def take_head(self) -> int:
        """Return how many bytes of the head were thrown away so far, each once: its end may never come."""
        if self._fault != HEAD:
            return 0
        size, self._skipped = self._skipped, 0
        return size

    def end_by_silence(self) -> list[Line | Discarded]:
        """Say that the line has been silent for the time that ends a line without terminator."""
        self._searched = 0
        if not self._buffer and not self._skipped:
            self._fault = ""  # silence before the first byte: nothing was cut
            return []
        content = bytes(self._buffer)
        self._buffer.clear()
        return [self._finish(content, 0)]

    def damage(self, size: int) -> None:
        """Throw away what is held, `size` bytes that came damaged, and all up to the next terminator."""
        self._skipped += len(self._buffer) + size
        self._buffer.clear()
        self._searched = 0
        self._fault = DAMAGED

    def clear(self) -> int:
        """Forget what is held, as if just opened without a head; return how many bytes that was."""
        size = self._skipped + len(self._buffer)
        self._buffer.clear()
        self._searched = self._skipped = 0
        self._fault = ""
        return size

    def _finish(self, content: bytes, terminator_size: int) -> Line | Discarded:
        size = self._skipped + len(content)
        fault = self._fault
        if not fault and size > self._max_line_bytes:
            fault = TOO_LONG
        if not fault and 0 in content:
            fault = DAMAGED
        self._skipped = 0
        self._fault = ""
        return Discarded(fault, size + terminator_size) if fault else Line(content)

    def _drop_excess(self) -> None:
        # The last bytes may be the beginning of a terminator and must stay.
        keep = max(0, len(self._terminator) - 1)
        if self._fault or len(self._buffer) > self._max_line_bytes + keep:
            excess = len(self._buffer) - keep
            if excess > 0:
                self._skipped += excess
                del self._buffer[:excess]
                self._searched = 0
                self._fault = self._fault or TOO_LONG
