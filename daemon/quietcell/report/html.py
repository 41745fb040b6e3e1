"""HTML from parts; whatever is not HTML already is escaped, so no record can put markup into a page."""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from html import escape

from quietcell.core.records import Json
from quietcell.core.times import utc_ms

VOID = frozenset({"img", "meta"})


class Html(str):
    """Text that is HTML and may stand as it is."""

    __slots__ = ()


def safe(part: object) -> Html:
    """Return a part as HTML: escaped, unless it is HTML."""
    if isinstance(part, Html):
        return part
    return Html(_LONG.sub(_breakable, escape(_visible(str(part)))))


# An entity counts as one character, so that none is torn apart.
_LONG = re.compile(r"(?:&[#\w]+;|[^\s&-]){24,}")
_PIECE = re.compile(r"(?:&[#\w]+;|[^&]){1,12}")


def _breakable(word: re.Match[str]) -> str:
    """Let a long word break where there is no room for it."""
    return "<wbr>".join(_PIECE.findall(word[0]))


def _visible(text: str) -> str:
    """Replace characters a page can't hold or that would turn the order of the text."""
    return _UNWANTED.sub("\N{REPLACEMENT CHARACTER}", text)


_UNWANTED = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069\ud800-\udfff]")


def tag(name: str, /, *children: object, **attributes: object) -> Html:
    """Return an element.

    Parameters
    ----------
    name : str
        Of the element.
    children : object
        What lies in it; escaped unless it is `Html`.
    attributes : object
        By name; ``_`` stands for ``-``, one at the end is dropped. None leaves one out.
    """
    words = "".join(
        f' {key.rstrip("_").replace("_", "-")}="{escape(_visible(str(value)))}"'
        for key, value in attributes.items()
        if value is not None
    )
    if name in VOID:
        return Html(f"<{name}{words}>")
    return Html(f"<{name}{words}>{''.join(map(safe, children))}</{name}>")


def joined(parts: Iterable[object], between: str = "") -> Html:
    """Return parts one behind the other."""
    return Html(between.join(map(safe, parts)))


NOT_KNOWN = tag("span", "–", title="not known or not measured")


def number(value: float | None, places: int | None = None, *, sign: bool = False) -> Html:
    """Return a number as people read it, with the exact value as data.

    Parameters
    ----------
    value : float or None
        None for not known.
    places : int, optional
        Decimals shown; all there are if left out.
    sign : bool
        Show a plus sign.
    """
    if value is None:
        return NOT_KNOWN
    text = f"{value:{'+' if sign else ''}}" if places is None else f"{value:{'+' if sign else ''}.{places}f}"
    return tag("data", text.replace("-", "−"), value=repr(value))


@dataclass(frozen=True, slots=True)
class Times:
    """Writes instants in one time zone."""

    zone: tzinfo = UTC

    def __call__(self, at: str | None, *, ms: bool = False) -> Html:
        """Return an RFC 3339 time as people read it; milliseconds only where asked for."""
        if at is None:
            return NOT_KNOWN
        moment = datetime.fromtimestamp(utc_ms(at) / 1000, self.zone)
        text = moment.strftime("%Y-%m-%d %H:%M:%S")
        if ms:
            text += f".{utc_ms(at) % 1000:03d}"
        if self.zone is not UTC:
            text += f" {moment:%z}"
        return tag("time", text, datetime=at)


def table(
    caption: str, headers: Sequence[str], rows: Iterable[Sequence[object]], *, id_: str | None = None
) -> Html:
    """Return a table with a caption and headers; the first cell of a row is its header.

    On narrow screens every cell says by itself what it is.
    """
    head = tag("tr", *(tag("th", header, scope="col") for header in headers))
    body = []
    for row in rows:
        first, *rest = row
        cells = [
            tag("th", first, scope="row"),
            *(
                tag("td", tag("span", cell), data_label=header, class_="n" if _is_number(cell) else None)
                for header, cell in zip(headers[1:], rest, strict=True)
            ),
        ]
        body.append(tag("tr", *cells))
    return tag(
        "table",
        tag("caption", caption),
        tag("thead", head),
        tag("tbody", *body),
        id=id_,
        class_="wide" if len(headers) > 7 else None,
    )


def facts(rows: Iterable[tuple[str, object]], caption: str) -> Html:
    """Return a table of names and values."""
    body = [tag("tr", tag("th", name, scope="row"), tag("td", value)) for name, value in rows]
    return tag("table", tag("caption", caption), tag("tbody", *body), class_="facts")


def _is_number(cell: object) -> bool:
    """Tell whether a cell is one number, which must not break."""
    return isinstance(cell, Html) and (
        cell is NOT_KNOWN or (cell.startswith("<data") and cell.count("<") == 2)
    )


def words(values: Iterable[Json]) -> str:
    """Return values in a row, a dash for none."""
    return ", ".join(map(str, values)) or "–"
