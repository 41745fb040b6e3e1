"""A report on one determination or one calibration as a page of HTML."""

import re
from collections.abc import Iterable, Mapping
from contextlib import suppress

from quietcell.core.records import Json
from quietcell.report.calibration_part import calibration_figure, calibration_table
from quietcell.report.figures import budget, calibration_history, trace
from quietcell.report.frame import checking, digest, document, figure, provenance, review
from quietcell.report.html import NOT_KNOWN, Html, Times, facts, joined, number, table, tag
from quietcell.report.indications import Traces
from quietcell.report.pen import Pen
from quietcell.report.single import CalibrationReport, DeterminationReport
from quietcell.report.wording import CALIBRATION_UNITS, DETERMINATION_UNITS, judged, reason

_TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z")
_SHA256 = re.compile(r"[0-9a-f]{64}")
_APART = frozenset({"ph_budget", "record", "points", "errors", "refusals", "accepted_despite"})
"""Fields that have a table of their own, or none."""


def determination_page(report: DeterminationReport, around: Traces | None, pen: Pen) -> str:
    """Return the page on one determination."""
    body, times = report.determination, Times(pen.zone)
    title = f"Determination {body['id']}"
    value: object = "No value was accepted."
    if body["verdict"] in ("accepted", "qualified"):
        referred: tuple[object, ...] = ()
        if body["ph_25c"] is not None:
            u_25c = number(report.ph_25c_expanded_uncertainty, 3)
            referred = ("; ", number(body["ph_25c"], 3), " ± ", u_25c, " at 25 °C")
        value = joined(
            ["pH ", number(body["ph"], 3), " ± ", number(body["ph_expanded_uncertainty"], 3),
             " (k = 2) at ", number(body["temperature_c"], 2), " °C", *referred, "."]
        )  # fmt: skip
    parts = [
        tag("header", tag("h1", title), tag("p", tag("strong", body["verdict"]), ". ", value, class_="big")),
        *(_warning(report.doubts)),
        _provenance(report, times),
        tag("h2", "What was found", id="found", class_="first"),
        tag(
            "ul",
            *(tag("li", reason(word)) for word in [*body["reasons"], *body["qualifiers"]]),
            *(tag("li", f"a cause was suspected: episode {name}") for name in body["episodes"]),
        ),
        _trace(report, around, pen),
        _budget(body, pen),
        _episodes(report, times),
        _doubts(report.doubts, times),
        tag("h3", "The record in full"),
        record_table(body, DETERMINATION_UNITS, times, report.seq, report.sha256),
        _digest(report),
        checking(report.ledger),
        review(),
    ]
    return document(title, joined(parts))


def calibration_page(report: CalibrationReport, pen: Pen) -> str:
    """Return the page on one calibration."""
    body, times = report.calibration, Times(pen.zone)
    title = f"Calibration {body['id']}"
    line = joined(
        ["Slope ", number(body["slope_pct"], 2), " ± ", number(body["slope_expanded_uncertainty_pct"], 2),
         " %, zero ", number(body["zero_mv"], 2), " ± ",
         number(body["zero_expanded_uncertainty_mv"], 2), " mV (k = 2)."]
    )  # fmt: skip
    against = [*body["refusals"], *body["accepted_despite"]]
    parts = [
        tag("header", tag("h1", title), tag("p", tag("strong", body["verdict"]), ". ", line, class_="big")),
        _provenance(report, times),
        tag("h2", "What was found", id="found", class_="first"),
        tag("ul", *(tag("li", f"{each['reason']}: {each['text']}") for each in against)),
        calibration_figure(pen, body),
        _points(body),
        tag("p", number(report.results), " results rest on it", *_between(report, times), "."),
        tag("h3", "Calibrations of the cell up to this one"),
        calibration_table(report.history, times, "calibration-history"),
        figure(
            calibration_history(pen, report.history),
            f"Slope and zero of {len(report.history)} calibrations over time.",
            "Slope and zero over time with expanded uncertainties (k = 2).",
        ),
        _doubts(report.doubts, times),
        tag("h3", "The record in full"),
        record_table(body, CALIBRATION_UNITS, times, report.seq, report.sha256),
        checking(report.ledger),
        review(),
    ]
    return document(title, joined(parts))


def _provenance(report: DeterminationReport | CalibrationReport, times: Times) -> Html:
    return provenance(
        report.ledger, report.made_by, report.made_at, report.engine_version, report.time_zone, times
    )


def _between(report: CalibrationReport, times: Times) -> Iterable[object]:
    if report.first_result_at is None:
        return ()
    return (", from ", times(report.first_result_at), " to ", times(report.last_result_at))


def _warning(doubts: Iterable[Mapping[str, Json]]) -> Iterable[Html]:
    if any(True for _ in doubts):
        yield tag("p", "This result is in doubt by a later record; see Doubts below.", class_="warn")


def record_table(
    body: Mapping[str, Json], units: Mapping[str, str], times: Times, seq: int, sha256: str
) -> Html:
    """Return every field of a record with its unit, in the order it is recorded."""
    rows: list[tuple[str, object]] = [
        ("number (seq)", number(seq)),
        ("SHA-256 of the record", digest(sha256)),
    ]
    for name, value in body.items():
        if name not in _APART:
            rows += _rows(name, value, units, times)
    return facts(rows, "Fields of the record")


def _rows(name: str, value: Json, units: Mapping[str, str], times: Times) -> Iterable[tuple[str, object]]:
    if isinstance(value, Mapping):
        for key, inner in value.items():
            yield from _rows(f"{name}.{key}", inner, units, times)
        return
    unit = units.get(name, "")
    yield name + (f", {unit}" if unit else ""), _shown(value, times)


def _shown(value: Json, times: Times) -> object:
    if value is None:
        return NOT_KNOWN
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, (int, float)):
        return number(value)
    if isinstance(value, list):
        return joined((_shown(each, times) for each in value), ", ") if value else "–"
    if isinstance(value, Mapping):
        return joined(["(", joined((_shown(each, times) for each in value.values()), ", "), ")"])
    if _TIME.fullmatch(value):
        with suppress(ValueError):  # somebody's text may look like a time and be none
            return times(value, ms=True)
    return digest(value) if _SHA256.fullmatch(value) else value


def _trace(report: DeterminationReport, around: Traces | None, pen: Pen) -> Html:
    if around is None:
        return tag(
            "p", "The readings around it are not stored any more, or were not looked at.", class_="soft"
        )
    body = report.determination
    return figure(
        trace(pen, around.at_ms, around.ph, around.conductivity_us_cm, body),
        f"Readings of pH and conductivity from 5 minutes before to 5 minutes behind {body['id']}, with the "
        "window "
        f"of {body['window_s'] or 0:g} s that was judged.",
        "Readings through the calibration in force; the window that was judged is hatched.",
    )


def _budget(body: Mapping[str, Json], pen: Pen) -> Html:
    lines = body["ph_budget"]
    if not lines:
        return Html("")
    rows = [
        (
            line["name"],
            "repeatability" if line["repeatability"] else "systematic",
            line["basis"],
            number(line["standard_uncertainty_ph"], 5),
            number(line["bias_ph"], 5),
        )
        for line in lines
    ]
    return joined(
        [
            tag("h3", "Uncertainty"),
            facts(
                [
                    ("Expanded uncertainty U of pH (k = 2)", number(body["ph_expanded_uncertainty"], 4)),
                    ("Its repeatability part", number(body["ph_expanded_uncertainty_repeatability"], 4)),
                    ("Its systematic part", number(body["ph_expanded_uncertainty_systematic"], 4)),
                ],
                "U also covers errors on one side",
            ),
            figure(
                budget(pen, lines),
                "Components of the uncertainty as bars; the numbers stand in the table below.",
                "Components; hatched is what differs between repeated determinations.",
            ),
            table(
                "Components of the budget",
                ("Component", "Part", "Basis", "Standard uncertainty, pH", "Error on one side, pH"),
                rows,
                id_="budget",
            ),
        ]
    )


def _points(body: Mapping[str, Json]) -> Html:
    rows = [
        (
            p["buffer"],
            p["lot"] or NOT_KNOWN,
            p["expires"] or NOT_KNOWN,
            number(p["ph"], 4),
            number(p["temperature_c"], 2),
            number(p["mv"], 3),
            number(p["residual_mv"], 3, sign=True),
            number(p["residual_ph"], 4, sign=True),
            number(p["as_found_ph"], 3),
            number(p["response_time_s"], 1),
        )
        for p in body["points"]
    ]
    headers = (
        "Buffer", "Lot", "Expires", "pH", "°C", "mV", "Residual, mV", "Residual, pH", "As found, pH",
        "Response, s"
    )  # fmt: skip
    return table("Points", headers, rows, id_="points")


def _episodes(report: DeterminationReport, times: Times) -> Html:
    def said_of(episode: str) -> Html:
        said = (
            joined([times(v["at"]), f" {v['operator'] or 'someone'} {judged(v)}"])
            for v in report.operator_verdicts
            if v["episode"] == episode
        )
        return joined([tag("p", each) for each in said]) or NOT_KNOWN

    rows = [
        (
            e["episode"],
            f"{e['diagnosis']}, {e['place']}",
            times(e["began"]),
            times(e["closed_at"]) if e["closed_at"] else "open",
            e["text"],
            said_of(e["episode"]),
        )
        for e in report.episodes
    ]
    if not rows:
        return Html("")
    headers = ("Episode", "Diagnosis, place", "Began", "Closed", "In words", "What people said of it")
    return joined(
        [tag("h3", "Episodes"), table("Open at the verdict, as last recorded", headers, rows, id_="episodes")]
    )


def _doubts(doubts: Iterable[Mapping[str, Json]], times: Times) -> Html:
    rows = [(d["id"], d["cause"], times(d["at"]), d["text"]) for d in doubts]
    if not rows:
        return joined([tag("h3", "Doubts"), tag("p", "No doubt is recorded.")])
    return joined(
        [
            tag("h3", "Doubts"),
            table("Recorded doubts", ("Doubt", "Cause", "Recorded", "Why"), rows, id_="doubts"),
        ]
    )


def _digest(report: DeterminationReport) -> Html:
    told = (
        "The stored readings of the window give the digest readings_sha256 of the record (checked for this "
        "report)."
        if report.readings_match
        else "Whether the stored readings give the digest readings_sha256 takes the engine to tell, which "
        "quietcell verify --recompute runs."
    )
    return tag("p", told)
