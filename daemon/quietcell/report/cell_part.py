"""The part of a report on one cell."""

from collections.abc import Iterable, Mapping
from datetime import tzinfo
from functools import cache

from quietcell.core.records import Json
from quietcell.report.coverage import VALID
from quietcell.report.figures import calibration_history, calibration_line
from quietcell.report.frame import digest, figure
from quietcell.report.html import NOT_KNOWN, Html, Times, joined, number, table, tag, words
from quietcell.report.indications import Indications
from quietcell.report.material import Span
from quietcell.report.overview import overview
from quietcell.report.pen import Pen
from quietcell.report.summary import CellReport, ReasonCount, Spread
from quietcell.report.wording import PLACES, QUANTITIES, cause, reason

MOST_ROWS = 60
"""Longer lists are cut on the page, which says so; the JSON has them whole."""
MOST_DETERMINATIONS = 150
"""So many are listed one by one: a day of a cell."""
MOST_LINES = 1
"""So many of the last calibrations are drawn with their points; --calibration draws any."""


class CellPart:
    """Writes the part of one cell."""

    def __init__(self, cell: CellReport, found: Indications | None, span: Span, pen: Pen) -> None:
        self.cell, self.found, self.span, self.pen = cell, found, span, pen
        self.times = Times(pen.zone)
        self.id = f"cell-{cell.cell}"

    def html(self) -> Html:
        """Return it."""
        return tag(
            "section",
            tag("h2", self.cell.cell, id=self.id),
            self._what(),
            self._overview(),
            self._time(),
            self._results(),
            self._uncertainty(),
            self._refused(),
            self._episodes(),
            self._excursions(),
            self._doubts(),
            self._calibrations(),
            self._checks(),
            self._days(),
            self._determinations(),
            self._notes(),
            self._settings(),
        )

    def _table(
        self, name: str, caption: str, headers: tuple[str, ...], rows: list[tuple[object, ...]]
    ) -> Html:
        return table(caption, headers, rows, id_=f"{self.id}-{name}")

    def _what(self) -> Html:
        cell = self.cell
        how = {
            "continuous": f"continuously, every {cell.every_s:g} s" if cell.every_s else "continuously",
            "on-request": "on request",
            None: "–",
        }
        return tag(
            "p",
            f"Sample point: {cell.sample_point or 'not stated'}. Electrode: {cell.electrode or 'not named'}. "
            f"Meter: {cell.meter or 'not named'}. Measured {how.get(cell.mode, cell.mode)}.",
            class_="soft",
        )

    def _overview(self) -> Html:
        cell = self.cell
        ph = next((s for s in cell.spreads if s.quantity == "ph_25c"), None)
        told = f"median {ph.median:.3f}, from {ph.lowest:.3f} to {ph.highest:.3f}" if ph else "no result"
        alt = (
            f"Four charts over time for {cell.cell}: pH at 25 °C ({told}), conductivity, temperature, and "
            "the number "
            f"of determinations by outcome ({_counts(cell)}). {len(cell.episodes)} episodes are hatched."
        )
        grey = (
            "The grey band is what the stored readings show, through the calibration in force. "
            if self.found
            else ""
        )
        return figure(
            overview(self.pen, cell, self.found, self.span),
            alt,
            f"{cell.cell}: pH at 25 °C, raw conductivity, temperature and outcomes. {grey}"
            "Hatched stretches are episodes, numbered as in their table.",
        )

    def _time(self) -> Html:
        cell = self.cell
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
                self._table("time", "What the time went to", ("Cause", "Share, %", "Hours"), list(rows)),
            ]
        )

    def _spreads(self, name: str, caption: str, spreads: Iterable[Spread]) -> Html:
        headers = ("Quantity", "Number", "Lowest", "5th percentile", "Median", "95th percentile", "Highest")
        rows: list[tuple[object, ...]] = [
            (
                QUANTITIES[s.quantity],
                number(s.number),
                *(
                    number(value, PLACES[s.quantity])
                    for value in (s.lowest, s.p5, s.median, s.p95, s.highest)
                ),
            )
            for s in spreads
        ]
        return self._table(name, caption, headers, rows)

    def _results(self) -> Html:
        cell = self.cell
        if not cell.spreads:
            return tag("p", "No determination of the span gave a result.")
        models = ", ".join(f"{model} ({count})" for model, count in cell.ph_25c_models.items())
        return joined(
            [
                tag("h3", "Results"),
                self._spreads("results", "Accepted and qualified determinations", cell.spreads),
                tag(
                    "p",
                    f"pH at 25 °C rests on what is taken to be dissolved: {models or '–'}; other plausible "
                    "water "
                    "would differ by at most ",
                    number(cell.largest_ph_25c_spread, 4),
                    ".",
                    class_="soft",
                ),
                self._reasons("qualifiers", "Caveats that travel with results", "Caveat", cell.qualifiers),
            ]
        )

    def _uncertainty(self) -> Html:
        cell = self.cell
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
                self._spreads("uncertainty", "Uncertainty of the results, its parts apart", cell.uncertainty),
                tag(
                    "p",
                    "The repeatability part differs from one determination to the next and shrinks over "
                    "many; the "
                    "systematic part is common to all of them and does not. The expanded uncertainty also "
                    "covers "
                    "errors that lie on one side and are not corrected.",
                    class_="soft",
                ),
                self._table("budget", "Components of the budgets", headers, rows),
            ]
        )

    def _reasons(self, name: str, caption: str, header: str, counts: Iterable[ReasonCount]) -> Html:
        rows: list[tuple[object, ...]] = [
            (reason(r.reason), number(r.number), self.times(r.first_at), self.times(r.last_at))
            for r in counts
        ]
        return self._table(name, caption, (header, "Number", "First", "Last"), rows) if rows else Html("")

    def _refused(self) -> Html:
        cell = self.cell
        rows = [row for row in cell.rows if row["verdict"] not in VALID]
        if not rows:
            return joined([tag("h3", "Refused"), tag("p", "No determination was refused.")])
        listed: list[tuple[object, ...]] = [
            (
                row["id"],
                self.times(row["ended"]),
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
                self._reasons(
                    "reasons", "Reasons, one determination may have several", "Reason", cell.reasons
                ),
                self._table("refused", "Refused determinations", headers, listed),
                _cut(len(rows)),
            ]
        )

    def _episodes(self) -> Html:
        if not self.cell.episodes:
            return joined([tag("h3", "Episodes"), tag("p", "No episode was open.")])
        rows: list[tuple[object, ...]] = []
        for index, e in enumerate(self.cell.episodes, start=1):
            amount: object = NOT_KNOWN
            if e.co2_ug_per_l is not None:
                amount = joined(
                    [number(e.co2_ug_per_l, 1), " ± ", number(e.co2_expanded_uncertainty_ug_per_l, 1)]
                )
            rows.append(
                (
                    joined([number(index), " (", e.id, ")"]),
                    f"{e.diagnosis}, {e.place}{', confirmed' if e.confirmed else ''}",
                    self.times(e.began),
                    self.times(e.closed_at) if e.closed_at else "open",
                    amount,
                    joined([number(e.ph_before, 3), " to ", number(e.ph_now, 3)]),
                    joined(
                        [number(e.conductivity_before_us_cm, 4), " to ", number(e.conductivity_now_us_cm, 4)]
                    ),
                )
            )
        headers = (
            "Number (id)", "Diagnosis, place", "Began", "Closed", "Most CO₂, µg/L (U, k = 2)", "pH",
            "Conductivity, µS/cm"
        )  # fmt: skip
        texts = [
            tag("li", tag("strong", f"{i}: "), e.text)
            for i, e in enumerate(self.cell.episodes[:MOST_ROWS], 1)
        ]
        return joined(
            [
                tag("h3", "Episodes"),
                self._table("episodes", "Suspected causes, each as last recorded in the span", headers, rows),
                tag("ul", *texts),
            ]
        )

    def _excursions(self) -> Html:
        cell, title = self.cell, tag("h3", "Excursions past limits, from the readings")
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
        limits = ", ".join(
            f"{name} = {'table' if v is None else f'{v:g}'}" for name, v in cell.limits.items()
        )
        rows: list[tuple[object, ...]] = [
            (
                joined([x.limit, " ", "table" if x.limit_value is None else number(x.limit_value)]),
                self.times(x.from_at),
                self.times(x.to_at),
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
            self._table("excursions", "Excursions, the longest first", headers, rows)
            if rows
            else tag("p", "No reading that counts lay past a limit.")
        )
        return joined([title, tag("p", f"Limits: {limits}."), told, _cut(len(cell.excursions)), seen])

    def _doubts(self) -> Html:
        if not self.cell.doubts:
            return joined([tag("h3", "Doubts"), tag("p", "No doubt is recorded on results of the span.")])
        own = {row["id"] for row in self.cell.rows}
        rows: list[tuple[object, ...]] = [
            (
                d["id"],
                d["cause"],
                self.times(d["since"]),
                self.times(d["until"]),
                number(len(d["determinations"])),
                number(sum(each in own for each in d["determinations"])),
                d["text"],
            )
            for d in self.cell.doubts
        ]
        headers = ("Doubt", "Cause", "Since", "Until", "Results", "Of them in the span", "Why")
        return joined(
            [tag("h3", "Doubts"), self._table("doubts", "Results in doubt by later records", headers, rows)]
        )

    def _calibrations(self) -> Html:
        cell, title = self.cell, tag("h3", "Calibrations")
        if not cell.calibrations:
            fixed = "The ledger has no calibration of this cell until then; see its settings below."
            return joined([title, tag("p", fixed)])
        drawn = [
            figure(
                calibration_history(self.pen, cell.calibrations),
                f"Slope and zero of {len(cell.calibrations)} calibrations of {cell.cell} over time; the last "
                "has slope "
                f"{cell.calibrations[-1]['slope_pct']:.2f} % and zero {cell.calibrations[-1]['zero_mv']:.2f} "
                "mV.",
                "Slope and zero over time with expanded uncertainties (k = 2).",
            )
        ]
        drawn += [calibration_figure(self.pen, c) for c in cell.calibrations[-MOST_LINES:]]
        return joined(
            [title, calibration_table(cell.calibrations, self.times, f"{self.id}-calibrations"), *drawn]
        )

    def _checks(self) -> Html:
        if not self.cell.checks:
            return Html("")
        rows: list[tuple[object, ...]] = [
            (
                c["id"],
                self.times(c["at"]),
                c["method"],
                c["verdict"],
                joined([number(c["found"], 3), " / ", number(c["known"], 3), f" {_unit(c['unit'])}"]),
                joined([number(c["deviation"], 3, sign=True), " / ", number(c["tolerance"], 3)]),
                c["known_from"],
                c["operator"] or NOT_KNOWN,
            )
            for c in self.cell.checks
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
        return joined([tag("h3", "Checks"), self._table("checks", "Checks of the span", headers, rows)])

    def _days(self) -> Html:
        if len(self.cell.days) < 2:
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
                number(d.largest_uncertainty_ph, 3),
                number(d.conductivity_median_us_cm, 4),
                number(d.temperature_median_c, 2),
            )
            for d in self.cell.days
        ]
        headers = (
            "Day", "Accepted", "Qualified", "Refused", "Valid, % of time", "pH at 25 °C lowest", "median",
            "highest",
            "Largest U (k = 2)", "Median µS/cm", "Median °C",
        )  # fmt: skip
        return joined([tag("h3", "Day by day"), self._table("days", "Results of each day", headers, rows)])

    def _determinations(self) -> Html:
        rows = self.cell.rows
        if not rows or len(rows) > MOST_DETERMINATIONS:
            return Html("")
        return joined([tag("h3", "Determinations"), determinations(rows, self.times, self.id)])

    def _notes(self) -> Html:
        cell = self.cell
        told = ", ".join(f"{count} {kind}" for kind, count in cell.faults.items() if count)
        parts = [tag("h3", "Notes, gaps and faults")]
        if cell.notes:
            rows: list[tuple[object, ...]] = [
                (self.times(n["at"]), n.get("operator") or NOT_KNOWN, n["text"])
                for n in cell.notes[:MOST_ROWS]
            ]
            parts += [self._table("notes", "Notes", ("At", "Operator", "Text"), rows), _cut(len(cell.notes))]
        parts.append(
            tag(
                "p",
                f"Recorded in the span: {told or 'no gap, no fault'}; ",
                number(cell.silent_s, 1),
                " s in gaps.",
            )
        )
        return joined(parts)

    def _settings(self) -> Html:
        cell = self.cell
        rows: list[tuple[object, ...]] = [
            (
                joined(["record ", number(c.seq)]),
                self.times(c.at),
                f"{c.mode}, every {c.every_s:g} s",
                c.criterion,
                joined([number(c.slope_pct), " %, ", number(c.zero_mv), " mV"]),
                c.calibration_id or "fixed in the configuration",
                digest(c.sha256),
            )
            for c in cell.configurations[-MOST_ROWS:]
        ]
        headers = (
            "Settings",
            "From",
            "Mode",
            "Criterion",
            "Slope and zero",
            "Calibration",
            "SHA-256 of the record",
        )
        criteria: list[tuple[object, ...]] = [(name, digest(value)) for name, value in cell.criteria.items()]
        d = cell.digests
        covered = (
            tag("p", number(d.records), " digests (records ", number(d.first_seq), " to ",
            number(d.last_seq), ") cover ",
                number(d.readings), " readings.")
            if d.records
            else tag("p", "No digest of readings was recorded in the span.")
        )  # fmt: skip
        return joined(
            [
                tag("h3", "Settings and digests in force"),
                self._table("settings", "Settings of the cell", headers, rows),
                _cut(len(cell.configurations)),
                self._table("criteria", "Criteria of the determinations", ("Criterion", "SHA-256"), criteria)
                if criteria
                else "",
                covered,
            ]
        )


def cell_part(report: CellReport, found: Indications | None, span: Span, *, zone: tzinfo) -> str:
    """Return what a page says of a cell.

    Parameters
    ----------
    report : CellReport
        Its numbers.
    found : Indications or None
        What its readings show.
    span : Span
        Of the report.
    zone : tzinfo
        Of the times.
    """
    return CellPart(report, found, span, _pen(zone)).html()


@cache
def _pen(zone: tzinfo) -> Pen:
    """Return one pen for all cells a process draws."""
    return Pen(zone)


def determinations(rows: Iterable[Mapping[str, Json]], times: Times, id_: str) -> Html:
    """Return a list of determinations, one a line."""
    listed: list[tuple[object, ...]] = [
        (
            row["id"],
            times(row["ended"]),
            row["verdict"],
            words([*row["reasons"], *row["qualifiers"]]),
            number(row["ph_25c"], 3),
            number(row["ph_expanded_uncertainty"], 3),
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
        "U (k = 2)",
        "°C",
        "µS/cm",
        "Sample",
    )
    return table("Every determination of the span", headers, listed, id_=f"{id_}-determinations")


def calibration_table(calibrations: Iterable[Mapping[str, Json]], times: Times, id_: str) -> Html:
    """Return a list of calibrations, one a line."""
    rows: list[tuple[object, ...]] = [
        (
            c["id"],
            times(c["at"]),
            c["verdict"],
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


def _unit(stated: str) -> str:
    return "°C" if stated == "Cel" else stated


def _counts(cell: CellReport) -> str:
    return ", ".join(f"{count} {verdict}" for verdict, count in cell.verdicts.items()) or "none"


def _cut(whole: int) -> Html:
    if whole <= MOST_ROWS:
        return Html("")
    return tag("p", f"{MOST_ROWS} of {whole} are listed; --json lists all.", class_="soft")
