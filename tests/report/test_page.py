"""Every number on the page is the ledger's, computed here from the stored text alone."""

import hashlib
import json
import re
import sqlite3
from contextlib import closing
from pathlib import Path
from statistics import median

import numpy as np
import pytest

from quietcell.core.electrode.nernst import Line
from quietcell.core.records import Json
from quietcell.core.times import rfc3339, utc_ms
from quietcell.core.water.reference25 import ph_25c
from quietcell.ledger.journal import FILE_NAME
from tests.support.command import ran
from tests.support.long_ledger import LIMITS
from tests.support.long_water import BEGINS_UTC_MS, HOUR_MS
from tests.support.page_tables import Page
from tests.support.reporting import CELLS, DAYS, VALID, bodies, results, table

U_C = 0.2
"""Expanded uncertainty of the temperature, as the configuration has it."""
END_MS = BEGINS_UTC_MS + round(DAYS * 24 * HOUR_MS)


def u_25c(body: dict[str, Json]) -> float:
    """Expanded uncertainty of the pH at 25 °C: the ends of pH and temperature, referred one by one."""
    ph, at_c, u = body["ph"], body["temperature_c"], body["ph_expanded_uncertainty"]
    steps = ((u, 0.0), (-u, 0.0), (0.0, U_C), (0.0, -U_C))
    ends = [float(ph_25c(ph + dp, at_c + dt, body["ph_25c_model"]).value) for dp, dt in steps]
    value = float(ph_25c(ph, at_c, body["ph_25c_model"]).value)
    by_ph, by_c = (max(abs(end - value) for end in pair) for pair in (ends[:2], ends[2:]))
    return round(float(np.sqrt(by_ph**2 + by_c**2 + 4.0 * body["ph_25c_spread"] ** 2 / 3.0)), 4)


@pytest.mark.parametrize("cell", CELLS)
def test_counts_and_spreads_are_those_of_the_records(page: Page, folder: Path, cell: str) -> None:
    own, every = results(folder, cell), bodies(folder, "determination", cell)
    line = page.tables["summary-table"].row(cell)
    for verdict in ("accepted", "qualified", "refused"):
        assert line[verdict.capitalize()].value == sum(b["verdict"] == verdict for b in every)
    doubted = {i for doubt in bodies(folder, "doubt", cell) for i in doubt["determinations"]}
    assert line["In doubt"].value == len(doubted) > 0
    assert line["Median pH at 25 °C"].value == median(b["ph_25c"] for b in own)
    spreads = table(page, cell, "results").rows + table(page, cell, "uncertainty").rows
    names = (
        "ph_25c", "ph", "temperature_c", "conductivity_us_cm", "flow_ml_min", "sample_age_s",
        "smallest_co2_ug_per_l", "u_25c", "ph_expanded_uncertainty", "ph_expanded_uncertainty_repeatability",
        "ph_expanded_uncertainty_systematic",
    )  # fmt: skip
    assert len(spreads) == len(names)
    for (_, *cells), name in zip(spreads, names, strict=True):
        values = [u_25c(b) if name == "u_25c" else b[name] for b in own]
        wanted = [
            len(values),
            min(values),
            np.quantile(values, 0.05),
            median(values),
            np.quantile(values, 0.95),
        ]
        assert [cell.value for cell in cells] == pytest.approx([*wanted, max(values)], abs=1e-12)


@pytest.mark.parametrize("cell", CELLS)
def test_reasons_budgets_and_lists_are_those_of_the_records(page: Page, folder: Path, cell: str) -> None:
    own, every = results(folder, cell), bodies(folder, "determination", cell)
    refused = [b for b in every if b["verdict"] not in VALID]
    for row in table(page, cell, "reasons").rows:
        reason = row[0].text.split(":")[0]
        at = [b["ended"] for b in refused if reason in b["reasons"]]
        assert [c.value for c in row[1:]] == [len(at), min(at), max(at)]
    assert {r[0].text.split(":")[0] for r in table(page, cell, "reasons").rows} == {
        reason for b in refused for reason in b["reasons"]
    }
    assert [c.text for c in table(page, cell, "refused").column("Determination")] == [
        b["id"] for b in refused
    ]
    assert [c.value for c in table(page, cell, "refused").column("Ended")] == [b["ended"] for b in refused]
    for row in table(page, cell, "budget").rows:
        lines = [line for b in own for line in b["ph_budget"] if line["name"] == row[0].text]
        sizes = [line["standard_uncertainty_ph"] for line in lines]
        biases = [line["bias_ph"] for line in lines]
        assert [c.value for c in row[3:]] == [median(sizes), max(sizes), median(biases)]
        assert row[1].text == ("repeatability" if lines[0]["repeatability"] else "systematic")


@pytest.mark.parametrize("cell", CELLS)
def test_days_are_those_of_the_records(page: Page, folder: Path, cell: str) -> None:
    own = bodies(folder, "determination", cell)
    days = table(page, cell, "days")
    assert [row[0].text for row in days.rows] == sorted({b["ended"][:10] for b in own})
    for row in days.rows:
        of_day = [b for b in own if b["ended"][:10] == row[0].text]
        valid = [b for b in of_day if b["verdict"] in VALID]
        ph = [b["ph_25c"] for b in valid]
        wanted = [
            sum(b["verdict"] == "accepted" for b in of_day),
            sum(b["verdict"] == "qualified" for b in of_day),
            len(of_day) - len(valid),
        ]
        assert [c.value for c in row[1:4]] == wanted
        rest = [min(ph), median(ph), max(ph), max(map(u_25c, valid))]
        rest += [median(b[name] for b in valid) for name in ("conductivity_us_cm", "temperature_c")]
        assert [c.value for c in row[5:]] == rest


@pytest.mark.parametrize("cell", CELLS)
def test_shares_of_time_are_those_of_a_timeline_painted_by_hand(page: Page, folder: Path, cell: str) -> None:
    second = np.arange(BEGINS_UTC_MS + 500, END_MS, 1000)
    cause = np.full(len(second), "not measured", dtype=object)

    def paint(began: str | int, ended: str | int, word: str) -> None:
        first, last = (utc_ms(t) if isinstance(t, str) else t for t in (began, ended))
        cause[(second >= first) & (second < last)] = word

    segments = bodies(folder, "segment", cell)
    opened = [b["at"] for b in segments if b["state"] == "began"]
    closed = [b["at"] for b in segments if b["state"] == "ended"]
    running = list(zip(opened, closed, strict=True))
    for began, ended in running:
        paint(began, ended, "measured, but no")
    doubted = {i for doubt in bodies(folder, "doubt", cell) for i in doubt["determinations"]}
    own = bodies(folder, "determination", cell)
    for body, following in zip(own, [*own[1:], None], strict=True):
        until = max(utc_ms(body["ended"]), utc_ms(body["began"]) + 600_000)
        until = until if following is None else min(until, utc_ms(following["began"]))
        valid = "a result that is in doubt" if body["id"] in doubted else f"valid result, {body['verdict']}"
        why = next((each for each in body["reasons"] if each != "max-wait"), "max-wait")
        paint(body["began"], until, valid if body["verdict"] in VALID else f"refused: {why} ")
    for gap in bodies(folder, "gap", cell):
        paint(gap["began"], gap["ended"], "no readings")
    work = bodies(folder, "attendance", cell)
    for began, ended in zip(work[::2], work[1::2], strict=True):
        paint(began["at"], ended["at"], "someone worked")
    outside = np.ones(len(second), bool)
    for began, ended in running:
        outside &= (second < utc_ms(began)) | (second >= utc_ms(ended))
    cause[outside] = "not measured"
    shares = table(page, cell, "time")
    words = {str(word) for word in cause}
    assert len(shares.rows) == len(words)
    for word in words:
        share = shares.row(word)["Share, %"].value
        assert share == pytest.approx(100 * np.mean(cause == word), abs=0.05)
    valid_share = 100 * np.mean([str(each).startswith("valid") for each in cause])
    summary = page.tables["summary-table"].row(cell)["Time with a valid result, %"].value
    assert summary == pytest.approx(valid_share, abs=0.05)


@pytest.mark.parametrize("cell", CELLS)
def test_excursions_are_those_of_the_stored_readings(page: Page, folder: Path, cell: str) -> None:
    at_ms, at_25c, conductivity = stored_water(folder, cell)
    wanted = []
    for limit, past, values in (
        ("ph_low", at_25c < LIMITS["ph_low"], at_25c),
        ("ph_high", at_25c > LIMITS["ph_high"], -at_25c),
        ("conductivity_high_us_cm", conductivity > LIMITS["conductivity_high_us_cm"], -conductivity),
    ):
        rows = np.flatnonzero(past)
        for part in np.split(rows, np.flatnonzero(np.diff(at_ms[rows]) > 300_000) + 1):
            if len(part):
                furthest = abs(float(values[part].min()))
                wanted.append(
                    (limit, rfc3339(int(at_ms[part[0]])), rfc3339(int(at_ms[part[-1]])), furthest, len(part))
                )
    found = [
        (row[0].text.split()[0], row[1].value, row[2].value, row[4].values[0], row[5].value)
        for row in table(page, cell, "excursions").rows
    ]
    assert sorted(each[:3] for each in found) == sorted(each[:3] for each in wanted)
    for one, other in zip(sorted(found), sorted(wanted), strict=True):
        assert one[3] == pytest.approx(other[3], abs=1e-5)
        assert one[4] == other[4]
    assert {each[0] for each in wanted} >= {"ph_low"}


def stored_water(folder: Path, cell: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Stored readings of the water: time, pH at 25 °C through the line in force, conductivity."""
    anchors = {
        b["segment"]: utc_ms(b["at"]) for b in bodies(folder, "segment", cell) if b["state"] == "began"
    }
    lines, last = {}, None
    for body in sorted(
        bodies(folder, "configuration", cell) + bodies(folder, "segment", cell), key=lambda b: b["seq"]
    ):
        if body["record"] == "configuration":
            last = Line(**body["settings"]["line"])
        elif body["state"] == "began":
            lines[body["segment"]] = last
    work = bodies(folder, "attendance", cell)
    (file,) = folder.glob("readings-*.sqlite")
    with closing(sqlite3.connect(f"file:{file}?mode=ro", uri=True)) as database:
        rows = database.execute(
            "SELECT segment, ms, mv, temperature_c, conductivity_us_cm FROM reading "
            "WHERE cell = (SELECT number FROM cell WHERE name = ?) ORDER BY segment, ms",
            (cell,),
        ).fetchall()
    times, ph, temperatures, conductivities = [], [], [], []
    for segment, ms, mv, temperature_c, conductivity in rows:
        at = rfc3339(anchors[segment] + ms)
        if any(began["at"] <= at < ended["at"] for began, ended in zip(work[::2], work[1::2], strict=True)):
            continue
        line = lines[segment]
        assert line is not None
        times.append(anchors[segment] + ms)
        ph.append(line.ph(mv, temperature_c))
        temperatures.append(temperature_c)
        conductivities.append(conductivity)
    at_25c = np.asarray(ph_25c(np.array(ph), np.array(temperatures)).value)
    return np.array(times), at_25c, np.array(conductivities)


def test_the_limit_of_an_excursion_stands_beside_its_name(page: Page) -> None:
    for row in table(page, "header-tank", "excursions").rows:
        name, value = row[0].text.split()
        assert float(value) == row[0].values[0] == LIMITS[name]


@pytest.mark.parametrize("cell", CELLS)
def test_calibrations_checks_doubts_episodes_and_settings_are_those_of_the_records(
    page: Page, folder: Path, cell: str
) -> None:
    calibrations = table(page, cell, "calibrations")
    for row, body in zip(calibrations.rows, bodies(folder, "calibration", cell), strict=True):
        assert row[0].text == body["id"]
        assert row[1].value == body["at"]
        assert row[3].values == [body["slope_pct"], body["slope_expanded_uncertainty_pct"]]
        assert row[4].values == [body["zero_mv"], body["zero_expanded_uncertainty_mv"]]
        assert row[5].values == [p["residual_ph"] for p in body["points"]]
        assert row[6].value == body["as_found"]["worst_deviation_ph"]
    checks = table(page, cell, "checks")
    for row, body in zip(checks.rows, bodies(folder, "check", cell), strict=True):
        assert [row[0].text, row[3].text] == [body["id"], body["verdict"]]
        assert row[4].values == [body["found"], body["known"]]
        assert row[5].values == [body["deviation"], body["tolerance"]]
    doubts = table(page, cell, "doubts")
    for row, body in zip(doubts.rows, bodies(folder, "doubt", cell), strict=True):
        assert [c.value for c in row[2:6]] == [
            body["since"],
            body["until"],
            *[len(body["determinations"])] * 2,
        ]
    last = {b["episode"]: b for b in bodies(folder, "episode", cell)}
    told = {b["episode"]: b["evidence"] for b in bodies(folder, "episode", cell) if b["state"] != "closed"}
    episodes = table(page, cell, "episodes")
    assert [row[2].value for row in episodes.rows] == sorted(b["began"] for b in last.values())
    for row, body in zip(episodes.rows, sorted(last.values(), key=lambda b: b["began"]), strict=True):
        assert row[3].value == body["closed_at"]
        # What was told while it was there, not what was left when it closed.
        worst = told[body["episode"]]
        amount = worst["co2_ug_per_l"]
        assert row[4].values == [amount["value"], amount["expanded_uncertainty"]]
        assert row[5].values == [worst["ph_before"], worst["ph_now"]]
        assert row[6].values == [worst["conductivity_before_us_cm"], worst["conductivity_now_us_cm"]]
    for row, body in zip(
        table(page, cell, "settings").rows, bodies(folder, "configuration", cell), strict=True
    ):
        line = body["settings"]["line"]
        assert row[0].values == [body["seq"]]
        assert row[5].values == [line["slope_pct"], line["zero_mv"]]


def test_a_qualified_result_names_the_episode_that_qualifies_it(folder: Path, tmp_path: Path) -> None:
    qualified = [body for body in bodies(folder, "determination") if body["verdict"] == "qualified"]
    cell, about_ms, out = qualified[0]["cell"], utc_ms(qualified[0]["began"]), tmp_path / "part.html"
    span = ("--from", rfc3339(about_ms - 3_600_000), "--to", rfc3339(about_ms + 3_600_000))
    ran("report", "--ledger", folder, "--cell", cell, *span, "--out", out, "--no-readings")
    row = table(Page(out), cell, "determinations").row(qualified[0]["id"])
    assert f"episode {qualified[0]['episodes'][0]}" in row["Reasons and caveats"].text


def test_where_it_comes_from_is_told(page: Page, folder: Path) -> None:
    with closing(sqlite3.connect(folder / FILE_NAME)) as database:
        (ledger,) = database.execute("SELECT ledger FROM identity").fetchone()
        seq, head = database.execute("SELECT max(seq), record FROM journal").fetchone()
    facts = next(iter(page.tables.values()))
    told = {row[0].text: row[1] for row in facts.rows}
    assert told["Ledger"].text == ledger
    assert told["Head of the ledger when read"].values == [seq]
    assert hashlib.sha256(head.encode()).hexdigest() in told["Head of the ledger when read"].text
    assert "follow on each other" in told["Chain"].text
    counted = sum(value for value in told["Records counted"].values if isinstance(value, float))
    assert counted == sum(
        len(bodies(folder, kind))
        for kind in (
            "determination", "gap", "note", "check", "readings-digest", "segment", "configuration",
            "calibration",
            "episode", "attendance",
        )
    )  # fmt: skip
    assert "claims no compliance" in page.text
    assert "Reviewed by (name)" in page.text


@pytest.mark.usefixtures("page")
def test_it_says_how_to_come_from_a_number_to_its_evidence(folder: Path) -> None:
    told = (folder.parent / "report.html").read_text()
    assert "quietcell report --ledger FOLDER --determination ID" in told


def test_the_json_has_the_same_numbers(page: Page, folder: Path) -> None:
    told = json.loads(ran("report", "--ledger", folder, "--from", "2026-06-01", "--json").out)
    for plain in told["cells"]:
        cell = plain["cell"]
        line = page.tables["summary-table"].row(cell)
        assert line["Time with a valid result, %"].value == plain["valid_pct"]
        assert line["Accepted"].value == plain["verdicts"]["accepted"]
        assert [row[1].value for row in table(page, cell, "time").rows] == [
            s["share_pct"] for s in plain["shares"]
        ]
        stored = bodies(folder, "determination", cell)
        assert [(r["id"], r["ph_25c"], r["verdict"]) for r in plain["rows"]] == [
            (b["id"], b["ph_25c"], b["verdict"]) for b in stored
        ]
    assert told["ledger"]["links"]["sound"] is True


def test_nothing_people_wrote_becomes_markup_and_nothing_comes_from_elsewhere(
    page: Page, folder: Path
) -> None:
    names = {name for name, _ in page.tags}
    assert "script" not in names
    assert "b" not in names
    assert not any(key.startswith("on") for _, given in page.tags for key in given)
    html = (folder.parent / "report.html").read_text(encoding="utf-8")
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in html.replace("<wbr>", "")
    assert "\u202e" not in html
    sources = [given.get("src") or given.get("href") or "" for _, given in page.tags]
    assert not any(re.match(r"(?:https?:)?//", source) for source in sources)
    policy = [g.get("content") for n, g in page.tags if n == "meta" and "http-equiv" in g]
    assert policy == ["default-src 'none'; img-src data:; style-src 'unsafe-inline'"]


def test_figures_have_a_text_and_tables_have_headers_and_captions(page: Page) -> None:
    images = [given for name, given in page.tags if name == "img"]
    assert len(images) == 3 * len(CELLS)
    assert all(len(given["alt"] or "") > 40 for given in images)
    assert sum(name == "caption" for name, _ in page.tags) == len(page.tables)
    assert all(found.headers for name, found in page.tables.items() if name.startswith("cell-"))
