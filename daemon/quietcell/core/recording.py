"""Recordings: readings as CSV text; their form, and how they are written.

The canonical layout is ``time,mv,temperature_c,conductivity_us_cm,flow_ml_min`` with optional
``flags,segment``; time is RFC 3339 with milliseconds, an empty cell was not measured, flags are labels
parted by a blank. A row without any quantity whose labels begin with ``began-`` or ``ended-`` marks an
end of a segment; with ``given-`` it stands for what a person gave the engine. Other layouts are told by a
`Layout`. Titles above the header, a row of units below it, headers that come again, comments behind ``#``
and empty rows are no readings, whatever the layout.
"""

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import tzinfo
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from quietcell.core.electrode.nernst import Line
from quietcell.core.readings import Quantity, ReadingBlock, flag_labels
from quietcell.core.times import rfc3339
from quietcell.core.units import QUANTITIES

HEADER: Final = ("time", *QUANTITIES, "flags", "segment")
CANONICAL: Final = {name: name for name in HEADER}
BEGAN, ENDED, GIVEN = "began-", "ended-", "given-"
THEORETICAL: Final = Line(slope_pct=100.0, zero_mv=0.0)
TimeForm = Literal[
    "rfc3339", "local", "elapsed-ms", "elapsed-s", "elapsed-min", "elapsed-h", "elapsed-d", "row"
]
Heading = str | int
"""A column by its heading, or by its number from the left, counted from 1."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """How a recording is laid out.

    Parameters
    ----------
    columns : mapping
        Column in the file of each of `HEADER` (and ``ph`` in place of ``mv``); what is not named was not
        measured. Several columns of ``time`` are read as one text, parted by a blank.
    time : TimeForm
        What tells the time: RFC 3339 text, text of a form of its own, a number since the start in ms, s,
        min, h or d, or the row.
    time_format : str
        Form of ``local``, in the directives of `datetime.strptime`.
    zone : tzinfo or None
        Zone of ``local`` where its text names none. Where the clock goes through an hour twice, times count
        as of the second once they would go back otherwise.
    start_utc_ms : int
        Time zero of ``elapsed-...`` and ``row``.
    interval_s : float
        From row to row, s, for ``row``.
    temperature_c : float or None
        Fixed temperature where the recording has none, °C.
    ph_line : Line
        Puts a recorded pH back to mV. Give the line the readings will be judged by, so that the same pH
        comes of it again.
    units : mapping
        Unit of a quantity where it is not the reading's, as `quietcell.core.units.find_unit` knows it.
    not_measured : frozenset of str
        What stands in a cell that holds no value; a number counts however it is written. Beside these an
        empty cell and NaN are not measured.
    required : frozenset of str
        Columns that must be in the file.
    delimiter : str
        One character that parts the cells of a row.
    decimal_comma : bool
        Numbers are written 25,04 for 25.04.
    leave_out_unreadable : bool
        Rows that can't be read are left out and counted, in place of an error.
    """

    columns: Mapping[str, Heading | tuple[Heading, ...]] = field(default_factory=lambda: dict(CANONICAL))
    time: TimeForm = "rfc3339"
    time_format: str = ""
    zone: tzinfo | None = None
    start_utc_ms: int = 0
    interval_s: float = 1.0
    temperature_c: float | None = None
    ph_line: Line = THEORETICAL
    units: Mapping[str, str] = field(default_factory=dict)
    not_measured: frozenset[str] = frozenset()
    required: frozenset[str] = frozenset({"time", "mv"})
    delimiter: str = ","
    decimal_comma: bool = False
    leave_out_unreadable: bool = False


@dataclass(slots=True, kw_only=True)
class Remarks:
    """What a reader of recordings had to do beside reading."""

    rows: int = 0
    """Rows read."""
    left_out: int = 0
    """Rows left out, for they could not be read."""
    first_left_out: str = ""
    steps_back: int = 0
    """How often time went back, so that a segment began."""
    first_step_back: str = ""
    ph_decimals: int | None = None
    """Most decimals a recorded pH was told with; None of a recording of mV."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """A segment began or ended, or a person gave input."""

    utc_ms: int
    segment: int
    labels: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Chunk:
    """Consecutive readings of one segment; shape (n,) each."""

    segment: int | None
    """None when the recording numbers no segments."""
    utc_ms: NDArray[np.int64]
    columns: Mapping[str, Quantity]
    """By name of the quantity; NaN is not measured."""
    flags: NDArray[np.int64]

    def block(self, anchor_utc_ms: int) -> ReadingBlock:
        """Return the readings on the time of the segment that began at `anchor_utc_ms`."""
        return ReadingBlock.from_columns(
            ms=self.utc_ms - anchor_utc_ms,
            flags=self.flags,
            **{name: self.columns[name] for name in QUANTITIES},
        )


Piece = Mark | Chunk


def recording_row(at_utc_ms: int, quantities: Iterable[float], labels: Iterable[str], segment: int) -> str:
    """Return one line of the canonical layout, without its end; floats in shortest round-trip form."""
    cells = ["" if math.isnan(value) else repr(float(value)) for value in quantities]
    return ",".join([rfc3339(at_utc_ms), *cells, " ".join(labels), str(segment)])


def block_rows(block: ReadingBlock, *, anchor_utc_ms: int, segment: int) -> Iterator[str]:
    """Yield the lines of a block in the canonical layout."""
    columns = (getattr(block, name).tolist() for name in QUANTITIES)
    for ms, *quantities, flags in zip(block.ms.tolist(), *columns, block.flags.tolist(), strict=True):
        yield recording_row(anchor_utc_ms + ms, quantities, flag_labels(flags), segment)
