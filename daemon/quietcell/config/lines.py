"""On which line of a TOML text each key stands; the standard parser does not tell.

Works on text that parses, so it need not judge, only follow: one pass, every character looked at
once or twice.
"""

import re
import tomllib
from bisect import bisect_right

Path = tuple[str | int, ...]
"""Keys from the top, list positions as integers."""
DEEPEST_NESTING = 16
"""Places further inside are not told apart; without a limit a hostile text costs memory in its square."""

_BLANK = re.compile(r"[ \t]*")
_BLANK_LINES = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_STRING = re.compile(
    r'"""(?:\\.|[^\\])*?"{3,5}'  # up to two quotes before the closing three belong to the text
    r"|'''.*?'{3,5}"
    r'|"(?:\\.|[^"\\\n])*"'
    r"|'[^'\n]*'",
    re.DOTALL,
)
_PLAIN_VALUE = re.compile(r"[^,\]}#\n]*")


def below(path: Path, part: str | int) -> Path:
    """Return the path one step further inside."""
    return (*path, part) if len(path) < DEEPEST_NESTING else path


class LineIndex:
    """Line numbers, from 1, of the keys of one TOML text.

    Parameters
    ----------
    text : str
        A text that `tomllib` has accepted.
    """

    def __init__(self, text: str) -> None:
        self._text = text
        self._at = 0
        self._starts = [0, *(match.end() for match in re.finditer("\n", text))]
        self._lines: dict[Path, int] = {(): 1}
        self._last_item: dict[Path, int] = {}
        self._document()

    def line(self, path: Path) -> int:
        """Return the line of `path`, or of the nearest table or list around it."""
        while path not in self._lines:
            path = path[:-1]
        return self._lines[path]

    def _document(self) -> None:
        table: Path = ()
        while True:
            self._skip(_BLANK_LINES)
            if self._at >= len(self._text):
                return
            if self._text[self._at] == "[":
                table = self._header()
            else:
                self._pair(table)

    def _header(self) -> Path:
        """Follow ``[a.b]`` or ``[[a.b]]`` and return the table it opens."""
        line = self._line_here()
        is_list = self._text.startswith("[[", self._at)
        self._at += 2 if is_list else 1
        parts = self._key()
        self._at += 2 if is_list else 1
        table: Path = ()
        for part in parts[:-1]:
            table = below(table, part)
            self._lines.setdefault(table, line)
            if table in self._last_item:
                table = below(table, self._last_item[table])
        table = below(table, parts[-1])
        if is_list:
            self._lines.setdefault(table, line)
            self._last_item[table] = self._last_item.get(table, -1) + 1
            table = below(table, self._last_item[table])
        self._lines[table] = line
        return table

    def _pair(self, table: Path) -> None:
        """Follow ``key = value``."""
        line = self._line_here()
        for part in self._key():
            table = below(table, part)
            self._lines.setdefault(table, line)
        self._at += 1  # the equals sign
        self._skip(_BLANK)
        self._value(table)

    def _key(self) -> list[str]:
        """Follow a dotted key with the blanks around it."""
        parts = []
        while True:
            self._skip(_BLANK)
            if quoted := _STRING.match(self._text, self._at):
                parts.append(tomllib.loads(f"key = {quoted[0]}")["key"])
                self._at = quoted.end()
            elif bare := _BARE_KEY.match(self._text, self._at):
                parts.append(bare[0])
                self._at = bare.end()
            self._skip(_BLANK)
            if not self._text.startswith(".", self._at):
                return parts
            self._at += 1

    def _value(self, path: Path) -> None:
        if self._text.startswith("[", self._at):
            self._items(path)
        elif self._text.startswith("{", self._at):
            self._at += 1
            while not self._closed("}"):
                self._pair(path)
        else:
            self._skip(_STRING if _STRING.match(self._text, self._at) else _PLAIN_VALUE)

    def _items(self, path: Path) -> None:
        """Follow a list."""
        self._at += 1
        position = 0
        while not self._closed("]"):
            item = below(path, position)
            self._lines.setdefault(item, self._line_here())
            self._value(item)
            position += 1

    def _closed(self, bracket: str) -> bool:
        """Step over blanks and a comma, and over `bracket` if it is there."""
        self._skip(_BLANK_LINES)
        if self._text.startswith(",", self._at):
            self._at += 1
            self._skip(_BLANK_LINES)
        closed = self._text.startswith(bracket, self._at)
        self._at += closed
        return closed

    def _skip(self, pattern: re.Pattern[str]) -> None:
        match = pattern.match(self._text, self._at)
        self._at = match.end() if match else self._at

    def _line_here(self) -> int:
        return bisect_right(self._starts, self._at)
