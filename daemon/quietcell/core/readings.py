"""What a meter yields: one reading, and blocks of readings on a segment's own time.

Drivers make `Reading`; the service puts readings on segment time as `ReadingBlock`, the form the
engine, the ledger and recordings share. A quantity that was not measured is None in a reading and
NaN in a block.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntFlag
from functools import lru_cache
from typing import overload

import numpy as np
from numpy.typing import NDArray


class Flag(IntFlag):
    """What is known against a reading as it came from the meter.

    Bits are stored in ledgers: a bit keeps its meaning for ever, new flags take new bits.
    """

    BURST = 1 << 0
    """Arrived with others after a stall: the time of measurement is uncertain."""
    AFTER_TIMEOUT = 1 << 1
    """The first reading after a meter did not answer in time."""
    AFTER_ERROR = 1 << 2
    """The first reading after a framing error or discarded input."""
    METER_STATUS = 1 << 3
    """The meter itself marked the reading as not valid."""
    METER_UNSTABLE = 1 << 4
    """The meter itself marked the reading as not settled."""
    METER_OVERRANGE = 1 << 5
    """The meter reported a quantity beyond its range."""
    LATE = 1 << 6
    """Reached the engine after its receipt time had passed; the time was moved forward."""
    OPERATOR = 1 << 7
    """Someone is working on the cell (service switch of the meter)."""

    @property
    def label(self) -> str:
        """Name of a single flag as records and recordings write it, such as ``after-timeout``."""
        return (self.name or "").lower().replace("_", "-")


NO_FLAG = Flag(0)
FLAG_BY_LABEL = {flag.label: flag for flag in Flag}


@lru_cache(maxsize=256)
def flag_labels(flags: int) -> tuple[str, ...]:
    """Return the names of the flags set in `flags`, lowest bit first."""
    return tuple(flag.label for flag in Flag if flags & flag)


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One row from a meter, stamped at the descriptor before parsing."""

    boot_ms: int
    """Receipt time on the clock of the machine that counts through suspend, whole ms."""
    mv: float | None
    """Electrode potential, mV; falls as pH rises for a glass electrode."""
    temperature_c: float | None
    """Sample temperature, °C."""
    conductivity_us_cm: float | None = None
    """Raw conductivity at sample temperature, µS/cm."""
    flow_ml_min: float | None = None
    """Sample flow, mL/min."""
    flags: Flag = NO_FLAG
    """What the meter or the line says against this reading."""


Row = tuple[int, float | None, float | None, float | None, float | None, int]
"""A reading without its names: boot_ms, mv, temperature_c, conductivity_us_cm, flow_ml_min, flags."""
Quantity = NDArray[np.float64]


def _plain(value: float | None) -> float | None:
    return None if value is None else math.fsum((value,))  # float would take text as well


class ReadingRows(Sequence[Reading]):
    """Readings of a driver that has many of them: rows, each made a `Reading` only when looked at."""

    __slots__ = ("rows",)

    def __init__(self, rows: Sequence[Row]) -> None:
        self.rows = rows

    def __len__(self) -> int:
        """Return the number of readings."""
        return len(self.rows)

    @overload
    def __getitem__(self, at: int) -> Reading: ...
    @overload
    def __getitem__(self, at: slice) -> "ReadingRows": ...
    def __getitem__(self, at: int | slice) -> "Reading | ReadingRows":
        """Return one reading, or some as rows."""
        if isinstance(at, slice):
            return ReadingRows(self.rows[at])
        boot_ms, mv, temperature_c, conductivity_us_cm, flow_ml_min, flags = self.rows[at]
        return Reading(
            boot_ms=boot_ms,
            mv=mv,
            temperature_c=temperature_c,
            conductivity_us_cm=conductivity_us_cm,
            flow_ml_min=flow_ml_min,
            flags=Flag(flags),
        )

    @classmethod
    def of(cls, readings: Sequence[Reading]) -> "ReadingRows":
        """Return readings as rows, whose numbers are plain ones: a driver may take its own from an array."""
        if isinstance(readings, cls):
            return readings
        return cls(
            [
                (
                    int(r.boot_ms),
                    _plain(r.mv),
                    _plain(r.temperature_c),
                    _plain(r.conductivity_us_cm),
                    _plain(r.flow_ml_min),
                    int(r.flags),
                )
                for r in readings
            ]
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReadingBlock:
    """Consecutive readings of one segment, column by column.

    All columns have shape (n,). Times are whole milliseconds since the segment began and never
    decrease; equal times are legal. NaN means not measured.
    """

    ms: NDArray[np.int64]
    mv: Quantity
    temperature_c: Quantity
    conductivity_us_cm: Quantity
    flow_ml_min: Quantity
    flags: NDArray[np.int64]

    def __len__(self) -> int:
        """Return the number of readings."""
        return len(self.ms)

    def __getitem__(self, rows: slice | NDArray[np.bool_]) -> "ReadingBlock":
        """Return consecutive rows, or those marked, as a block of their own."""
        return ReadingBlock(
            ms=self.ms[rows],
            mv=self.mv[rows],
            temperature_c=self.temperature_c[rows],
            conductivity_us_cm=self.conductivity_us_cm[rows],
            flow_ml_min=self.flow_ml_min[rows],
            flags=self.flags[rows],
        )

    @classmethod
    def from_columns(
        cls,
        ms: Sequence[int] | NDArray[np.int64],
        mv: Sequence[float] | Quantity,
        temperature_c: Sequence[float] | Quantity | None = None,
        conductivity_us_cm: Sequence[float] | Quantity | None = None,
        flow_ml_min: Sequence[float] | Quantity | None = None,
        flags: Sequence[int] | NDArray[np.int64] | None = None,
    ) -> "ReadingBlock":
        """Make a block from columns of equal length; a missing column was not measured."""

        def quantity(column: Sequence[float] | Quantity | None) -> Quantity:
            return np.full(len(ms), np.nan) if column is None else np.asarray(column, np.float64)

        return cls(
            ms=np.asarray(ms, np.int64),
            mv=quantity(mv),
            temperature_c=quantity(temperature_c),
            conductivity_us_cm=quantity(conductivity_us_cm),
            flow_ml_min=quantity(flow_ml_min),
            flags=np.zeros(len(ms), np.int64) if flags is None else np.asarray(flags, np.int64),
        )

    @classmethod
    def from_readings(cls, readings: Sequence[Reading], *, anchor_boot_ms: int) -> "ReadingBlock":
        """Put readings on the time of the segment that began at `anchor_boot_ms`."""
        boot_ms, *quantities, flags = zip(*ReadingRows.of(readings).rows, strict=True)
        # None becomes NaN. Stored numbers have no negative zero; what is judged live must be what is stored.
        nothing = (np.nan,) * len(boot_ms)  # sooner taken than so many None
        table = [nothing if column.count(None) == len(column) else column for column in quantities]
        mv, temperature_c, conductivity_us_cm, flow_ml_min = np.array(table, np.float64) + 0.0
        return cls(
            ms=np.array(boot_ms, np.int64) - anchor_boot_ms,
            mv=mv,
            temperature_c=temperature_c,
            conductivity_us_cm=conductivity_us_cm,
            flow_ml_min=flow_ml_min,
            flags=np.array(flags, np.int64),
        )

    @classmethod
    def concatenate(cls, blocks: Sequence["ReadingBlock"]) -> "ReadingBlock":
        """Join blocks in order into one."""
        return cls(
            ms=np.concatenate([b.ms for b in blocks]),
            mv=np.concatenate([b.mv for b in blocks]),
            temperature_c=np.concatenate([b.temperature_c for b in blocks]),
            conductivity_us_cm=np.concatenate([b.conductivity_us_cm for b in blocks]),
            flow_ml_min=np.concatenate([b.flow_ml_min for b in blocks]),
            flags=np.concatenate([b.flags for b in blocks]),
        )


def row_of(block: ReadingBlock, ms: int) -> Row:
    """Return the last reading of a block as a row of time `ms`."""
    columns = (block.mv, block.temperature_c, block.conductivity_us_cm, block.flow_ml_min)
    mv, temperature_c, conductivity_us_cm, flow_ml_min = (
        value if math.isfinite(value := float(column[-1])) else None for column in columns
    )
    return ms, mv, temperature_c, conductivity_us_cm, flow_ml_min, int(block.flags[-1])
