"""A cell at work: its meter, the time and the ledger, on a clock the test moves."""

import asyncio
from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np
import pytest

from quietcell.contracts import Clock, LineCounts
from quietcell.core.readings import Reading
from quietcell.core.records import Body
from quietcell.errors import DriverError
from quietcell.ledger.ledger import Ledger, Stamp
from quietcell.ledger.readings_files import SegmentReadings
from quietcell.service import metering, recovery
from quietcell.service.cell import CellTask
from quietcell.service.recovery import next_segment, recover
from tests.support.cell_bench import BOOT_MS, Bench, assert_recomputable, meter_readings, recovered
from tests.support.scripted_driver import Loss, ScriptedDriver
from tests.support.streams import determinations


@pytest.fixture(autouse=True)
def short_pauses(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pauses before a port is opened again are the machine's own time, which the held clock does not move."""
    monkeypatch.setattr(metering, "REOPEN_FIRST_S", 0.0)
    monkeypatch.setattr(metering, "REOPEN_LONGEST_S", 0.0)


async def test_live_run_ends_in_records_anyone_can_recompute(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    await bench.run(meter_readings(80), 85)
    assert [body["verdict"] for body in determinations(bench.bodies())][:2] == ["accepted", "accepted"]
    assert bench.engine_bodies()[-1]["cause"] == "stopped"
    assert_recomputable(bench)
    await bench.ledger.close()


async def test_lost_port_gives_fault_gap_and_new_segment_and_no_window_across(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    script: list[Reading | Loss | Exception] = [
        *meter_readings(15),
        Loss(BOOT_MS + 15_000, BOOT_MS + 18_000),
        *meter_readings(40, start_s=19, seed=2),
    ]
    await bench.run(script, 65)
    kinds = bench.kinds()
    assert kinds[:2] == ["configuration", "segment"]
    assert kinds.count("driver-fault") == 2  # hung up, then not there
    (gap,) = [body for body in bench.bodies() if body["record"] == "gap"]
    assert (gap["cause"], gap["id"].split(".")[1]) == ("reopened", "2")
    first = determinations(bench.bodies())[0]
    assert first["verdict"] == "accepted"
    assert first["id"].startswith("live-feed-room.2.")
    assert first["readings"] <= 21
    assert_recomputable(bench)
    await bench.ledger.close()


async def test_a_step_of_utc_begins_a_segment_and_changes_no_verdict(tmp_path: Path) -> None:
    bench = Bench(tmp_path)

    async def jump(_task: CellTask) -> None:
        bench.clock.utc += 3_600_000

    await bench.run(meter_readings(60), 62, events={10: jump})
    (step,) = [body for body in bench.bodies() if body["record"] == "clock-step"]
    assert step["step_s"] == pytest.approx(3600, abs=0.01)
    causes = [body["cause"] for body in bench.bodies() if body["record"] == "segment"]
    assert causes == ["started", "clock-step", "clock-step", "stopped"]
    assert determinations(bench.bodies())[0]["verdict"] == "accepted"
    assert_recomputable(bench)
    await bench.ledger.close()


async def test_a_driver_that_breaks_is_recorded_and_opened_again(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    await bench.run([ZeroDivisionError("in somebody's driver"), *meter_readings(40)], 45)
    (fault,) = [body for body in bench.bodies() if body["record"] == "driver-fault"]
    assert "the driver broke: ZeroDivisionError" in fault["text"]
    assert determinations(bench.bodies())[0]["verdict"] == "accepted"
    await bench.ledger.close()


async def test_a_meter_that_speaks_but_cannot_be_read_is_not_called_silent(tmp_path: Path) -> None:
    seen: list[str] = []

    async def look(task: CellTask) -> None:
        seen.append(task.indication().waits_for)

    counts = LineCounts()

    class Babbling(ScriptedDriver):
        """Has counts that a test can reach."""

        def __init__(self, script: Iterable[Reading | Loss | Exception], clock: Clock) -> None:
            super().__init__(script, clock)
            self.counts = counts

    async def babble(_task: CellTask) -> None:
        for _ in range(3):
            counts.count("not a number", "?0.1;25.0")

    bench = Bench(tmp_path, Babbling)
    events = {4: look, 4.5: babble, 5: look, 9: look}
    await bench.run([*meter_readings(6), *meter_readings(3, start_s=12)], 14, events={**events, 13.5: look})
    assert seen[2] == "readings: not a number (3 times), last in '?0.1;25.0'"
    assert not any("readings" in text for text in (*seen[:2], seen[3]))
    await bench.ledger.close()


async def test_bytes_without_an_end_are_not_called_silence(tmp_path: Path) -> None:
    seen: list[str] = []
    counts = LineCounts(discarded_bytes=7)

    class Endless(ScriptedDriver):
        """Throws away what never ends, as at a wrong terminator."""

        def __init__(self, script: Iterable[Reading | Loss | Exception], clock: Clock) -> None:
            super().__init__(script, clock)
            self.counts = counts

    async def look(task: CellTask) -> None:
        seen.append(task.indication().waits_for)
        counts.discarded_bytes += 256

    bench = Bench(tmp_path, Endless)
    await bench.run([], 9, events={2: look, 6: look})
    assert "263 bytes came, and no whole message among them" in seen[1]
    await bench.ledger.close()


async def test_a_port_that_is_gone_is_what_a_cell_waits_for(tmp_path: Path) -> None:
    seen: list[str] = []

    async def look(task: CellTask) -> None:
        seen.append(task.indication().waits_for)

    bench = Bench(tmp_path)
    script: list[Reading | Loss | Exception] = [*meter_readings(3), Loss(BOOT_MS + 3_000, BOOT_MS + 90_000)]
    await bench.run(script, 9, events={8: look})
    assert seen == ["readings: /dev/scripted: no such device. Plug it in"]
    await bench.ledger.close()


async def test_reading_from_the_past_is_moved_forward_and_flagged(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    script = meter_readings(40)
    late = script[10]
    script[10] = Reading(boot_ms=late.boot_ms - 4000, mv=late.mv, temperature_c=late.temperature_c)
    await bench.run(script, 45)
    assert determinations(bench.bodies())[0]["rejected_readings"] == {"late": 1}
    assert_recomputable(bench)
    await bench.ledger.close()


class Slow(ScriptedDriver):
    """Knows what it received only when nothing more has come for a while."""

    async def read(self) -> Sequence[Reading]:
        readings = await super().read()
        await self._clock.sleep(0.4)
        return readings


async def test_marks_wait_for_a_meter_whose_readings_are_known_late(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.driver = Slow
    script = [
        Reading(boot_ms=each.boot_ms + 600 + n, mv=each.mv, temperature_c=each.temperature_c)
        for n, each in enumerate(meter_readings(200))  # its phase wanders against that of the marks
    ]
    await bench.run(script, 200)
    flags = np.concatenate([b.flags for b in bench.ledger.readings.of_segment("live-feed-room", 1)])
    assert np.count_nonzero(flags) == 1
    assert len(flags) == 199
    assert_recomputable(bench)
    await bench.ledger.close()


async def test_readings_that_wait_for_a_slow_disk_are_not_late(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = Bench(tmp_path)
    submit = bench.ledger.submit

    async def slowly(bodies: Sequence[Body]) -> None:
        await submit(bodies)
        task = asyncio.current_task()
        if task is not None and task.get_name().endswith(" meter"):
            await bench.clock.sleep(3.5)

    monkeypatch.setattr(bench.ledger, "submit", slowly)
    # The first reading of a port that is back begins a segment, so a commit stands before the next ones.
    away = Loss(BOOT_MS + 10_000, BOOT_MS + 11_000)
    await bench.run([*meter_readings(10), away, *meter_readings(40, start_s=18)], 62)
    flags = [block.flags for block in bench.ledger.readings.of_segment("live-feed-room", 2)]
    assert len(np.concatenate(flags)) == 40
    assert not np.concatenate(flags).any()
    await bench.ledger.close()


async def test_no_reading_is_stored_before_the_beginning_of_its_segment(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = Bench(tmp_path)
    files, known = bench.ledger.readings, set[int]()
    append = files.append

    def watched(batch: Sequence[SegmentReadings]) -> None:
        known.update(r.body()["segment"] for r in bench.ledger.journal.of_kind("segment"))
        assert {part.segment for part in batch} <= known
        append(batch)

    monkeypatch.setattr(files, "append", watched)
    away = [Loss(BOOT_MS + at_ms, BOOT_MS + at_ms + 1000) for at_ms in (10_000, 20_000)]
    await bench.run(
        [
            *meter_readings(10),
            away[0],
            *meter_readings(8, start_s=12),
            away[1],
            *meter_readings(10, start_s=22),
        ],
        40,
    )
    assert known == {1, 2, 3}
    await bench.ledger.close()


async def test_what_a_driver_says_is_recorded_printable_and_short(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    await bench.run([DriverError("\x1b[2J" * 1000), *meter_readings(3)], 5)
    (fault,) = [body for body in bench.bodies() if body["record"] == "driver-fault"]
    assert fault["text"].isprintable()
    assert len(fault["text"]) == 500
    await bench.ledger.close()


async def test_killed_run_is_finished_from_what_it_stored(tmp_path: Path) -> None:
    whole, cut = Bench(tmp_path / "whole"), Bench(tmp_path / "cut")
    await whole.run(meter_readings(75), 76)
    await cut.run(meter_readings(75), 76)
    # What a kill leaves: records behind a point are missing, the readings are there.
    database = cut.ledger.journal._database
    kept = next(r.seq for r in cut.ledger.journal.all() if r.body()["record"] == "determination") - 1
    database.execute("DELETE FROM journal WHERE seq > ?", (kept,))
    await cut.ledger.close()
    cut.ledger = Ledger(tmp_path / "cut", stamp=lambda: Stamp(0, "not-known"))
    await recovered(cut)
    assert cut.engine_bodies()[:-2] == whole.engine_bodies()[:-2]
    assert cut.engine_bodies()[-1]["cause"] == "interrupted"
    assert cut.engine_bodies()[-2]["reasons"][0] == "stopped"
    assert (await recovered(cut)).missing == ()
    assert next_segment(cut.ledger, "live-feed-room") == 2
    await cut.ledger.close()
    await whole.ledger.close()


async def test_readings_whose_segment_the_disk_lost_are_not_taken_for_those_of_the_next(
    tmp_path: Path,
) -> None:
    bench = Bench(tmp_path)
    await bench.run(meter_readings(5), 6)
    bench.ledger.journal._database.execute("DELETE FROM journal")
    await bench.ledger.close()
    bench.ledger = Ledger(tmp_path, stamp=lambda: Stamp(0, "not-known"))
    assert next_segment(bench.ledger, "live-feed-room") == 2
    await bench.ledger.close()


async def test_run_of_another_engine_is_closed_and_not_recomputed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = Bench(tmp_path)
    await bench.run(meter_readings(50), 52)
    database = bench.ledger.journal._database
    database.execute("DELETE FROM journal WHERE seq > (SELECT max(seq) - 3 FROM journal)")
    monkeypatch.setattr(recovery, "ENGINE_VERSION", 99)
    found = recover(bench.ledger.journal, bench.ledger.readings, "live-feed-room")
    assert found is not None
    (end,) = found.missing
    assert end.as_json()["cause"] == "interrupted"
    assert end.id not in {body["id"] for body in bench.bodies()}
    await bench.ledger.close()
