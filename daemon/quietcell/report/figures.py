"""The figures of calibrations and of single determinations."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from quietcell.core.electrode.nernst import Line
from quietcell.core.readings import Quantity
from quietcell.core.records import Json
from quietcell.core.times import DAY_MS, utc_ms
from quietcell.report.coverage import VALID
from quietcell.report.material import Span
from quietcell.report.pen import INK, LIGHT, MARK, MID, Pen


def calibration_history(pen: Pen, calibrations: Sequence[Mapping[str, Json]]) -> str:
    """Return slope and zero of calibrations over time, with their expanded uncertainties."""
    with pen.style():
        figure, axes = pen.axes(2)
        kinds = (("accepted", "o", MARK), ("refused", "X", "white"), ("declined", "D", "white"))
        for each, (name, unit, label) in zip(
            axes, (("slope", "pct", "slope, %"), ("zero", "mv", "zero, mV")), strict=True
        ):
            for verdict, marker, fill in kinds:
                own = [body for body in calibrations if body["verdict"] == verdict]
                if own:
                    each.errorbar(
                        [utc_ms(body["at"]) / DAY_MS for body in own],
                        [body[f"{name}_{unit}"] for body in own],
                        [body[f"{name}_expanded_uncertainty_{unit}"] for body in own],
                        fmt=marker, markersize=4.5, markerfacecolor=fill, markeredgecolor=INK,
                        markeredgewidth=0.7, ecolor=MID, elinewidth=0.7, capsize=2, label=verdict,
                    )  # fmt: skip
            used = [body for body in calibrations if body["verdict"] == "accepted"]
            if len(used) > 1:
                each.plot(
                    [utc_ms(body["at"]) / DAY_MS for body in used],
                    [body[f"{name}_{unit}"] for body in used],
                    color=MID, linewidth=0.7, linestyle=(0, (4, 2)), zorder=1,
                )  # fmt: skip
            pen.label(each, label)
            each.margins(x=0.05, y=0.15)
        times = [utc_ms(body["at"]) for body in calibrations]
        room = max(DAY_MS // 24, (max(times) - min(times)) // 20)
        pen.time_axis(axes, Span(from_ms=min(times) - room, to_ms=max(times) + room))
        return pen.written(figure, axes, (1.25, 1.25))


def calibration_line(pen: Pen, body: Mapping[str, Json]) -> str:
    """Return the points and the line of one calibration, and what is left over."""
    with pen.style():
        figure, axes = pen.axes(2)
        points = body["points"]
        ph = np.array([point["ph"] for point in points])
        mv = np.array([point["mv"] for point in points])
        line = Line(
            slope_pct=body["slope_pct"], zero_mv=body["zero_mv"], isopotential_ph=body["isopotential_ph"]
        )
        reach = np.array([min(ph.min(), 7.0) - 0.4, max(ph.max(), 7.0) + 0.4])
        temperature_c = body["temperature_c"]
        axes[0].plot(
            reach, [line.mv(float(each), temperature_c) for each in reach], color=INK, linewidth=0.9,
            label=f"fitted line at {temperature_c:.1f} °C",
        )  # fmt: skip
        style: dict[str, Any] = {"linestyle": "none", "marker": "o", "markersize": 4.5, "color": MARK}
        axes[0].plot(ph, mv, **style, label="buffers as measured")
        expected = body["expected_ph"]
        if expected is not None:
            for each in axes:
                each.axvspan(
                    expected[0] - 0.02, expected[1] + 0.02, facecolor="none", edgecolor=MID, hatch="|||",
                    linewidth=0.4, label="sample expected here",
                )  # fmt: skip
        residual = np.array([point["residual_ph"] for point in points])
        known = np.array([2 * point["buffer_standard_uncertainty_ph"] for point in points])
        axes[1].axhline(0.0, color=INK, linewidth=0.8)
        axes[1].errorbar(
            ph, residual, known, fmt="o", markersize=4.5, color=MARK, ecolor=MID, elinewidth=0.7,
            capsize=2, label="buffer's U (k = 2)",
        )  # fmt: skip
        pen.label(axes[0], "potential, mV")
        pen.label(axes[1], "residual, pH")
        for each in axes:
            each.margins(y=0.15)
        axes[0].tick_params(labelbottom=False)
        axes[1].set_xlabel("pH of the buffer at the temperature measured", labelpad=2)
        return pen.written(figure, axes, (1.7, 0.95))


def budget(pen: Pen, lines: Sequence[Mapping[str, Json]]) -> str:
    """Return the components of one uncertainty, the largest on top."""
    with pen.style():
        ordered = sorted(lines, key=lambda line: line["standard_uncertainty_ph"] + abs(line["bias_ph"]))
        figure, (axes,) = pen.axes(1, share_x=False)
        kinds = (("systematic", False, "#d5dae0", None), ("repeatability", True, "white", "////"))
        for label, repeatability, face, hatch in kinds:
            at = [i for i, line in enumerate(ordered) if line["repeatability"] is repeatability]
            axes.barh(
                at, [ordered[i]["standard_uncertainty_ph"] for i in at], 0.7, facecolor=face,
                edgecolor=INK, linewidth=0.6, hatch=hatch, label=f"{label}, standard uncertainty",
            )  # fmt: skip
        biased = [i for i, line in enumerate(ordered) if line["bias_ph"]]
        if biased:
            axes.plot(
                [ordered[i]["bias_ph"] for i in biased], biased, linestyle="none", marker="D",
                markersize=4.5, markerfacecolor="white", markeredgecolor=INK, label="error on one side",
            )  # fmt: skip
        axes.set_yticks(range(len(ordered)), [line["name"] for line in ordered])
        axes.grid(axis="x", color=LIGHT, linewidth=0.5)
        axes.set_xlabel("pH", labelpad=2)
        return pen.written(figure, (axes,), (0.21 * len(ordered) + 0.2,), left=0.3)


def trace(
    pen: Pen, at_ms: NDArray[np.int64], ph: Quantity, conductivity: Quantity, body: Mapping[str, Json]
) -> str:
    """Return the readings around one determination, its window shaded.

    Parameters
    ----------
    at_ms, ph, conductivity : ndarray
        UTC, pH at sample temperature by the line in force, raw conductivity; shape (n,).
    body : mapping
        The determination.
    """
    with pen.style():
        figure, axes = pen.axes(2)
        ended_ms = utc_ms(body["ended"])
        for each, values, label in (
            (axes[0], ph, "pH as measured"),
            (axes[1], conductivity, "conductivity, µS/cm"),
        ):
            good = np.isfinite(values)
            each.plot(at_ms[good] / DAY_MS, values[good], ".", color=MID, markersize=2.2, label="readings")
            if body["window_s"]:
                each.axvspan(
                    (ended_ms - 1000 * body["window_s"]) / DAY_MS, ended_ms / DAY_MS, facecolor="none",
                    edgecolor=MID, hatch="////", linewidth=0.6, label="window judged",
                )  # fmt: skip
            each.axvline(
                utc_ms(body["began"]) / DAY_MS,
                color=INK,
                linewidth=0.8,
                linestyle=(0, (1, 2)),
                label="began",
            )
            pen.label(each, label)
            each.margins(y=0.12)
        if body["ph"] is not None and body["verdict"] in VALID:
            axes[0].errorbar(
                [ended_ms / DAY_MS], [body["ph"]], [body["ph_expanded_uncertainty"] or 0.0], fmt="o",
                color=MARK, markersize=4.5, capsize=2, elinewidth=0.8, label="result, with U (k = 2)",
            )  # fmt: skip
        pen.time_axis(axes, Span(from_ms=int(at_ms[0]), to_ms=int(at_ms[-1]) + 1))
        return pen.written(figure, axes, (1.9, 1.1))
