"""Where a recording's columns are: its header, found below whatever titles stand above it."""

import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from itertools import islice

from quietcell.core.recording import CANONICAL, HEADER, Heading, Layout
from quietcell.errors import RecordingError

LINES_OF_TITLE = 100
"""The header stands within so many rows."""

Place = int | tuple[int, ...]
"""Of a column in the row, or of several that are read as one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Columns:
    """The columns of a recording."""

    place: Mapping[str, Place]
    names: tuple[str, ...]
    """Headings; empty where the recording has no header."""


def places_of(place: Place) -> tuple[int, ...]:
    """Return each place."""
    return (place,) if isinstance(place, int) else place


def numbered(layout: Layout) -> bool:
    """Return whether all columns are told by their number, so that no header is needed."""
    return all(isinstance(each, int) for heading in layout.columns.values() for each in _parts(heading))


def numbered_places(layout: Layout) -> dict[str, Place]:
    """Return the places of columns that are told by their number."""
    return {key: _place((), heading) for key, heading in layout.columns.items()}


def find_header(rows: Iterable[tuple[int, Sequence[str]]], layout: Layout, name: str) -> Columns:
    """Return the columns by the first row that names all that must be there.

    Parameters
    ----------
    rows : iterable of (int, sequence of str)
        Number of the line and cells of each row; those behind the header are not taken.
    layout : Layout
        What the columns are called.
    name : str
        Of the file, for messages.

    Raises
    ------
    RecordingError
        If none does; it names the row that comes nearest.
    """
    tried: list[tuple[int, int, list[str]]] = []
    for line, row in islice(rows, LINES_OF_TITLE):
        header = headings(row)
        if not any(header):
            continue
        if names_all(header, layout):
            return columns_of(header, layout, f"{name}:{line}")
        tried.append((_told(header, layout), line, header))
    if not tried:
        raise RecordingError("no header line", subject=name, hint=f"Expected {','.join(HEADER)}")
    _, line, header = max(tried, key=lambda each: (each[0], -each[1]))
    key, heading = next(
        (key, each)
        for key in layout.columns
        if key in layout.required
        for each in _parts(layout.columns[key])
        if not _there(header, each)
    )
    joined = _plain(str(heading)) in "\n".join(header) or len(header) == 1
    raise RecordingError(
        f"no column {heading!r} (for {key}); the file has {', '.join(header)}",
        subject=f"{name}:{line}",
        hint="Say what parts them under [cells.NAME.recording]: delimiter, decimal_comma"
        if joined
        else "Name the columns under [cells.NAME.recording]",
    )


def headings(row: Sequence[str]) -> list[str]:
    """Return the cells of a row as headings are compared."""
    return [_plain(cell) for cell in row]


def names_all(header: Sequence[str], layout: Layout) -> bool:
    """Return whether a row names all columns that must be there."""
    return all(_there(header, each) for key in layout.required for each in _parts(layout.columns[key]))


def columns_of(header: Sequence[str], layout: Layout, where: str) -> Columns:
    """Return the columns a header names."""
    place: dict[str, Place] = {}
    for key, heading in layout.columns.items():
        for each in _parts(heading):
            if isinstance(each, str) and header.count(_plain(each)) > 1:
                at = [str(number) for number, cell in enumerate(header, 1) if cell == _plain(each)]
                raise RecordingError(
                    f"columns share the name {each!r}",
                    subject=where,
                    hint=f"Give one by its number under [cells.NAME.recording.columns]: "
                    f"{key} = {' or '.join(at)}",
                )
        if all(_there(header, each) for each in _parts(heading)):
            place[key] = _place(header, heading)
    if layout.columns == CANONICAL:
        _refuse_misspelt(header, place, where)
    return Columns(place=place, names=tuple(header))


def _refuse_misspelt(header: Sequence[str], place: Mapping[str, Place], where: str) -> None:
    """Refuse a heading that looks like a column which is not there: it would be ignored silently."""
    missing = [name for name in HEADER if name not in place]
    stems = {name.partition("_")[0][:4]: name for name in missing}
    for heading in header:
        folded = heading.casefold()
        close = get_close_matches(folded, missing, 1, 0.75)
        meant = close[0] if close else stems.get(folded.partition("_")[0][:4])
        if heading not in place and meant is not None:
            raise RecordingError(
                f"no column is named {heading!r}; did you mean {meant!r}?",
                subject=where,
                hint="Rename it, or name the columns under [cells.NAME.recording]",
            )


def _plain(text: str) -> str:
    """Return a heading without blanks around it, micro and ohm signs of one kind."""
    return unicodedata.normalize("NFKC", text.lstrip("\ufeff")).strip()


def _told(header: Sequence[str], layout: Layout) -> int:
    """Return how many headings stand in a row, be they parted as said or not."""
    text = "\n".join(header)
    wanted = (each for heading in layout.columns.values() for each in _parts(heading))
    return sum(_plain(str(each)) in text for each in wanted)


def _parts(heading: Heading | tuple[Heading, ...]) -> tuple[Heading, ...]:
    return heading if isinstance(heading, tuple) else (heading,)


def _there(header: Sequence[str], heading: Heading) -> bool:
    return heading <= len(header) if isinstance(heading, int) else _plain(heading) in header


def _place(header: Sequence[str], heading: Heading | tuple[Heading, ...]) -> Place:
    found = [each - 1 if isinstance(each, int) else header.index(_plain(each)) for each in _parts(heading)]
    return tuple(found) if isinstance(heading, tuple) else found[0]
