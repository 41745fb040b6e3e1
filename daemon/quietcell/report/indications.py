"""The stored readings of a cell over a span, boiled down to what a report shows of them."""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from math import isinf, nan
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from quietcell.core.electrode.influences import LowIonicCheck
from quietcell.core.electrode.nernst import Line
from quietcell.core.readings import Quantity, ReadingBlock
from quietcell.core.records import Json
from quietcell.core.times import DAY_MS
from quietcell.core.water.reference25 import ph_25c
from quietcell.ledger.readings_files import Extremes, ReadingsFiles, month_of
from quietcell.report.coverage import attended
from quietcell.report.envelope import Envelope, Point
from quietcell.report.excursions import (
    MV_RANGE,
    PH_RANGE,
    Excursion,
    Excursions,
    counting,
    limits_of,
    may_be_past,
    ph_of,
)
from quietcell.report.material import CellMaterial, Span

SHORT_STEP_MS = 600_000
"""In shorter steps there are too few readings for their extremes to be found faster than they are read."""
DRAWN = ("ph", "conductivity_us_cm", "temperature_c")


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """A segment, or the part of it that lies in the span, and what it was measured under."""

    segment: int
    anchor_ms: int
    line: Line | None
    check: LowIonicCheck | None = None
    """Whose bias comes off every reading, as it does off results."""
    """None where there was no calibration."""
    water_model: str
    """What is taken to be dissolved when a pH is referred to 25 °C."""
    limits: dict[str, float | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What to read; fit to be handed to another process."""

    folder: Path
    cell: str
    span: Span
    pieces: tuple[Piece, ...]
    apart: tuple[tuple[int, int], ...]
    """When someone worked at the cell."""


@dataclass(slots=True, kw_only=True)
class Indications:
    """What the readings show."""

    readings: int = 0
    """Stored in the span."""
    counted: int = 0
    """Of these, those that say something about the water."""
    envelopes: dict[str, Envelope] = field(default_factory=dict)
    """By quantity; pH referred to 25 °C."""
    excursions: list[Excursion] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)
    """Months in which the cell was measured and of which no readings are stored any more."""


def wanted(folder: Path, material: CellMaterial, limits: Mapping[str, float | None] | None = None) -> Wanted:
    """Return what to read for a cell.

    Parameters
    ----------
    folder : Path
        Of the ledger.
    material : CellMaterial
        Its records: segments, settings, work at the cell, runs.
    limits : mapping, optional
        In place of those of the configuration.
    """
    settings: dict[str, Json] | None = None
    pieces: list[Piece] = []
    records = [*material.until_end("configuration"), *material.until_end("segment")]
    runs = list(material.runs)
    configured: dict[str, float | None] = {}
    for each in sorted(records, key=lambda e: e.seq):
        while runs and runs[0].seq < each.seq:
            configured = limits_of(runs.pop(0).body["settings"], material.cell)
        if each.body["record"] == "configuration":
            settings = each.body["settings"]
        elif each.body["state"] == "began" and settings is not None:
            if pieces and each.at_ms <= material.span.from_ms:
                pieces.clear()  # segments tile time: those before have ended
            own = configured if limits is None else dict(limits)
            pieces.append(
                Piece(
                    segment=each.body["segment"],
                    anchor_ms=each.at_ms,
                    line=Line(**settings["line"]) if settings.get("calibrated", True) else None,
                    check=_check_of(settings),
                    water_model=settings.get("water_model", "carbonate"),
                    limits=own,
                )
            )
    return Wanted(
        folder=folder,
        cell=material.cell,
        span=material.span,
        pieces=tuple(pieces),
        apart=tuple((s.from_ms, s.to_ms) for s in attended(material)),
    )


def _check_of(settings: Mapping[str, Json]) -> LowIonicCheck | None:
    """Return the check that settings, as recorded, have in force for the water of their cell."""
    known = None if settings.get("kcl_adjusted") else settings.get("low_ionic")
    return None if known is None else LowIonicCheck(**known)


def read(want: Wanted, tell: Callable[[int], None] = lambda _: None) -> Indications:
    """Read and boil down; told of the seconds of the span that are done.

    Raises
    ------
    LedgerError
        If a file can't be read.
    """
    found = Indications(envelopes={name: Envelope(span=want.span) for name in DRAWN})
    excursions, done_ms = Excursions(), want.span.from_ms
    files = ReadingsFiles(want.folder, read_only=True)
    try:
        for piece in want.pieces:
            for step in _steps(files, want, piece, found.envelopes["ph"]):
                _look(files, found, excursions, want, step)
                tell((step.span.to_ms - done_ms) // 1000)
                done_ms = step.span.to_ms
        # At the end, for some may have been given up meanwhile.
        found.missing = sorted(_measured(want) - set(files.months()))
    finally:
        files.close()
    found.excursions = sorted(excursions.found, key=lambda one: (one.from_ms, one.limit))
    ph = found.envelopes["ph"]
    ph.low, ph.high = (
        _at_25c(values, temperature_c, want)
        for values, temperature_c in ((ph.low, ph.low_c), (ph.high, ph.high_c))
    )
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class _Step:
    """What of a piece lies in one step of the envelopes."""

    piece: Piece
    number: int | None
    """None where steps are so short that their readings are looked at one by one."""
    span: Span


def _stored(want: Wanted, piece: Piece, span: Span) -> dict[str, Any]:
    """Return what of a piece lies in a span as the stored readings name it."""
    return {
        "cell": want.cell,
        "segment": piece.segment,
        "anchor_utc_ms": piece.anchor_ms,
        "after_ms": max(span.from_ms - piece.anchor_ms, 0) - 1,
        "upto_ms": span.to_ms - 1 - piece.anchor_ms,
    }


def _steps(files: ReadingsFiles, want: Wanted, piece: Piece, envelope: Envelope) -> Iterator[_Step]:
    """Part what was read of a piece as the envelopes do."""
    ends_ms = files.ends_ms(**_stored(want, piece, want.span))
    if ends_ms is None:
        return
    whole = Span(from_ms=piece.anchor_ms + ends_ms[0], to_ms=piece.anchor_ms + ends_ms[1] + 1)
    if envelope.begins_ms(1) - envelope.begins_ms(0) < SHORT_STEP_MS:
        yield _Step(piece=piece, number=None, span=whole)
        return
    for number in range(envelope.step_of(whole.from_ms), envelope.step_of(whole.to_ms - 1) + 1):
        from_ms, to_ms = whole.clipped(envelope.begins_ms(number), envelope.begins_ms(number + 1))
        yield _Step(piece=piece, number=number, span=Span(from_ms=from_ms, to_ms=to_ms))


def _look(
    files: ReadingsFiles, found: Indications, excursions: Excursions, want: Wanted, step: _Step
) -> None:
    """Look at the readings of a step: at their extremes, and at each where those do not tell all."""
    piece, stored = step.piece, _stored(want, step.piece, step.span)
    worked_at = any(from_ms < step.span.to_ms and to_ms > step.span.from_ms for from_ms, to_ms in want.apart)
    if step.number is not None and not worked_at:
        isopotential_mv = 0.0 if piece.line is None else piece.line.isopotential_mv
        extremes = list(files.extremes(**stored, isopotential_mv=isopotential_mv))
        if all(_usual(each, piece.check) for each in extremes):
            points = [_points(each, piece) for each in extremes]
            if not any(may_be_past(piece.limits, _ends(each), piece.water_model) for each in points):
                _put(found, step.number, extremes, points)
                return
    for block in files.between(**stored):
        _take(found, excursions, block, piece, want.apart)


def _put(
    found: Indications, step: int, extremes: Iterable[Extremes], points: Iterable[Mapping[str, list[Point]]]
) -> None:
    for each, own in zip(extremes, points, strict=True):
        found.readings += each.readings
        found.counted += each.readings
        for name, envelope in found.envelopes.items():
            envelope.put(step, own[name])


def _usual(extremes: Extremes, check: LowIonicCheck | None) -> bool:
    """Return whether no reading is flagged or wild and all are finite: then extremes tell of them all.

    A check must cover them all.
    """
    covered = check is None or all(map(check.covers, extremes.conductivity_us_cm))
    if extremes.flagged or not covered:
        return False
    within = ((extremes.mv, MV_RANGE), (extremes.temperature_c, (0.0, 100.0)))
    others = (*extremes.conductivity_us_cm, *extremes.flow_ml_min)
    return all(
        each is None or low <= each <= high for ends, (low, high) in within for each in ends
    ) and not any(each is not None and isinf(each) for each in others)


def _points(extremes: Extremes, piece: Piece) -> dict[str, list[Point]]:
    """Return lowest and highest of every quantity; empty for not measured."""
    points = {
        name: [(each, nan) for each in getattr(extremes, name) if each is not None]
        for name in ("conductivity_us_cm", "temperature_c", "flow_ml_min")
    }
    line, off = piece.line, 0.0 if piece.check is None else piece.check.bias_ph
    points["ph"] = [] if line is None else [(line.ph(mv, at_c) - off, at_c) for mv, at_c in extremes.by_line]
    return points


def _ends(points: Mapping[str, list[Point]]) -> dict[str, tuple[float, float]]:
    """Return lowest and highest of every quantity, NaN for not measured."""
    values = {name: [value for value, _ in own] or [nan] for name, own in points.items()}
    return {name: (min(own), max(own)) for name, own in values.items()}


@dataclass(frozen=True, slots=True, kw_only=True)
class Traces:
    """Readings one by one; arrays of shape (n,), NaN for not measured."""

    at_ms: NDArray[np.int64]
    """UTC."""
    ph: Quantity
    """At sample temperature, by the line in force."""
    conductivity_us_cm: Quantity
    blocks: tuple[ReadingBlock, ...]
    """As stored, a segment each."""
    anchors_ms: tuple[int, ...]


def traces(want: Wanted) -> Traces:
    """Read a short span, reading by reading."""
    at_ms, ph, conductivity, blocks, anchors = [], [], [], [], []
    with closing(ReadingsFiles(want.folder, read_only=True)) as files:
        for piece in want.pieces:
            own = list(files.between(**_stored(want, piece, want.span)))
            if own:
                block = ReadingBlock.concatenate(own)
                at_ms.append(block.ms + piece.anchor_ms)
                ph.append(ph_of(block, piece.line, piece.check))
                conductivity.append(block.conductivity_us_cm)
                blocks.append(block)
                anchors.append(piece.anchor_ms)
    return Traces(
        at_ms=np.concatenate([np.empty(0, np.int64), *at_ms]),
        ph=np.concatenate([np.empty(0), *ph]),
        conductivity_us_cm=np.concatenate([np.empty(0), *conductivity]),
        blocks=tuple(blocks),
        anchors_ms=tuple(anchors),
    )


def _measured(want: Wanted) -> set[str]:
    """Return the months of the span in which a segment was open."""
    months: set[str] = set()
    ends_ms = [*(piece.anchor_ms for piece in want.pieces[1:]), want.span.to_ms]
    for piece, end_ms in zip(want.pieces, ends_ms, strict=False):  # one too many where there is no piece
        first_ms, last_ms = want.span.clipped(piece.anchor_ms, end_ms)
        months.update(map(month_of, range(first_ms, last_ms, DAY_MS)))
        if first_ms < last_ms:
            months.add(month_of(last_ms - 1))
    return months


def _take(
    found: Indications,
    excursions: Excursions,
    block: ReadingBlock,
    piece: Piece,
    apart: Sequence[tuple[int, int]],
) -> None:
    at_ms = block.ms + piece.anchor_ms
    good = counting(block, piece.anchor_ms, apart)
    found.readings += len(block)
    found.counted += int(good.sum())
    temperature_c = block.temperature_c[good]
    columns = {
        "ph": ph_of(block, piece.line, piece.check)[good],
        "conductivity_us_cm": block.conductivity_us_cm[good],
        "temperature_c": temperature_c,
        "flow_ml_min": block.flow_ml_min[good],
    }
    for name, envelope in found.envelopes.items():
        envelope.feed(at_ms[good], columns[name], temperature_c)
    excursions.feed(at_ms[good], columns, piece.limits, piece.water_model)


def _at_25c(ph: Quantity, temperature_c: Quantity, want: Wanted) -> Quantity:
    """Return extremes of pH referred to 25 °C; those out of range stay at its ends."""
    model = want.pieces[-1].water_model if want.pieces else "carbonate"
    clipped = np.clip(ph, *PH_RANGE)
    return np.asarray(ph_25c(clipped, temperature_c, model, on_invalid="nan").value, np.float64)
