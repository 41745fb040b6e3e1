"""Sections on what was determined: time with a result, values, uncertainty, refusals, days."""

from collections.abc import Iterable, Mapping

from quietcell.core.records import Json
from quietcell.report.cell_report import ReasonCount, Spread
from quietcell.report.coverage import VALID
from quietcell.report.html import NOT_KNOWN, Html, joined, number, tag, words
from quietcell.report.part import MOST_ROWS, Part, cut
from quietcell.report.wording import PLACES, QUANTITIES, cause, reason

MOST_DETERMINATIONS = 150
"""So many are listed one by one: a day of a cell."""


def share_of_time(part: Part) -> Html:
    """Return for how much of the time a valid result stood, and what the rest went to."""
    cell = part.cell
    rows = [
        (cause(share.cause), number(share.share_pct, 2), number(share.seconds / 3600.0, 2))
        for share in cell.shares
    ]
    return joined(
        [
            tag("h3", "Share of time with a valid result"),
            tag(
                "p",
                "A valid result (accepted or qualified, not in doubt by now) stood for ",
                tag("strong", number(cell.valid_pct, 2), " %"),
                " of the time. A determination stands for the time from its beginning to that of the "
                "next, at most "
                "for the cell's interval or to its own end; every instant has one cause.",
            ),
            part.table("time", "What the time went to", ("Cause", "Share, %", "Hours"), list(rows)),
        ]
    )


def results(part: Part) -> Html:
    """Return how the values of the results lie, and the caveats that travel with them."""
    cell = part.cell
    if not cell.spreads:
        return tag("p", "No determination of the span gave a result.")
    models = ", ".join(f"{model} ({count})" for model, count in cell.ph_25c_models.items())
    return joined(
        [
            tag("h3", "Results"),
            _spreads(part, "results", "Accepted and qualified determinations", cell.spreads),
            tag(
                "p",
                f"pH at 25 °C rests on what is taken to be dissolved: {models or '–'}; other plausible "
                "water "
                "would differ by at most ",
                number(cell.largest_ph_25c_spread, 4),
                ".",
                class_="soft",
            ),
            _reasons(part, "qualifiers", "Caveats that travel with results", "Caveat", cell.qualifiers),
        ]
    )


def uncertainty(part: Part) -> Html:
    """Return how uncertain the results are, and what it is made of."""
    cell = part.cell
    if not cell.uncertainty:
        return Html("")
    rows: list[tuple[object, ...]] = [
        (
            c.name,
            "repeatability" if c.repeatability else "systematic",
            words(c.basis),
            number(c.median_standard_uncertainty_ph, 5),
            number(c.largest_standard_uncertainty_ph, 5),
            number(c.median_bias_ph, 5),
        )
        for c in cell.components
    ]
    headers = (
        "Component", "Part", "Basis", "Median standard uncertainty, pH", "Largest, pH",
        "Median one-sided error, pH"
    )  # fmt: skip
    return joined(
        [
            tag("h3", "Uncertainty"),
            _spreads(part, "uncertainty", "Uncertainty of the results, its parts apart", cell.uncertainty),
            tag(
                "p",
                "The repeatability part differs from one determination to the next and shrinks over "
                "many; the "
                "systematic part is common to all of them and does not. The expanded uncertainty also "
                "covers "
                "errors that lie on one side and are not corrected. At 25 °C it is another: near neutral a "
                "small error of warm water's pH is a larger one there.",
                class_="soft",
            ),
            part.table("budget", "Components of the budgets", headers, rows),
        ]
    )


def refused(part: Part) -> Html:
    """Return what was refused, and why."""
    cell = part.cell
    rows = [row for row in cell.rows if row["verdict"] not in VALID]
    if not rows:
        return joined([tag("h3", "Refused"), tag("p", "No determination was refused.")])
    listed: list[tuple[object, ...]] = [
        (
            row["id"],
            part.times(row["ended"]),
            row["verdict"],
            words(row["reasons"]),
            number(row["ph_25c"], 3),
            row["sample_id"] or NOT_KNOWN,
            row["operator"] or NOT_KNOWN,
        )
        for row in rows[:MOST_ROWS]
    ]
    headers = (
        "Determination",
        "Ended",
        "Verdict",
        "Reasons",
        "pH at 25 °C, not a result",
        "Sample",
        "Operator",
    )
    return joined(
        [
            tag("h3", "Refused"),
            _reasons(part, "reasons", "Reasons, one determination may have several", "Reason", cell.reasons),
            part.table("refused", "Refused determinations", headers, listed),
            cut(len(rows)),
        ]
    )


def days(part: Part) -> Html:
    """Return the results of each day, where there are several."""
    if len(part.cell.days) < 2:
        return Html("")
    rows: list[tuple[object, ...]] = [
        (
            tag("span", d.day, class_="whole"),
            number(d.accepted),
            number(d.qualified),
            number(d.refused),
            number(d.valid_pct, 1),
            number(d.ph_25c_lowest, 3),
            number(d.ph_25c_median, 3),
            number(d.ph_25c_highest, 3),
            number(d.ph_25c_largest_uncertainty, 3),
            number(d.conductivity_median_us_cm, 4),
            number(d.temperature_median_c, 2),
        )
        for d in part.cell.days
    ]
    headers = (
        "Day", "Accepted", "Qualified", "Refused", "Valid, % of time", "pH at 25 °C lowest", "median",
        "highest",
        "its largest U (k = 2)", "Median µS/cm", "Median °C",
    )  # fmt: skip
    return joined([tag("h3", "Day by day"), part.table("days", "Results of each day", headers, rows)])


def determinations(part: Part) -> Html:
    """Return a list of the determinations, one a line, where they are few enough."""
    rows = part.cell.rows
    if not rows or len(rows) > MOST_DETERMINATIONS:
        return Html("")
    title = tag("h3", "Determinations")
    return joined([title, _one_by_one(part, "determinations", "Every determination of the span", rows)])


def samples(part: Part) -> Html:
    """Return what was brought to a continuous cell and measured there."""
    rows = part.cell.samples
    if not rows:
        return Html("")
    told = "Brought to the electrode by hand: not the water of this cell, and in no number above."
    return joined(
        [
            tag("h3", "Samples"),
            tag("p", told, class_="soft"),
            _one_by_one(part, "samples", "Determinations of samples", rows[:MOST_ROWS]),
            cut(len(rows)),
        ]
    )


def _one_by_one(part: Part, name: str, caption: str, rows: Iterable[Mapping[str, Json]]) -> Html:
    listed: list[tuple[object, ...]] = [
        (
            row["id"],
            part.times(row["ended"]),
            row["verdict"],
            words([*row["reasons"], *row["qualifiers"], *(f"episode {each}" for each in row["episodes"])]),
            number(row["ph_25c"], 3),
            number(row["ph_25c_expanded_uncertainty"], 3),
            number(row["temperature_c"], 2),
            number(row["conductivity_us_cm"], 4),
            row["sample_id"] or NOT_KNOWN,
        )
        for row in rows
    ]
    headers = (
        "Determination",
        "Ended",
        "Verdict",
        "Reasons and caveats",
        "pH at 25 °C",
        "its U (k = 2)",
        "°C",
        "µS/cm",
        "Sample",
    )
    return part.table(name, caption, headers, listed)


def _spreads(part: Part, name: str, caption: str, spreads: Iterable[Spread]) -> Html:
    headers = ("Quantity", "Number", "Lowest", "5th percentile", "Median", "95th percentile", "Highest")
    rows: list[tuple[object, ...]] = [
        (
            QUANTITIES[s.quantity],
            number(s.number),
            *(number(value, PLACES[s.quantity]) for value in (s.lowest, s.p5, s.median, s.p95, s.highest)),
        )
        for s in spreads
    ]
    return part.table(name, caption, headers, rows)


def _reasons(part: Part, name: str, caption: str, header: str, counts: Iterable[ReasonCount]) -> Html:
    rows: list[tuple[object, ...]] = [
        (reason(r.reason), number(r.number), part.times(r.first_at), part.times(r.last_at)) for r in counts
    ]
    return part.table(name, caption, (header, "Number", "First", "Last"), rows) if rows else Html("")
