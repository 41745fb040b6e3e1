"""A report's page read back: its tables with the exact values behind what is shown."""

from dataclasses import dataclass, field
from html.parser import HTMLParser
from pathlib import Path

Value = float | str
"""A number as its exact value, a time as its UTC text, else the text."""


@dataclass(slots=True)
class Cell:
    """One cell: its text, and the exact values in it."""

    text: str = ""
    values: list[Value] = field(default_factory=list)

    @property
    def value(self) -> Value | None:
        """The value, where there is one only; None for a dash."""
        assert len(self.values) < 2, self.values
        return self.values[0] if self.values else None if self.text == "–" else self.text


@dataclass(slots=True)
class Table:
    """A table with its headers."""

    headers: list[str] = field(default_factory=list)
    rows: list[list[Cell]] = field(default_factory=list)

    def column(self, header: str) -> list[Cell]:
        """The cells of one column."""
        at = self.headers.index(header)
        return [row[at] for row in self.rows]

    def row(self, first: str) -> dict[str, Cell]:
        """The row that begins with a text."""
        (found,) = [row for row in self.rows if row[0].text.startswith(first)]
        return dict(zip(self.headers, found, strict=True))


class Page(HTMLParser):
    """Tables by id, the tags seen, and all text outside tables."""

    def __init__(self, path: Path) -> None:
        super().__init__(convert_charrefs=True)
        self.tables: dict[str, Table] = {}
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self._table = Table()
        self._cell: Cell | None = None
        self._head = False
        self.feed(path.read_text(encoding="utf-8"))

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Take note of a tag."""
        given = dict(attrs)
        self.tags.append((tag, given))
        if tag == "table":
            self._table = Table()
            self.tables[given.get("id") or f"table-{len(self.tables)}"] = self._table
        elif tag == "thead":
            self._head = True
        elif tag == "tr" and not self._head:
            self._table.rows.append([])
        elif tag in {"td", "th"}:
            self._cell = Cell()
        elif self._cell is not None and tag == "data":
            self._cell.values.append(float(given["value"] or "nan"))
        elif self._cell is not None and tag == "time":
            self._cell.values.append(given["datetime"] or "")

    def handle_endtag(self, tag: str) -> None:
        """Put a cell where it belongs."""
        if tag == "thead":
            self._head = False
        elif tag in {"td", "th"} and self._cell is not None:
            if self._head:
                self._table.headers.append(self._cell.text)
            else:
                self._table.rows[-1].append(self._cell)
            self._cell = None

    def handle_data(self, data: str) -> None:
        """Take text."""
        if self._cell is not None:
            self._cell.text += data
        self.text += data
