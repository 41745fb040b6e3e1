"""Records as rows of flat CSV in the form an integrator chose; pure.

Quoting and line ends follow RFC 4180. A text that a spreadsheet would take for a formula gets a leading
apostrophe (common practice, no standard); numbers written here never do, as they hold nothing but
digits, a sign, a decimal mark and an exponent.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

LINE_END = "\r\n"
LIST_SEPARATOR = " "
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One column."""

    path: str
    """Field of the record; a dot leads into an inner object or, with a number, into a list."""
    name: str | None = None
    """Heading; None for the path."""
    decimals: int | None = None
    """Decimals of a number; None for its shortest form that reads back the same."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CsvFormat:
    """The form of a file.

    Raises
    ------
    ValueError
        If there is no column, or the delimiter could not be told from what a cell holds.
    """

    columns: Sequence[Column]
    delimiter: str = ","
    decimal_comma: bool = False

    def __post_init__(self) -> None:
        if not self.columns:
            raise ValueError("no column; a CSV needs at least one")
        if len(self.delimiter) != 1 or self.delimiter in '"\r\n.-+' or self.delimiter.isalnum():
            raise ValueError(f"delimiter is {self.delimiter!r}; must be one character such as , ; | or tab")
        if self.decimal_comma and self.delimiter == ",":
            raise ValueError("a decimal comma needs a delimiter other than the comma")

    def header(self) -> str:
        """Return the first line of a file, line end included."""
        return self._line([self._safe(column.name or column.path) for column in self.columns])

    def row(self, record: Mapping[str, Any]) -> str:
        """Return one record as a line, line end included.

        Parameters
        ----------
        record : Mapping
            JSON values by field. A field that is null or absent gives an empty cell, a list of plain
            values is written with blanks between them, and any other inner value as JSON.
        """
        return self._line([self._cell(_at(record, column.path), column.decimals) for column in self.columns])

    def _cell(self, value: Any, decimals: int | None) -> str:
        if value is None:
            return ""
        if isinstance(value, bool):
            return "true" if value else "false"
        if isinstance(value, (int, float)):
            return self._number(value, decimals)
        if isinstance(value, str):
            return self._safe(value)
        if isinstance(value, list) and not any(isinstance(item, (list, dict)) for item in value):
            return self._safe(LIST_SEPARATOR.join(self._plain(item, decimals) for item in value))
        return self._safe(json.dumps(value, ensure_ascii=False, separators=(",", ":"), sort_keys=True))

    def _plain(self, item: Any, decimals: int | None) -> str:
        """Return an item of a list; the list is made safe as a whole."""
        return item if isinstance(item, str) else self._cell(item, decimals)

    def _number(self, value: float, decimals: int | None) -> str:
        text = repr(value) if decimals is None else f"{value:.{decimals}f}"
        if decimals is not None and float(text) == 0.0:
            text = text.removeprefix("-")  # -0.00 says nothing that 0.00 does not
        return text.replace(".", ",") if self.decimal_comma else text

    @staticmethod
    def _safe(text: str) -> str:
        return f"'{text}" if text.startswith(_FORMULA_STARTS) else text

    def _line(self, cells: Sequence[str]) -> str:
        quoted = [self._quoted(cell) for cell in cells]
        if quoted == [""]:
            quoted = ['""']  # otherwise readers take a lone empty cell for an empty line
        return self.delimiter.join(quoted) + LINE_END

    def _quoted(self, cell: str) -> str:
        if any(mark in cell for mark in (self.delimiter, '"', "\r", "\n")) or cell != cell.strip():
            return '"' + cell.replace('"', '""') + '"'
        return cell


def _at(record: Mapping[str, Any], path: str) -> Any:
    """Return the value at a dotted path, None where there is none."""
    place: Any = record
    for part in path.split("."):
        if isinstance(place, Mapping):
            place = place.get(part)
        elif isinstance(place, list) and part.isdecimal() and int(part) < len(place):
            place = place[int(part)]
        else:
            return None
    return place


DETERMINATION_COLUMNS = tuple(
    Column(path=path)
    for path in (
        "ledger",
        "seq",
        "id",
        "cell",
        "sample_point",
        "sample_id",
        "operator",
        "mode",
        "began",
        "ended",
        "verdict",
        "reasons",
        "qualifiers",
        "ph_reported",
        "ph",
        "ph_expanded_uncertainty",
        "ph_25c",
        "ph_25c_model",
        "ph_25c_spread",
        "temperature_c",
        "mv",
        "conductivity_us_cm",
        "conductivity_25c_us_cm",
        "ph_allowed_low",
        "ph_allowed_high",
        "ph_margin",
        "flow_ml_min",
        "sample_age_s",
        "time_since_disturbance_s",
        "drift_mv_per_min",
        "drift_bound_mv_per_min",
        "drift_confidence",
        "temperature_drift_c_per_min",
        "window_s",
        "readings",
        "earlier_refused",
        "calibration.id",
        "calibration.slope_pct",
        "calibration.zero_mv",
        "electrode",
        "meter",
        "criterion.name",
        "readings_sha256",
    )
)
"""Columns of a determination where the integrator named none: its flat fields."""
