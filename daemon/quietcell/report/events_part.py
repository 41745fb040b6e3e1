"""Sections on what happened at a cell: episodes, excursions, doubts, checks, notes."""

from collections.abc import Mapping

from quietcell.core.records import Json
from quietcell.report.html import NOT_KNOWN, Html, joined, number, tag, words
from quietcell.report.part import MOST_ROWS, Part, cut
from quietcell.report.wording import PLACES, judged


def episodes(part: Part) -> Html:
    """Return the suspected causes."""
    if not part.cell.episodes:
        return joined([tag("h3", "Episodes"), tag("p", "No episode was open.")])
    rows: list[tuple[object, ...]] = []
    for index, e in enumerate(part.cell.episodes, start=1):
        amount: object = NOT_KNOWN
        where = "in a sample" if e.in_sample else e.place
        if e.co2_ug_per_l is not None:
            amount = joined(
                [number(e.co2_ug_per_l, 1), " ± ", number(e.co2_expanded_uncertainty_ug_per_l, 1)]
            )
        rows.append(
            (
                joined([number(index), " (", e.id, ")"]),
                f"{e.diagnosis}, {where}{', confirmed' if e.confirmed else ''}",
                part.times(e.began),
                part.times(e.closed_at) if e.closed_at else "open",
                amount,
                joined([number(e.ph_before, 3), " to ", number(e.ph_furthest, 3)]),
                joined(
                    [number(e.conductivity_before_us_cm, 4), " to ", number(e.conductivity_furthest_us_cm, 4)]
                ),
            )
        )
    headers = (
        "Number (id)", "Diagnosis, place", "Began", "Closed", "Most CO₂, µg/L (U, k = 2)",
        "pH, before to furthest", "Conductivity, before to furthest, µS/cm"
    )  # fmt: skip
    texts = [
        tag("li", tag("strong", f"{i}: "), e.text) for i, e in enumerate(part.cell.episodes[:MOST_ROWS], 1)
    ]
    return joined(
        [
            tag("h3", "Episodes"),
            part.table("episodes", "Suspected causes, each as last recorded in the span", headers, rows),
            tag("ul", *texts),
        ]
    )


def excursions(part: Part) -> Html:
    """Return when readings lay past limits, whatever became of determinations."""
    cell, title = part.cell, tag("h3", "Excursions past limits, from the readings")
    if cell.readings is None:
        return joined([title, tag("p", "The stored readings were not looked at.")])
    seen = tag(
        "p",
        number(cell.readings), " stored readings lie in the span, ", number(cell.readings_counted),
        " of them say something about the water (not flagged by the meter, nobody at work at the cell). "
        "Readings "
        "past a limit less than 5 minutes apart are one excursion, whatever became of the determinations "
        "meanwhile.",
        class_="soft",
    )  # fmt: skip
    if cell.readings_missing:
        told = tag(
            "p",
            f"No readings are stored any more of {words(cell.readings_missing)}: an excursion then would "
            "not be "
            "seen here.",
            class_="warn",
        )
        seen = joined([seen, told])
    if not cell.limits:
        none = "This cell has no limits; set [cells.NAME.limits] in the configuration, or --limit."
        return joined([title, tag("p", none), seen])
    limits = ", ".join(f"{name} = {'table' if v is None else f'{v:g}'}" for name, v in cell.limits.items())
    rows: list[tuple[object, ...]] = [
        (
            joined([x.limit, " ", "table" if x.limit_value is None else number(x.limit_value)]),
            part.times(x.from_at),
            part.times(x.to_at),
            number(x.duration_s / 60.0, 1),
            joined(["" if x.unit else "pH ", number(x.furthest, PLACES[x.quantity]), f" {x.unit}"]),
            number(x.readings),
            joined([number(x.results), ", past it ", number(x.results_past)]),
            "sanitisation" if x.sanitisation else "",
        )
        for x in sorted(cell.excursions, key=lambda x: -x.duration_s)[:MOST_ROWS]
    ]
    headers = (
        "Limit",
        "First reading past it",
        "Last",
        "Minutes",
        "Furthest",
        "Readings",
        "Results meanwhile",
        "Remark",
    )
    told = (
        part.table("excursions", "Excursions, the longest first", headers, rows)
        if rows
        else tag("p", "No reading that counts lay past a limit.")
    )
    return joined([title, tag("p", f"Limits: {limits}."), told, cut(len(cell.excursions)), seen])


def doubts(part: Part) -> Html:
    """Return which results later records put in doubt."""
    if not part.cell.doubts:
        return joined([tag("h3", "Doubts"), tag("p", "No doubt is recorded on results of the span.")])
    own = {row["id"] for row in (*part.cell.rows, *part.cell.samples)}
    rows: list[tuple[object, ...]] = [
        (
            d["id"],
            d["cause"],
            part.times(d["since"]),
            part.times(d["until"]),
            number(len(d["determinations"])),
            number(sum(each in own for each in d["determinations"])),
            d["text"],
        )
        for d in part.cell.doubts
    ]
    headers = ("Doubt", "Cause", "Since", "Until", "Results", "Of them in the span", "Why")
    return joined(
        [tag("h3", "Doubts"), part.table("doubts", "Results in doubt by later records", headers, rows)]
    )


def checks(part: Part) -> Html:
    """Return what the cell was held against."""
    if not part.cell.checks:
        return Html("")
    rows: list[tuple[object, ...]] = [
        (
            c["id"],
            part.times(c["at"]),
            c["method"],
            c["verdict"],
            joined([number(c["found"], 3), " / ", number(c["known"], 3), f" {_unit(c['unit'])}"]),
            joined([number(c["deviation"], 3, sign=True), " / ", number(c["tolerance"], 3)]),
            c["known_from"],
            c["operator"] or NOT_KNOWN,
        )
        for c in part.cell.checks
    ]
    headers = (
        "Check",
        "At",
        "Method",
        "Verdict",
        "Found / known",
        "Deviation / tolerance",
        "Against",
        "Operator",
    )
    return joined([tag("h3", "Checks"), part.table("checks", "Checks of the span", headers, rows)])


def flow_tests(part: Part) -> Html:
    """Return what three flows and back have shown."""
    if not part.cell.flow_tests:
        return Html("")
    rows: list[tuple[object, ...]] = [
        (t["id"], part.times(t["at"]), t["verdict"], t["text"], t["operator"] or NOT_KNOWN)
        for t in part.cell.flow_tests
    ]
    headers = ("Flow test", "At", "Verdict", "What it has shown", "Operator")
    told = part.table("flow-tests", "Flow tests: where carbon dioxide comes in", headers, rows)
    return joined([tag("h3", "Flow tests"), told])


def alarms(part: Part) -> Html:
    """Return how often alarms came up and how long they stood."""
    if not part.cell.alarms:
        return Html("")
    rows: list[tuple[object, ...]] = [
        (
            a.title,
            a.priority,
            number(a.raised),
            *(number(s / 60, 1) for s in (a.unacknowledged_s, a.acknowledged_s, a.shelved_s)),
            a.state,
        )
        for a in part.cell.alarms
    ]
    headers = (
        "Alarm", "Priority", "Raised", "Stood unacknowledged, min", "Stood acknowledged, min", "Shelved, min",
        "At the end",
    )  # fmt: skip
    return joined([tag("h3", "Alarms"), part.table("alarms", "Alarms of the span", headers, rows)])


def notes(part: Part) -> Html:
    """Return notes, gaps and faults."""
    cell = part.cell
    told = ", ".join(f"{count} {kind}" for kind, count in cell.faults.items() if count)
    parts = [tag("h3", "Notes, gaps and faults")]
    if cell.notes:
        rows: list[tuple[object, ...]] = [
            (part.times(n["at"]), n.get("operator") or NOT_KNOWN, n["text"]) for n in cell.notes[:MOST_ROWS]
        ]
        parts += [part.table("notes", "Notes", ("At", "Operator", "Text"), rows), cut(len(cell.notes))]
    if cell.acts:
        rows = [
            (part.times(a["at"]), a["operator"] or NOT_KNOWN, _act(part, a)) for a in cell.acts[:MOST_ROWS]
        ]
        caption = "What people did with alarms, episodes, electrodes and meters"
        parts += [part.table("acts", caption, ("At", "Operator", "What"), rows), cut(len(cell.acts))]
    parts.append(
        tag(
            "p",
            f"Recorded in the span: {told or 'no gap, no fault'}; ",
            number(cell.silent_s, 1),
            " s in gaps.",
        )
    )
    if cell.clock_set_back:
        again = (
            " and times of the span were gone through once more. Figures show both stretches on top of each "
            "other, shares of time the one whose cause weighs more; the numbers of records tell their order."
        )
        often = number(cell.clock_set_back)
        parts.append(tag("p", "The clock was set back (times: ", often, "),", again, class_="warn"))
    return joined(parts)


def _act(part: Part, body: Mapping[str, Json]) -> Html:
    """Return what someone did, in words."""
    if body["record"] == "electrode":
        why = "" if body["text"] is None else f": {body['text']}"
        return joined([f"{body['thing']} {body['name']} {body['state']}{why}"])
    if body["record"] == "operator-verdict":
        return joined([f"episode {body['episode']} {judged(body)}"])
    ends = {"shelved": "shelved_until", "acknowledged": "ends"}.get(body["event"], "")
    until = body.get(ends)
    lasts = [] if until is None else [" until ", part.times(until)]
    return joined([f"alarm {body['title']!r} {body['event']}", *lasts, f": {body['reason']}"])


def _unit(stated: str) -> str:
    return "°C" if stated == "Cel" else stated
