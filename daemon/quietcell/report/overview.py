"""The figure people look at first: pH, conductivity, temperature and outcomes of a cell over a span."""

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from quietcell.core.readings import Quantity
from quietcell.core.records import Json
from quietcell.core.times import DAY_MS, utc_ms
from quietcell.report.cell_report import CellReport
from quietcell.report.coverage import VALID
from quietcell.report.indications import Indications
from quietcell.report.material import Span
from quietcell.report.pen import INK, LIGHT, MARK, MID, Pen

if TYPE_CHECKING:
    from matplotlib.axes import Axes

SINGLE = 400
"""So many results are shown one by one; more are drawn as lowest, median and highest of a step."""
SPARSE = 60
"""So many refusals can be told apart as crosses."""
STEPS = 180


def overview(pen: Pen, cell: CellReport, found: Indications | None, span: Span) -> str:
    """Return pH, conductivity, temperature and outcomes of a cell over the span."""
    with pen.style():
        figure, axes = pen.axes(4)
        results = [row for row in cell.rows if row["verdict"] in VALID]
        doubted = {i for doubt in cell.doubts for i in doubt["determinations"]}
        names = (("ph", "ph_25c"), ("conductivity_us_cm",) * 2, ("temperature_c",) * 2)
        for each, (reading, result) in zip(axes, names, strict=False):
            if found is not None:
                _band(each, found, reading)
            _results(each, results, result, doubted if result == "ph_25c" else set(), span)
            each.margins(y=0.08)
        _refused(axes[0], cell.rows)
        _doubts(axes[0], cell, span)
        for name, limit in cell.limits.items():
            at = {"ph": 0, "conductivity": 1, "temperature": 2}.get(name.split("_", maxsplit=1)[0])
            if at is not None and limit is not None:
                axes[at].axhline(limit, color=INK, linewidth=0.8, linestyle=(0, (1, 2)), label="limit")
        step = _outcomes(axes[3], cell.rows, span)
        for number, label in enumerate(
            ("pH at 25 °C", "conductivity, µS/cm", "temperature, °C", f"determinations in {step}")
        ):
            pen.label(axes[number], label)
        pen.time_axis(axes, span)
        _episodes(axes, cell, span)
        _calibrations(axes, cell, span)
        return pen.written(figure, axes, (2.2, 1.35, 0.95, 1.0))


def _band(axes: "Axes", found: Indications, name: str) -> None:
    """Draw the readings: from lowest to highest of every step."""
    envelope = found.envelopes[name]
    known = np.isfinite(envelope.low)
    if not known.any():
        return
    edges = envelope.edges_ms / DAY_MS
    # A stairway: each value holds from one edge to the next.
    low, high = (np.append(values, values[-1]) for values in (envelope.low, envelope.high))
    axes.fill_between(
        edges, low, high, step="post", color=LIGHT, linewidth=0.6, edgecolor="#aab3bd",
        label="readings, lowest to highest",
    )  # fmt: skip


def _results(
    axes: "Axes", results: Sequence[Mapping[str, Json]], name: str, doubted: set[str], span: Span
) -> None:
    rows = [row for row in results if row[name] is not None]
    if not rows:
        return
    at = np.array([row["ended_ms"] for row in rows]) / DAY_MS
    values = np.array([row[name] for row in rows], np.float64)
    uncertain = name == "ph_25c"
    spread = np.array(
        [(row["ph_25c_expanded_uncertainty"] or 0.0) if uncertain else 0.0 for row in rows], np.float64
    )
    if len(rows) > SINGLE:
        _steps(axes, at, values, spread, span)
        return
    kind = [
        "in doubt" if row["id"] in doubted else "qualified" if row["verdict"] == "qualified" else "accepted"
        for row in rows
    ]
    if uncertain:
        axes.errorbar(
            at,
            values,
            spread,
            fmt="none",
            ecolor=MID,
            elinewidth=0.5,
            label="uncertainty U (k = 2)",
        )
    size = 3.2 if uncertain else 2.4
    for label, marker, fill in (
        ("accepted", "o", MARK),
        ("qualified", "D", "white"),
        ("in doubt", "s", "#b9c0c8"),
    ):
        chosen = np.array([each == label for each in kind])
        if chosen.any() and (uncertain or label != "in doubt"):
            axes.plot(
                at[chosen], values[chosen], linestyle="none", marker=marker, markersize=size,
                markerfacecolor=fill, markeredgecolor=INK if fill != MARK else MARK, markeredgewidth=0.7,
                label=f"result, {label}",
            )  # fmt: skip


def _steps(axes: "Axes", at: Quantity, values: Quantity, spread: Quantity, span: Span) -> None:
    """Draw many results by steps of time."""
    edges = np.linspace(span.from_ms, span.to_ms, STEPS + 1) / DAY_MS
    step = np.clip(np.searchsorted(edges, at, side="right") - 1, 0, STEPS - 1)
    centre = 0.5 * (edges[:-1] + edges[1:])
    low, mid, high = _of_each(step, values)
    half = _of_each(step, spread)[1]
    axes.vlines(centre, low, high, color=MARK, linewidth=0.8, label="results, lowest to highest")
    axes.plot(centre, mid, color=INK, linewidth=1.0, label="results, median")
    if half[np.isfinite(half)].any():
        label = "median ± U (k = 2)"
        for sign, text in ((-1, label), (1, None)):
            axes.plot(centre, mid + sign * half, color=INK, linewidth=0.6, linestyle=(0, (4, 2)), label=text)


def _of_each(step: NDArray[np.intp], values: Quantity) -> tuple[Quantity, Quantity, Quantity]:
    """Return lowest, median and highest of every step, NaN where it has no value."""
    ordered = values[np.lexsort((values, step))]
    count = np.bincount(step, minlength=STEPS)
    end = np.cumsum(count)
    first, known = end - count, count > 0
    found = np.full((4, STEPS), np.nan)
    for row, at in enumerate((first, first + (count - 1) // 2, first + count // 2, end - 1)):
        found[row, known] = ordered[at[known]]
    return found[0], 0.5 * (found[1] + found[2]), found[3]


def _refused(axes: "Axes", rows: Sequence[Mapping[str, Json]]) -> None:
    refused = [row["ended_ms"] / DAY_MS for row in rows if row["verdict"] not in VALID]
    if refused and len(refused) <= SINGLE:
        marker = "x" if len(refused) <= SPARSE else "|"
        axes.plot(
            refused, [0.03] * len(refused), linestyle="none", marker=marker, markersize=4, color=INK,
            markeredgewidth=0.8, transform=axes.get_xaxis_transform(), label="refused", clip_on=False,
        )  # fmt: skip


def _doubts(axes: "Axes", cell: CellReport, span: Span) -> None:
    """Draw over which stretches results are in doubt."""
    for doubt in cell.doubts:
        since, until = span.clipped(utc_ms(doubt["since"]), utc_ms(doubt["until"]))
        if since <= until:
            axes.plot(
                [since / DAY_MS, until / DAY_MS], [0.1, 0.1], color=INK, linewidth=1.6, marker="|",
                markersize=7, transform=axes.get_xaxis_transform(), label="stretch in doubt",
            )  # fmt: skip


def _outcomes(axes: "Axes", rows: Sequence[Mapping[str, Json]], span: Span) -> str:
    """Draw how many determinations had which outcome, stacked, by steps of time; return their name."""
    length = span.to_ms - span.from_ms
    step_ms = next((s for s in (3_600_000, 6 * 3_600_000) if length <= 60 * s), DAY_MS)
    first = span.from_ms // step_ms * step_ms
    edges = np.arange(first, span.to_ms + step_ms, step_ms)
    bottom = np.zeros(len(edges) - 1)
    for label, verdicts, face, hatch in (
        ("refused", ("refused", "cannot-tell"), "#aab3bd", "xxxx"),
        ("qualified", ("qualified",), "#e4e8ec", "---"),
        ("accepted", ("accepted",), "white", None),
    ):
        ended = [row["ended_ms"] for row in rows if row["verdict"] in verdicts]
        count = np.histogram(ended, edges)[0]
        if count.any():
            axes.stairs(
                bottom + count, edges / DAY_MS, baseline=bottom, fill=True, facecolor=face, edgecolor=INK,
                linewidth=0.5, hatch=hatch, label=f"{label} (number)",
            )  # fmt: skip
        bottom += count
    axes.locator_params(axis="y", integer=True, nbins=4)
    return {3_600_000: "1 h", 6 * 3_600_000: "6 h", DAY_MS: "1 day"}[step_ms]


def _episodes(axes: "Sequence[Axes]", cell: CellReport, span: Span) -> None:
    last = -1.0
    for number, episode in enumerate(cell.episodes, start=1):
        end_ms = span.to_ms if episode.closed_at is None else utc_ms(episode.closed_at)
        begin, end = (x / DAY_MS for x in span.clipped(utc_ms(episode.began), end_ms))
        for each in axes[:3]:
            each.axvspan(
                begin, max(end, begin), facecolor="none", edgecolor=MID, hatch="////", linewidth=0.5,
                alpha=0.55, label="episode, numbered",
            )  # fmt: skip
        share = (begin * DAY_MS - span.from_ms) / (span.to_ms - span.from_ms)
        if share - last > 0.05:  # room for its number
            axes[0].text(
                begin, 1.0, f" {number}", transform=axes[0].get_xaxis_transform(), va="top", fontsize=8.5
            )
            last = share


def _calibrations(axes: "Sequence[Axes]", cell: CellReport, span: Span) -> None:
    for body in cell.calibrations:
        at_ms = utc_ms(body["at"])
        if body["verdict"] == "accepted" and at_ms in span:
            for each in axes[:3]:
                each.axvline(
                    at_ms / DAY_MS, color=INK, linewidth=0.8, linestyle=(0, (6, 2, 1, 2)),
                    label="new calibration in use",
                )  # fmt: skip
