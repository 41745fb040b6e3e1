"""Samples brought to a continuous cell are told apart from its own water."""

import json
from pathlib import Path

import pytest

from quietcell.core.times import rfc3339
from quietcell.report.material import CellMaterial
from quietcell.report.summary import episodes
from quietcell.service.attendance import Attendances
from quietcell.service.records import DaemonIds
from tests.report.test_coverage import SPAN, ZERO, entry
from tests.support.cell_bench import CELL, Measuring
from tests.support.command import ran


async def test_a_sample_measured_at_a_continuous_cell_is_in_no_number_of_its_water(tmp_path: Path) -> None:
    async with Measuring(tmp_path / "ledger", every_s=60.0) as measuring:
        attendances = Attendances({CELL: measuring.cell}, measuring.ledger, DaemonIds(7))
        await measuring.run(60)
        who = {"via": "socket", "cell": CELL}
        work = await attendances.attend({**who, "work": "measure"})
        await measuring.ask(sample_id="S-17", attendance=work["attendance"], grab={"portion": 1})
        await measuring.run(60)
        await attendances.leave({**who, "attendance": work["attendance"], "outcome": "done"})
        await measuring.run(60)
        await measuring.stop()
        bodies = measuring.bodies("determination")
    (sample,) = [body["id"] for body in bodies if body["sample_id"] == "S-17"]
    (cell,) = json.loads(ran("report", "--ledger", tmp_path / "ledger", "--json").out)["cells"]
    assert [row["id"] for row in cell["samples"]] == [sample]
    own = [body for body in bodies if body["id"] != sample]
    assert [row["id"] for row in cell["rows"]] == [body["id"] for body in own]
    assert cell["determinations"] == sum(cell["verdicts"].values()) == len(own)
    (ph,) = [spread for spread in cell["spreads"] if spread["quantity"] == "ph"]
    assert ph["number"] == sum(body["verdict"] == "accepted" for body in own)
    assert sum(day["accepted"] for day in cell["days"]) == ph["number"]
    out = tmp_path / "report.html"
    ran("report", "--ledger", tmp_path / "ledger", "--out", out)
    assert "Determinations of samples" in out.read_text(encoding="utf-8")


@pytest.mark.parametrize(("at_s", "in_sample"), [(5, False), (15, True), (25, False)])
def test_what_was_found_in_a_sample_is_not_told_of_the_water(at_s: int, in_sample: bool) -> None:
    nothing = dict.fromkeys(("co2_ug_per_l", "conductivity_before_us_cm", "conductivity_now_us_cm"))
    episode = {
        "episode": "e", "diagnosis": "co2-ingress", "place": "unlocated", "state": "opened", "text": "",
        "closed_at": None, "began": rfc3339(ZERO), "confirmed": False,
        "evidence": {**nothing, "ph_before": 7.0, "ph_now": 6.6},
    }  # fmt: skip
    work = [
        entry(2, 10_000, record="attendance", state="began", work="measure"),
        entry(4, 20_000, record="attendance", state="ended", work="measure"),
    ]
    told = [entry(3, 1000 * at_s, record="episode", **episode)]
    (found,) = episodes(CellMaterial(cell="c", span=SPAN, in_span={"attendance": work, "episode": told}))
    assert found.in_sample is in_sample
