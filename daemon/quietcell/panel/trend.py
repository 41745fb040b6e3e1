"""Traces of readings over hours to months: few points, every extreme kept.

Readings are boiled down once, a minute at a time, to the lowest and highest of each quantity; a trace
takes the lowest and highest of these in each of its steps. So no excursion is ever averaged away.
What was read while someone worked at the cell is not of its water, and left out.
"""

import math
import sqlite3
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from quietcell.core.readings import ReadingBlock
from quietcell.core.records import Json
from quietcell.core.settings import CellSettings
from quietcell.core.times import utc_ms
from quietcell.core.water.reference25 import ph_25c
from quietcell.errors import LedgerError
from quietcell.ledger.journal import Journal
from quietcell.ledger.readings_files import ReadingsFiles

MOST_POINTS = 5000
MINUTE_MS = 60_000
QUANTITIES = ("ph", "conductivity_us_cm", "temperature_c", "flow_ml_min")
Points = NDArray[np.float64]
"""Shape (n, 3): UTC ms, value, temperature."""
_NONE: Points = np.empty((0, 3))


def extremes(points: Points, most: int = MOST_POINTS) -> Points:
    """Return at most `most` points in order, among them the lowest and highest of every step.

    Parameters
    ----------
    points : ndarray
        Shape (n, 3), ordered by time; no NaN in value.
    most : int
        Even.

    Examples
    --------
    >>> wave = np.column_stack([np.arange(1000.0), np.zeros(1000), np.zeros(1000)])
    >>> wave[617, 1] = 5.0
    >>> thin = extremes(wave, 20)
    >>> len(thin) <= 20, thin[:, 1].max()
    (True, np.float64(5.0))
    """
    if len(points) <= most:
        return points
    edges = np.linspace(0, len(points), most // 2 + 1).astype(np.int64)
    return _lowest_and_highest(points, edges[:-1])


def _lowest_and_highest(points: Points, starts: NDArray[np.int64]) -> Points:
    """Return the first lowest and highest point of each group, in order of time."""
    values = points[:, 1]
    group = np.zeros(len(points), np.int64)
    group[starts[1:]] = 1
    group = np.cumsum(group)
    rows = []
    for reduce in (np.minimum, np.maximum):
        wanted = reduce.reduceat(values, starts)
        hits = np.flatnonzero(values == wanted[group])
        rows.append(hits[np.unique(group[hits], return_index=True)[1]])
    return points[np.unique(np.concatenate(rows))]


def by_minute(points: Points) -> Points:
    """Return the lowest and highest point of every minute."""
    if not len(points):
        return points
    minute = points[:, 0] // MINUTE_MS
    starts = np.flatnonzero(np.concatenate(([True], minute[1:] != minute[:-1])))
    return _lowest_and_highest(points, starts)


@dataclass(slots=True, kw_only=True)
class _Segment:
    """What is boiled down of one segment so far."""

    anchor_ms: int
    settings: CellSettings | None
    upto_ms: int = -1
    points: dict[str, list[Points]] = field(default_factory=lambda: {name: [] for name in QUANTITIES})


class Trends:
    """Traces of the cells of one ledger, for use from one thread.

    Parameters
    ----------
    folder : Path
        Of the ledger.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._segments: dict[tuple[str, int], _Segment] = {}
        self._seen_seq: dict[str, int] = {}
        self._settings: dict[str, CellSettings] = {}
        self._attended: dict[str, list[tuple[float, float]]] = {}
        """When someone worked at a cell, UTC ms; an end still to come is infinite."""

    def attended(self, cell: str, from_ms: int, to_ms: int) -> list[tuple[float, float]]:
        """Return when someone worked at a cell in a span, UTC ms, as far as `traces` has learnt it."""
        known = ((max(began, from_ms), min(ended, to_ms)) for began, ended in self._attended.get(cell, ()))
        return [(began, ended) for began, ended in known if began < ended]

    def traces(
        self, cell: str, from_ms: int, to_ms: int, *, with_attended: bool = False
    ) -> dict[str, list[list[Json]]]:
        """Return for each quantity its points of a span as [UTC ms, value].

        Parameters
        ----------
        cell : str
            Which cell.
        from_ms, to_ms : int
            The span, UTC ms.
        with_attended : bool
            In a span of two hours at most, show what was read while someone worked at the cell as well.
        """
        self._learn_segments(cell)
        apart = [] if with_attended else self._attended.get(cell, [])
        files = ReadingsFiles(self._folder, read_only=True)
        try:
            fine = to_ms - from_ms <= 2 * 3_600_000
            found: dict[str, list[Points]] = {name: [] for name in QUANTITIES}
            for (name, number), segment in self._segments.items():
                if name != cell or segment.anchor_ms > to_ms:
                    continue
                if fine:
                    after, upto = from_ms - segment.anchor_ms - 1, to_ms - segment.anchor_ms
                    for block in _blocks(files, cell, number, segment.anchor_ms, after, upto):
                        for quantity, points in _points(block, segment, apart).items():
                            found[quantity].append(_at_25c(quantity, extremes(points, 4 * MOST_POINTS)))
                    continue
                for block in _blocks(files, cell, number, segment.anchor_ms, segment.upto_ms):
                    _boil(block, segment, self._attended.get(cell, []))
                for quantity in QUANTITIES:
                    found[quantity] += segment.points[quantity]
        finally:
            files.close()
        return {quantity: _trace(points, from_ms, to_ms) for quantity, points in found.items()}

    def boil(self, most_blocks: int) -> bool:
        """Boil down some of what nobody has asked for yet, so that the first long look is quick.

        Returns
        -------
        bool
            True while there may be more.
        """
        with Journal(self._folder) as journal:
            cells = journal.cells()
        for cell in cells:
            self._learn_segments(cell)
        files = ReadingsFiles(self._folder, read_only=True)
        try:
            for (cell, number), segment in self._segments.items():
                for block in _blocks(files, cell, number, segment.anchor_ms, segment.upto_ms):
                    _boil(block, segment, self._attended.get(cell, []))
                    most_blocks -= 1
                    if not most_blocks:
                        return True
        finally:
            files.close()
        return False

    def _learn_segments(self, cell: str) -> None:
        with Journal(self._folder) as journal:
            seen = self._seen_seq.get(cell, 0)
            kinds = ("configuration", "segment", "attendance")
            for record in journal.of_cell(cell, kinds=kinds, after=seen):
                self._seen_seq[cell] = record.seq
                body = record.body()
                self._learn_attendance(cell, body)
                if body["record"] == "configuration":
                    self._settings[cell] = CellSettings.from_json(body["settings"])
                elif (body["record"], body["state"]) == ("segment", "began"):
                    self._segments[cell, body["segment"]] = _Segment(
                        anchor_ms=utc_ms(body["at"]), settings=self._settings.get(cell)
                    )

    def _learn_attendance(self, cell: str, body: Mapping[str, Json]) -> None:
        """Learn when someone began or ended work; it ends with its segment, too."""
        found = self._attended.setdefault(cell, [])
        if (body["record"], body.get("state")) == ("attendance", "began"):
            found.append((utc_ms(body["at"]), math.inf))
        elif body.get("state") == "ended" and found and found[-1][1] == math.inf:
            found[-1] = (found[-1][0], utc_ms(body["at"]))


def _boil(block: ReadingBlock, segment: _Segment, apart: Iterable[tuple[float, float]]) -> None:
    segment.upto_ms = int(block.ms[-1])
    for quantity, points in _points(block, segment, apart).items():
        segment.points[quantity].append(_at_25c(quantity, by_minute(points)))


def _at_25c(quantity: str, points: Points) -> Points:
    """Return points of pH as pH at 25 °C, others as they are.

    Of few points only, for it costs something: within a minute the temperature hardly changes, so the
    extremes are the same ones.
    """
    if quantity != "ph" or not len(points):
        return points
    ph = np.atleast_1d(ph_25c(points[:, 1], points[:, 2], on_invalid="nan").value)
    shown: Points = np.column_stack([points[:, 0], ph, points[:, 2]])[np.isfinite(ph)]
    return shown


def _blocks(
    files: ReadingsFiles, cell: str, segment: int, anchor_ms: int, after_ms: int, upto_ms: int | None = None
) -> Iterator[ReadingBlock]:
    try:
        yield from files.between(cell, segment, anchor_utc_ms=anchor_ms, after_ms=after_ms, upto_ms=upto_ms)
    except (sqlite3.Error, LedgerError):
        return  # a month that just expired, or is just being made: the rest comes with the next look


def _points(
    block: ReadingBlock, segment: _Segment, apart: Iterable[tuple[float, float]]
) -> dict[str, Points]:
    """Return the readings that can be shown, by quantity, without those of the stretches set apart."""
    time = (block.ms + segment.anchor_ms).astype(np.float64)
    shown = np.ones(len(block), bool)
    for began, ended in apart:
        shown &= (time < began) | (time > ended)
    temperature = block.temperature_c
    columns = {name: getattr(block, name) for name in QUANTITIES[1:]}
    if segment.settings is not None and segment.settings.calibrated:
        good = (np.abs(block.mv) < 2000) & (temperature >= 0) & (temperature <= 100) & (block.flags == 0)
        ph = np.full(len(block), np.nan)
        ph[good] = segment.settings.line.ph(block.mv[good], temperature[good])
        if (check := segment.settings.water_check) is not None:
            ph -= check.taken_off(block.conductivity_us_cm)
        columns["ph"] = ph
    stacked = {name: np.column_stack([time, column, temperature]) for name, column in columns.items()}
    return {name: points[shown & np.isfinite(points[:, 1])] for name, points in stacked.items()}


def _trace(parts: list[Points], from_ms: int, to_ms: int) -> list[list[Json]]:
    points = np.concatenate([_NONE, *parts])
    points = points[(points[:, 0] >= from_ms) & (points[:, 0] <= to_ms)]
    points = extremes(points[np.argsort(points[:, 0], kind="stable")])
    return [[int(time), round(float(value), 4)] for time, value in points[:, :2]]
