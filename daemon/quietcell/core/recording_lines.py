"""The lines of a recording as they are taken: numbered, none without end, none with what a power cut left."""

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from itertools import islice

from quietcell.errors import RecordingError

LONGEST_LINE = 64 * 1024
"""A longer line, or a cell that goes on over so many characters, is no recording."""
_ENDS = ("\r", "\n")


class Lines:
    """Takes the lines of a recording for rows to be read of them, or as they are.

    Parameters
    ----------
    lines : iterable of str
        With their ends or without.
    name : str
        Of the file, for messages.
    leave_out : callable
        Takes what is wrong with a row that was cut short; may raise it.
    """

    def __init__(self, lines: Iterable[str], name: str, leave_out: Callable[[RecordingError], None]) -> None:
        self._lines = iter(lines)
        self._name = name
        self._leave_out = leave_out
        self._broke: RecordingError | None = None
        """Where lines could be taken no further, told once those before are read."""
        self._ahead: deque[str] = deque()
        """Taken as they are and given back."""
        self._ends = False
        """Whether lines come with their ends."""
        self.cut = False
        """Whether all others came with their end, and the one read last without."""
        self.number = 0
        """Of the line read last."""

    def for_rows(self) -> Iterator[str]:
        """Yield lines, but no quoted cell that never ends: memory stays flat."""
        open_quote, held = False, 0
        while (line := self._ahead.popleft() if self._ahead else next(self._lines, None)) is not None:
            self.number += 1
            held = held + len(line) if open_quote else len(line)
            if held > LONGEST_LINE and "\0" not in line:
                raise RecordingError(
                    f"a line or quoted cell is longer than {LONGEST_LINE} characters", subject=self.where
                )
            if "\0" in line:  # what a power cut leaves; behind it a logger goes on
                *before, line = line.split("\0")
                if any(part.strip() for part in before):
                    self._leave_out(RecordingError("NUL bytes cut the row short", subject=self.where))
                if not line.strip():
                    continue
            if line.count('"') % 2:
                open_quote = not open_quote
            ends = line.endswith(_ENDS)
            self._ends, self.cut = self._ends or ends, self._ends and not ends
            yield line

    def take(self, most: int) -> list[str]:
        """Return lines as they are, up to so many."""
        lines: list[str] = []
        if self._broke is None:
            try:
                lines.extend(islice(self._lines, most))
            except RecordingError as fault:
                self._broke = fault
        if self._broke is not None and not lines:
            raise self._broke
        return lines

    def passed(self, lines: list[str]) -> None:
        """Count lines that were taken and read as they are."""
        self.number += len(lines)

    def give_back(self, lines: list[str]) -> None:
        """Let lines that were taken be read as rows."""
        self._ahead.extend(lines)

    @property
    def waiting(self) -> bool:
        """Whether lines wait to be read as rows."""
        return bool(self._ahead)

    def are_whole(self, lines: list[str]) -> bool:
        """Return whether the last of lines that were taken ends as the others do."""
        return not self._ends or lines[-1].endswith(_ENDS)

    @property
    def where(self) -> str:
        """File and line, for messages."""
        return f"{self._name}:{self.number}"
