"""`quietcell report`: every number on the page is the ledger's, computed here from the stored text alone."""

import json
import re
import sqlite3
import sys
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result

from quietcell.cli import main, quietcell
from quietcell.core.electrode.nernst import Line
from quietcell.core.times import rfc3339, utc_ms
from quietcell.core.water.reference25 import ph_25c
from quietcell.errors import QuietcellError, UsageError
from quietcell.ledger.journal import FILE_NAME
from tests.support.long_ledger import LIMITS, long_ledger
from tests.support.long_water import BEGINS_UTC_MS, HOUR_MS
from tests.support.page_tables import Page, Table
from tests.support.recorded import recorded

HOSTILE = "</td><script>alert(1)</script>\" onload='x' \u202e& <b>bold</b>"
DAYS = 1.25
END_MS = BEGINS_UTC_MS + round(DAYS * 24 * HOUR_MS)
CELLS = ("header-tank", "larval-hall")
VALID = ("accepted", "qualified")


def run(*options: object) -> Result:
    return CliRunner().invoke(quietcell, ["report", *map(str, options)], standalone_mode=False)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("report") / "ledger"
    long_ledger(place, cells=CELLS, days=DAYS, reading_s=20.0, text=HOSTILE)
    return place


@pytest.fixture(scope="module")
def page(folder: Path) -> Page:
    out = folder.parent / "report.html"
    done = run("--ledger", folder, "--from", "2026-06-01", "--out", out)
    assert done.return_value == 0, done.exception
    return Page(out)


@pytest.fixture(scope="module")
def told(folder: Path) -> dict[str, Any]:
    done = run("--ledger", folder, "--from", "2026-06-01", "--json")
    assert done.return_value == 0, done.exception
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def bodies(folder: Path, kind: str, cell: str | None = None) -> list[dict[str, Any]]:
    """Stored bodies with their numbers, read with sqlite3 and json alone."""
    rows = sqlite3.connect(f"file:{folder / FILE_NAME}?mode=ro", uri=True).execute(
        "SELECT seq, record FROM journal ORDER BY seq"
    )
    found = [{"seq": seq, **json.loads(record)["body"]} for seq, record in rows]
    return [b for b in found if b["record"] == kind and cell in {None, b["cell"]}]


def results(folder: Path, cell: str) -> list[dict[str, Any]]:
    return [b for b in bodies(folder, "determination", cell) if b["verdict"] in VALID]


def table(page: Page, cell: str, name: str) -> Table:
    return page.tables[f"cell-{cell}-{name}"]


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
        "smallest_co2_ug_per_l", "ph_expanded_uncertainty", "ph_expanded_uncertainty_repeatability",
        "ph_expanded_uncertainty_systematic",
    )  # fmt: skip
    assert len(spreads) == len(names)
    for (_, *cells), name in zip(spreads, names, strict=True):
        values = [b[name] for b in own]
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
        rest = [min(ph), median(ph), max(ph), max(b["ph_expanded_uncertainty"] for b in valid)]
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
        paint(body["began"], until, valid if body["verdict"] in VALID else f"refused: {body['reasons'][0]} ")
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
    rows = sqlite3.connect(f"file:{file}?mode=ro", uri=True).execute(
        "SELECT segment, ms, mv, temperature_c, conductivity_us_cm FROM reading "
        "WHERE cell = (SELECT number FROM cell WHERE name = ?) ORDER BY segment, ms",
        (cell,),
    )
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
    episodes = table(page, cell, "episodes")
    assert [row[2].value for row in episodes.rows] == sorted(b["began"] for b in last.values())
    for row, body in zip(episodes.rows, sorted(last.values(), key=lambda b: b["began"]), strict=True):
        assert row[3].value == body["closed_at"]
        amount = body["evidence"]["co2_ug_per_l"]
        assert row[4].values == [amount["value"], amount["expanded_uncertainty"]]
    for row, body in zip(
        table(page, cell, "settings").rows, bodies(folder, "configuration", cell), strict=True
    ):
        line = body["settings"]["line"]
        assert row[0].values == [body["seq"]]
        assert row[4].values == [line["slope_pct"], line["zero_mv"]]


def test_where_it_comes_from_is_told(page: Page, folder: Path) -> None:
    with sqlite3.connect(folder / FILE_NAME) as database:
        (ledger,) = database.execute("SELECT ledger FROM identity").fetchone()
        seq, head = database.execute("SELECT max(seq), record FROM journal").fetchone()
    import hashlib  # noqa: PLC0415 # the check a reader would do

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


def test_the_json_has_the_same_numbers(page: Page, told: dict[str, Any], folder: Path) -> None:
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


def test_one_cell_a_part_of_the_time_and_limits_of_ones_own(folder: Path) -> None:
    from_at, to_at = (rfc3339(BEGINS_UTC_MS + hours * HOUR_MS) for hours in (2, 9))
    done = run(
        "--ledger", folder, "--cell", "larval-hall", "--from", from_at, "--to", to_at, "--limit",
        "temperature_high_c=0",
        "--json",
    )  # fmt: skip
    told = json.loads(done.stdout)
    (plain,) = told["cells"]
    stored = bodies(folder, "determination", "larval-hall")
    assert [row["id"] for row in plain["rows"]] == [b["id"] for b in stored if from_at <= b["ended"] < to_at]
    assert plain["limits"] == {"temperature_high_c": 0.0}
    assert {one["limit"] for one in plain["excursions"]} == {"temperature_high_c"}
    assert sum(one["readings"] for one in plain["excursions"]) == plain["readings_counted"]
    assert sum(share["seconds"] for share in plain["shares"]) == pytest.approx(7 * 3600)


def test_a_span_in_which_nothing_was_measured_yet_is_reported_on_as_such(
    folder: Path, tmp_path: Path
) -> None:
    ends = ("--from", "2026-05-01", "--to", "2026-05-02")
    told = json.loads(run("--ledger", folder, *ends, "--json", "--out", tmp_path / "empty.html").stdout)
    for plain in told["cells"]:
        assert plain["determinations"] == plain["readings"] == plain["valid_pct"] == 0
        assert [share["cause"] for share in plain["shares"]] == ["not-running"]
    assert "larval-hall" in (tmp_path / "empty.html").read_text(encoding="utf-8")


def test_a_doubt_recorded_after_the_span_still_counts(folder: Path) -> None:
    (doubt,) = bodies(folder, "doubt", "header-tank")
    until = utc_ms(doubt["until"]) - HOUR_MS
    done = run("--ledger", folder, "--cell", "header-tank", "--to", rfc3339(until), "--days", 0.1, "--json")
    (plain,) = json.loads(done.stdout)["cells"]
    in_span = {row["id"] for row in plain["rows"]}
    assert plain["in_doubt"] == len(in_span & set(doubt["determinations"])) > 0


def test_one_determination_in_full(tmp_path: Path) -> None:
    recorded(tmp_path / "state")
    body = next(b for b in bodies(tmp_path / "state", "determination") if b["verdict"] in VALID)
    out = tmp_path / "one.html"
    done = run(
        "--ledger", tmp_path / "state", "--determination", body["id"], "--out", out, "--json", "--verify"
    )
    assert done.return_value == 0, done.exception
    told, seen = json.loads(done.stdout), Page(out)
    assert told["determination"] == {key: value for key, value in body.items() if key != "seq"}
    assert told["readings_match"] is True
    assert told["ledger"]["verified"]["sound"] is True
    fields = {row[0].text: row[1] for found in seen.tables.values() for row in found.rows if len(row) == 2}
    assert fields["ph"].value == body["ph"]
    assert fields["drift_bound_mv_per_min, mV/min"].value == body["drift_bound_mv_per_min"]
    assert fields["ended"].value == body["ended"]
    assert fields["readings_sha256"].text == body["readings_sha256"]
    lines = [[c.value for c in row] for row in seen.tables["budget"].rows]
    assert [[line[0], line[3], line[4]] for line in lines] == [
        [b["name"], b["standard_uncertainty_ph"], b["bias_ph"]] for b in body["ph_budget"]
    ]


def test_one_calibration_in_full(folder: Path, tmp_path: Path) -> None:
    body = bodies(folder, "calibration", "header-tank")[1]
    out = tmp_path / "one.html"
    done = run("--ledger", folder, "--calibration", body["id"], "--out", out, "--json")
    assert done.return_value == 0, done.exception
    told, seen = json.loads(done.stdout), Page(out)
    assert told["calibration"] == {key: value for key, value in body.items() if key != "seq"}
    assert [doubt["about"] for doubt in told["doubts"]] == [body["id"]]
    resting = [b for b in results(folder, "header-tank") if b["calibration"]["id"] == body["id"]]
    assert told["results"] == len(resting) > 0
    assert told["last_result_at"] == resting[-1]["ended"]
    for row, point in zip(seen.tables["points"].rows, body["points"], strict=True):
        names = ("ph", "temperature_c", "mv", "residual_mv", "residual_ph", "as_found_ph", "response_time_s")
        assert [c.value for c in row[3:]] == [point[name] for name in names]
    history = [row[0].text for row in seen.tables["calibration-history"].rows]
    assert history == [b["id"] for b in bodies(folder, "calibration", "header-tank")[:2]]
    assert "script" not in {name for name, _ in seen.tags}


def test_readings_that_were_given_up_are_told(tmp_path: Path) -> None:
    long_ledger(tmp_path / "ledger", cells=CELLS[:1], days=0.5, reading_s=300.0)
    (tmp_path / "ledger" / "readings-2026-06.sqlite").unlink()
    out = tmp_path / "report.html"
    done = run("--ledger", tmp_path / "ledger", "--out", out, "--json")
    assert done.return_value == 0, done.exception
    (plain,) = json.loads(done.stdout)["cells"]
    assert (plain["readings"], plain["readings_missing"]) == (0, ["2026-06"])
    assert "No readings are stored any more of 2026-06" in Page(out).text
    assert "&lt;p" not in out.read_text(encoding="utf-8")


def test_the_limit_of_an_excursion_stands_beside_its_name(page: Page) -> None:
    for row in table(page, "header-tank", "excursions").rows:
        name, value = row[0].text.split()
        assert float(value) == row[0].values[0] == LIMITS[name]


def test_an_older_ledger_is_reported_on(tmp_path: Path) -> None:
    old = Path(__file__).parents[1] / "data" / "ledgers" / "schema-1"
    done = run("--ledger", old, "--out", tmp_path / "old.html", "--json")
    assert done.return_value == 0, done.exception
    (plain,) = json.loads(done.stdout)["cells"]
    assert plain["determinations"] == len(bodies(old, "determination"))


def test_it_only_reads_and_works_beside_a_writer(folder: Path) -> None:
    with sqlite3.connect(folder / FILE_NAME, isolation_level=None) as writer:
        writer.execute("BEGIN IMMEDIATE")
        before = sorted((p.name, p.stat().st_size) for p in folder.iterdir() if p.suffix == ".sqlite")
        assert run("--ledger", folder, "--days", 0.2, "--json").return_value == 0
        assert sorted((p.name, p.stat().st_size) for p in folder.iterdir() if p.suffix == ".sqlite") == before
        writer.execute("ROLLBACK")


def test_a_changed_record_is_told_and_ends_with_status_1(tmp_path: Path) -> None:
    long_ledger(tmp_path / "ledger", cells=CELLS[:1], days=0.5, reading_s=300.0)
    with sqlite3.connect(tmp_path / "ledger" / FILE_NAME) as database:
        database.execute("UPDATE journal SET record = replace(record, 'began', 'begin') WHERE seq = 40")
        changed = database.execute("SELECT changes()").fetchone()[0]
    assert changed == 1
    out = tmp_path / "report.html"
    done = run("--ledger", tmp_path / "ledger", "--out", out)
    assert done.return_value == 1
    assert "the ledger is damaged: record 41" in done.stderr
    assert "BROKEN: record 41" in Page(out).text
    done = run("--ledger", tmp_path / "ledger", "--verify", "--out", out)
    assert done.return_value == 1
    assert "VERIFICATION FAILED" in Page(out).text


def test_without_its_library_it_says_how_to_get_it(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    with pytest.raises(QuietcellError, match=r'pip install "quietcell\[report\]"') as caught:
        raise run("--ledger", folder, "--out", "x.html").exception or AssertionError("not refused")
    assert not isinstance(caught.value, UsageError)
    assert run("--ledger", folder, "--days", 0.1, "--json").return_value == 0


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ([], "nowhere to write to"),
        (["--json", "--cell", "attic"], "the ledger has header-tank, larval-hall"),
        (["--json", "--from", "yesterday"], "neither a day nor a time with zone"),
        (["--json", "--from", "2026-06-02T00:00:00"], "neither a day nor a time with zone"),
        (["--json", "--from", "2027-01-01", "--to", "2026-01-01"], "the span is empty"),
        (["--json", "--from", "2026-01-01", "--days", "3"], "not both"),
        (["--json", "--from", "0001-01-01"], "before 1970"),
        (["--json", "--to", "9999-12-31T23:59:59Z"], "behind 9998"),
        (["--json", "--time-zone", "Mars/Crater"], "not known here"),
        (["--json", "--time-zone", "../etc/passwd"], "not known here"),
        (["--json", "--limit", "ph=7"], "there is ph_low"),
        (["--json", "--determination", "x", "--cell", "header-tank"], "name one of"),
        (["--json", "--determination", "x", "--calibration", "y"], "name one of"),
        (["--json", "--determination", "no-such"], "the ledger has no determination 'no-such'"),
        (["--json", "--calibration", "daemon.1.1"], "it is a record of kind run"),
    ],
)
def test_wrong_use_is_refused_with_what_to_do(folder: Path, options: list[str], words: str) -> None:
    with pytest.raises(UsageError, match=words):
        raise run("--ledger", folder, *options).exception or AssertionError("not refused")


def test_statuses_a_script_goes_by(folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for options, status in (
        (["--ledger", str(folder), "--days", "0.1", "--json"], 0),
        (["--ledger", str(folder), "--out", str(tmp_path / "no" / "x.html"), "--days", "0.1"], 1),
        (["--ledger", str(tmp_path / "none"), "--json"], 64),
        (["--ledger", str(folder), "--days", "zero", "--json"], 64),
        (["--config", str(tmp_path / "none.toml"), "--json"], 78),
    ):
        with pytest.raises(SystemExit) as end:
            main(["report", *options])
        assert end.value.code == status, capsys.readouterr().err
