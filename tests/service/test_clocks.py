"""Clocks that step, start in 1970 or are put right: no false verdict, no number twice, quality as it was."""

import time
from collections.abc import Awaitable, Callable
from pathlib import Path

import pytest

from quietcell.core.records import Json, TimeQuality
from quietcell.core.times import rfc3339
from quietcell.ledger.ledger import Stamp
from quietcell.ledger.readings_files import month_of
from quietcell.ledger.verify import verify
from quietcell.service import segment_time
from quietcell.service.cell import CellTask
from quietcell.service.recompute import recompute
from tests.support.cell_bench import Bench, assert_recomputable, meter_readings, recovered
from tests.support.streams import determinations

CELL = "live-feed-room"
HOUR_MS = 3_600_000
YEARS_56_MS = 1_790_000_000_000


class Quality:
    """What the kernel is made to say."""

    def __init__(self) -> None:
        self.now: TimeQuality = "synchronised"

    def __call__(self) -> TimeQuality:
        return self.now


@pytest.fixture
def quality(monkeypatch: pytest.MonkeyPatch) -> Quality:
    told = Quality()
    monkeypatch.setattr(segment_time, "time_quality", told)
    return told


def stepping(bench: Bench, ms: int) -> Callable[[CellTask], Awaitable[None]]:
    async def step(_: CellTask) -> None:
        bench.clock.utc += ms

    return step


def segments(bench: Bench) -> list[tuple[str, Json]]:
    bodies = [body for body in bench.bodies() if body["record"] == "segment" and body["state"] == "began"]
    return [(body["cause"], body["time_quality"]) for body in bodies]


def assert_sound(bench: Bench) -> None:
    """Sound, recomputable, and no reading in two places."""
    assert verify(bench.ledger.journal, bench.ledger.readings, tell=lambda _: None).readings_uncovered == 0
    found = recompute(bench.ledger.journal, bench.ledger.readings, CELL)
    assert (found.different, dict(found.not_recomputable)) == (0, {})
    assert_recomputable(bench)


@pytest.mark.usefixtures("quality")
@pytest.mark.parametrize("step_ms", [HOUR_MS, -HOUR_MS])
async def test_a_step_of_utc_delays_a_verdict_and_changes_none(tmp_path: Path, step_ms: int) -> None:
    bench = Bench(tmp_path)
    await bench.run(meter_readings(40), 41, events={10.0: stepping(bench, step_ms)})
    assert segments(bench) == [("started", "synchronised"), ("clock-step", "synchronised")]
    (told,) = [body for body in bench.bodies() if body["record"] == "clock-step"]
    assert told["step_s"] == pytest.approx(step_ms / 1000, abs=0.1)
    first = determinations(bench.bodies())[0]
    assert (first["verdict"], first["id"].split(".")[1]) == ("accepted", "2")
    assert_sound(bench)
    await bench.ledger.close()


async def test_a_boot_in_1970_is_said_and_put_right(tmp_path: Path, quality: Quality) -> None:
    bench = Bench(tmp_path)
    right_utc, bench.clock.utc = bench.clock.utc, 5_000
    bench.ledger._stamp = lambda: Stamp(bench.clock.utc_ms(), quality.now)
    quality.now = "not-synchronised"

    async def put_right(_: CellTask) -> None:
        quality.now = "synchronised"
        bench.clock.utc = right_utc

    await bench.run(meter_readings(85), 86, events={25.0: put_right})
    assert segments(bench) == [("started", "not-synchronised"), ("clock-step", "synchronised")]
    found = determinations(bench.bodies())
    assert [body["verdict"] for body in found if "stopped" not in body["reasons"]] == ["accepted", "accepted"]
    assert "time-not-synchronised" in found[0]["qualifiers"]
    assert "time-not-synchronised" not in found[1]["qualifiers"]
    assert bench.ledger.readings.months() == ["1970-01", "2026-09"]
    envelopes = [record.envelope() for record in bench.ledger.journal.all()]
    assert {e["time_quality"] for e in envelopes if e["recorded_at"] < "1971"} == {"not-synchronised"}
    assert {e["time_quality"] for e in envelopes if e["recorded_at"] > "1971"} == {"synchronised"}
    assert_sound(bench)
    await bench.ledger.close()


async def test_a_clock_found_right_begins_a_segment_of_better_quality(
    tmp_path: Path, quality: Quality
) -> None:
    bench = Bench(tmp_path)
    quality.now = "not-synchronised"

    async def found_right(_: CellTask) -> None:
        quality.now = "synchronised"

    await bench.run(meter_readings(36), 37, events={10.0: found_right})
    assert segments(bench) == [("started", "not-synchronised"), ("clock-synchronised", "synchronised")]
    assert "time-not-synchronised" not in determinations(bench.bodies())[0]["qualifiers"]
    assert_sound(bench)
    await bench.ledger.close()


async def test_a_second_run_in_the_past_uses_no_number_twice(tmp_path: Path, quality: Quality) -> None:
    bench = Bench(tmp_path)
    await bench.run(meter_readings(10), 11)
    bench.clock.utc -= YEARS_56_MS
    quality.now = "not-synchronised"
    await bench.run(meter_readings(10, start_s=12), 12, engine=(await recovered(bench)).engine)
    ids = [body["id"] for body in bench.bodies()]
    assert len(ids) == len(set(ids))
    assert [body for body in bench.bodies() if body["record"] == "gap"] == []
    found = recompute(bench.ledger.journal, bench.ledger.readings, CELL)
    assert found.different == 0
    await bench.ledger.close()


def test_the_names_of_files_do_not_follow_daylight_saving(monkeypatch: pytest.MonkeyPatch) -> None:
    # On 2026-10-25 clocks in London go back at 01:00 UTC; the tz database names the rule.
    monkeypatch.setenv("TZ", "Europe/London")
    time.tzset()
    try:
        hours_ms = [1_792_879_200_000 + hour * HOUR_MS for hour in range(5)]  # from 2026-10-24T22:00Z on
        assert [rfc3339(ms)[:13] for ms in hours_ms][1:4] == [
            "2026-10-24T23",
            "2026-10-25T00",
            "2026-10-25T01",
        ]
        assert {month_of(ms) for ms in hours_ms} == {"2026-10"}
    finally:
        monkeypatch.undo()
        time.tzset()
