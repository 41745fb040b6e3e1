"""A determination and a calibration in full are their records, with what rests on them."""

import json
from pathlib import Path

from tests.support.command import ran
from tests.support.page_tables import Page
from tests.support.recorded import recorded
from tests.support.reporting import VALID, bodies, results


def test_one_determination_in_full(tmp_path: Path) -> None:
    recorded(tmp_path / "state")
    body = next(b for b in bodies(tmp_path / "state", "determination") if b["verdict"] in VALID)
    out = tmp_path / "one.html"
    done = ran(
        "report",
        "--ledger",
        tmp_path / "state",
        "--determination",
        body["id"],
        "--out",
        out,
        "--json",
        "--verify",
    )
    told, seen = json.loads(done.out), Page(out)
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


def test_what_was_found_names_the_episode_that_qualified_a_result(folder: Path, tmp_path: Path) -> None:
    body = next(b for b in results(folder, "header-tank") if b["verdict"] == "qualified")
    out = tmp_path / "one.html"
    ran("report", "--ledger", folder, "--determination", body["id"], "--out", out)
    (episode,) = body["episodes"]
    assert f"<li>a cause was suspected: episode {episode}</li>" in out.read_text()


def test_one_calibration_in_full(folder: Path, tmp_path: Path) -> None:
    body = bodies(folder, "calibration", "header-tank")[1]
    out = tmp_path / "one.html"
    done = ran("report", "--ledger", folder, "--calibration", body["id"], "--out", out, "--json")
    told, seen = json.loads(done.out), Page(out)
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
