"""A report over a span in which the clock was set back."""

import json
from pathlib import Path

from quietcell.core.times import DAY_MS, utc_ms
from quietcell.service.cell import CellTask
from tests.support.cell_bench import Bench, meter_readings
from tests.support.command import ran


async def test_nothing_from_before_the_clock_was_set_back_is_missing_and_the_step_is_told(
    tmp_path: Path,
) -> None:
    bench = Bench(tmp_path / "ledger")

    async def set_back(_: CellTask) -> None:
        bench.clock.utc -= 3_600_000

    await bench.run(meter_readings(200), 200, events={150: set_back})
    recorded = [body["id"] for body in bench.bodies() if body["record"] == "determination"]
    await bench.ledger.close()
    told = ran("report", "--ledger", tmp_path / "ledger", "--json", "--no-readings")
    (cell,) = json.loads(told.out)["cells"]
    assert [row["id"] for row in cell["rows"]] == recorded
    assert (cell["clock_set_back"], cell["faults"]["clock-step"]) == (1, 1)
    out = tmp_path / "report.html"
    ran("report", "--ledger", tmp_path / "ledger", "--out", out, "--no-readings")
    assert "The clock was set back" in out.read_text(encoding="utf-8")


async def test_a_clock_that_was_a_year_ahead_does_not_draw_every_later_report_to_itself(
    tmp_path: Path,
) -> None:
    bench = Bench(tmp_path / "ledger")

    async def set_back(_: CellTask) -> None:
        bench.clock.utc -= 365 * DAY_MS

    await bench.run(meter_readings(200), 200, events={150: set_back})
    last = bench.bodies()[-1]["at"]
    await bench.ledger.close()
    told = json.loads(ran("report", "--ledger", tmp_path / "ledger", "--json", "--no-readings").out)
    assert abs(utc_ms(told["to_at"]) - utc_ms(last)) < 60_000
    assert told["cells"][0]["faults"]["clock-step"] == 1
