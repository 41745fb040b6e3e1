"""`quietcell report`: what it is asked for it tells, or says why not."""

import json
import shutil
import sqlite3
import sys
from contextlib import closing
from pathlib import Path

import pytest

from quietcell.core.times import rfc3339, utc_ms
from quietcell.ledger.journal import FILE_NAME
from tests.support.command import ran
from tests.support.long_ledger import long_ledger
from tests.support.long_water import BEGINS_UTC_MS, HOUR_MS
from tests.support.page_tables import Page
from tests.support.reporting import CELLS, bodies


def test_one_cell_a_part_of_the_time_and_limits_of_ones_own(folder: Path) -> None:
    from_at, to_at = (rfc3339(BEGINS_UTC_MS + hours * HOUR_MS) for hours in (2, 9))
    done = ran(
        "report", "--ledger", folder, "--cell", "larval-hall", "--from", from_at, "--to", to_at, "--limit",
        "temperature_high_c=0",
        "--json",
    )  # fmt: skip
    told = json.loads(done.out)
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
    told = json.loads(
        ran("report", "--ledger", folder, *ends, "--json", "--out", tmp_path / "empty.html").out
    )
    for plain in told["cells"]:
        assert plain["determinations"] == plain["readings"] == plain["valid_pct"] == 0
        assert [share["cause"] for share in plain["shares"]] == ["not-running"]
    assert "larval-hall" in (tmp_path / "empty.html").read_text(encoding="utf-8")


def test_a_doubt_recorded_after_the_span_still_counts(folder: Path) -> None:
    (doubt,) = bodies(folder, "doubt", "header-tank")
    until = utc_ms(doubt["until"]) - HOUR_MS
    done = ran(
        "report", "--ledger", folder, "--cell", "header-tank", "--to", rfc3339(until), "--days", 0.1, "--json"
    )
    (plain,) = json.loads(done.out)["cells"]
    in_span = {row["id"] for row in plain["rows"]}
    assert plain["in_doubt"] == len(in_span & set(doubt["determinations"])) > 0


def test_readings_that_were_given_up_are_told(tmp_path: Path) -> None:
    long_ledger(tmp_path / "ledger", cells=CELLS[:1], days=0.5, reading_s=300.0)
    (tmp_path / "ledger" / "readings-2026-06.sqlite").unlink()
    out = tmp_path / "report.html"
    done = ran("report", "--ledger", tmp_path / "ledger", "--out", out, "--json")
    (plain,) = json.loads(done.out)["cells"]
    assert (plain["readings"], plain["readings_missing"]) == (0, ["2026-06"])
    assert "No readings are stored any more of 2026-06" in Page(out).text
    assert "&lt;p" not in out.read_text(encoding="utf-8")


def test_an_older_ledger_is_reported_on(tmp_path: Path) -> None:
    old = tmp_path / "ledger"
    shutil.copytree(Path(__file__).parents[1] / "data" / "ledgers" / "schema-1", old)
    done = ran("report", "--ledger", old, "--out", tmp_path / "old.html", "--json")
    (plain,) = json.loads(done.out)["cells"]
    assert plain["determinations"] == len(bodies(old, "determination"))


def test_it_only_reads_and_works_beside_a_writer(folder: Path) -> None:
    with closing(sqlite3.connect(folder / FILE_NAME, isolation_level=None)) as writer:
        writer.execute("BEGIN IMMEDIATE")
        before = sorted((p.name, p.stat().st_size) for p in folder.iterdir() if p.suffix == ".sqlite")
        ran("report", "--ledger", folder, "--days", 0.2, "--json")
        assert sorted((p.name, p.stat().st_size) for p in folder.iterdir() if p.suffix == ".sqlite") == before
        writer.execute("ROLLBACK")


def test_a_changed_record_is_told_and_ends_with_status_1(tmp_path: Path) -> None:
    long_ledger(tmp_path / "ledger", cells=CELLS[:1], days=0.5, reading_s=300.0)
    with closing(sqlite3.connect(tmp_path / "ledger" / FILE_NAME, isolation_level=None)) as database:
        database.execute("UPDATE journal SET record = replace(record, 'began', 'begin') WHERE seq = 40")
        changed = database.execute("SELECT changes()").fetchone()[0]
    assert changed == 1
    out = tmp_path / "report.html"
    done = ran("report", "--ledger", tmp_path / "ledger", "--out", out, status=1)
    assert "the ledger is damaged: record 41" in done.err
    assert "BROKEN: record 41" in Page(out).text
    ran("report", "--ledger", tmp_path / "ledger", "--verify", "--out", out, status=1)
    assert "VERIFICATION FAILED" in Page(out).text


def test_without_its_library_it_says_how_to_get_it(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    told = ran("report", "--ledger", folder, "--out", "x.html", status=1).err
    assert 'pip install "quietcell[report]"' in told
    ran("report", "--ledger", folder, "--days", 0.1, "--json")


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
    assert words in ran("report", "--ledger", folder, *options, status=64).err


def test_statuses_a_script_goes_by(folder: Path, tmp_path: Path) -> None:
    ran("report", "--ledger", folder, "--days", 0.1, "--json")
    ran("report", "--ledger", folder, "--out", tmp_path / "no" / "x.html", "--days", 0.1, status=1)
    ran("report", "--ledger", tmp_path / "none", "--json", status=64)
    ran("report", "--ledger", folder, "--days", "zero", "--json", status=64)
    ran("report", "--config", tmp_path / "none.toml", "--json", status=78)
