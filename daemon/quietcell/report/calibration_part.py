"""Calibrations on a page: a table of them, and the points and line of one."""

from collections.abc import Iterable, Mapping

from quietcell.core.records import Json
from quietcell.report.figures import calibration_line
from quietcell.report.frame import figure
from quietcell.report.html import NOT_KNOWN, Html, Times, joined, number, table
from quietcell.report.pen import Pen


def calibration_table(calibrations: Iterable[Mapping[str, Json]], times: Times, id_: str) -> Html:
    """Return a list of calibrations, one a line."""
    rows: list[tuple[object, ...]] = [
        (
            c["id"],
            times(c["at"]),
            ": ".join(filter(None, (c["verdict"], ", ".join(each["reason"] for each in c["refusals"])))),
            joined([number(c["slope_pct"], 2), " ± ", number(c["slope_expanded_uncertainty_pct"], 2)]),
            joined([number(c["zero_mv"], 2), " ± ", number(c["zero_expanded_uncertainty_mv"], 2)]),
            joined((_point(p) for p in c["points"]), "; "),
            number(c["as_found"]["worst_deviation_ph"] if c["as_found"] else None, 3, sign=True),
            c["operator"] or NOT_KNOWN,
        )
        for c in calibrations
    ]
    headers = (
        "Calibration", "At", "Verdict", "Slope, %", "Zero, mV", "Buffers (lot) and residuals, pH",
        "As found, worst, pH", "Operator",
    )  # fmt: skip
    return table("Calibrations; ± is the expanded uncertainty (k = 2)", headers, rows, id_=id_)


def calibration_figure(pen: Pen, body: Mapping[str, Json]) -> Html:
    """Return points, line and residuals of one calibration."""
    worst = max((abs(p["residual_ph"]) for p in body["points"]), default=0.0)
    return figure(
        calibration_line(pen, body),
        f"Calibration {body['id']}: potential against pH of {len(body['points'])} buffers with the fitted "
        "line, and the "
        f"residuals, the largest {worst:.4f} pH.",
        f"Calibration {body['id']} ({body['verdict']}): points, line, and what each buffer is off.",
    )


def _point(point: Mapping[str, Json]) -> Html:
    return joined(
        [
            point["buffer"],
            " (",
            point["lot"] or "lot not stated",
            ") ",
            number(point["residual_ph"], 4, sign=True),
        ]
    )
