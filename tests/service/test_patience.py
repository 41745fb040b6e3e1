"""A driver that may keep what it has received changes nothing but how often it is looked at."""

from collections.abc import Sequence
from pathlib import Path

import pytest

from quietcell.core.inputs import Request
from quietcell.core.readings import Reading
from quietcell.service import metering
from quietcell.service.cell import CellTask
from quietcell.service.command_records import RequestBody
from tests.support.cell_bench import BOOT_MS, Bench, assert_recomputable, meter_readings
from tests.support.scripted_driver import Loss, ScriptedDriver
from tests.support.streams import cell_settings, determinations


@pytest.fixture(autouse=True)
def short_pauses(monkeypatch: pytest.MonkeyPatch) -> None:
    """Attempts to open a port pause in the machine's own time; on a clock the test moves they need not."""
    monkeypatch.setattr(metering, "REOPEN_FIRST_S", 0.0)
    monkeypatch.setattr(metering, "REOPEN_LONGEST_S", 0.0)


class Patient(ScriptedDriver):
    """Keeps readings as long as it may."""

    def __init__(self, script: Sequence[Reading | Loss | Exception], clock: object) -> None:
        super().__init__(script, clock)  # type: ignore[arg-type] # the same clock
        self._until_ms = 0
        self.asked = 0
        self.returned = 0

    async def open(self) -> None:
        await super().open()
        self._until_ms = 0

    def may_wait_until(self, boot_ms: int) -> None:
        self._until_ms = boot_ms

    def at_hand(self) -> Sequence[Reading]:
        self.asked += 1
        kept: list[Reading] = []
        while self._script:
            step = self._script[0]
            if not isinstance(step, Reading) or step.boot_ms > self._clock.boot_ms():
                break
            kept.append(step)
            del self._script[0]
        return kept

    async def read(self) -> Sequence[Reading]:
        while self._script and isinstance(self._script[0], Reading):
            last_ms = max(self._script[0].boot_ms, self._until_ms)
            if self._clock.boot_ms() >= last_ms:
                self.returned += 1
                return self.at_hand()
            await self._clock.sleep((last_ms - self._clock.boot_ms()) / 1000)
        return await super().read()


class Mistaken(Patient):
    """Breaks when asked for what is at hand, and has it still."""

    def at_hand(self) -> Sequence[Reading]:
        if self._clock.boot_ms() > BOOT_MS + 12_000 and self._script and self.asked >= 0:
            self.asked = -1_000_000
            raise ZeroDivisionError("in somebody's driver")
        return super().at_hand()


def fast_readings(seconds: int, *, start_s: int = 0) -> list[Reading]:
    """Return five readings a second."""
    slow = meter_readings(seconds * 5)
    return [
        Reading(
            boot_ms=BOOT_MS + start_s * 1000 + (each.boot_ms - BOOT_MS) // 5,
            mv=each.mv,
            temperature_c=each.temperature_c,
        )
        for each in slow
    ]


async def test_patience_changes_no_record(tmp_path: Path) -> None:
    found = []
    script: list[Reading | Loss | Exception] = [
        *fast_readings(40),
        Loss(BOOT_MS + 41_000, BOOT_MS + 42_000),
        *fast_readings(25, start_s=43),
    ]
    for driver in (ScriptedDriver, Patient):
        bench = Bench(tmp_path / driver.__name__, driver)
        await bench.run(script, 70)
        found.append([{**body, "at": None} for body in determinations(bench.bodies())])
        assert_recomputable(bench)
        await bench.ledger.close()
    assert found[0] == found[1]
    assert found[0][0]["verdict"] == "accepted"


async def test_what_is_kept_comes_before_what_a_person_asks(tmp_path: Path) -> None:
    bench = Bench(tmp_path, Patient)

    async def ask(task: CellTask) -> None:
        await task.give(
            lambda segment, ms, at: (
                Request(ms=ms, id="daemon.1.77"),
                RequestBody(
                    id="daemon.1.77",
                    cell=task.name,
                    at=at,
                    segment=segment,
                    ms=ms,
                    sample_id=None,
                    operator=None,
                    from_buffer=False,
                    via="socket",
                ),
            )
        )

    await bench.run(fast_readings(35), 36, events={30.4: ask})
    assert_recomputable(bench)
    stored = list(bench.ledger.readings.of_segment("live-feed-room", 1))
    assert not any(block.flags.any() for block in stored)  # nothing came late
    await bench.ledger.close()


async def test_a_mistake_in_patience_is_recorded_and_measuring_goes_on(tmp_path: Path) -> None:
    bench = Bench(tmp_path, Mistaken)
    await bench.run(fast_readings(35), 36)
    (fault,) = [body for body in bench.bodies() if body["record"] == "driver-fault"]
    assert "ZeroDivisionError" in fault["text"]
    assert determinations(bench.bodies())[-1]["ended"] > fault["at"]
    assert_recomputable(bench)
    await bench.ledger.close()


async def test_a_mistake_of_a_meter_that_is_left_is_told_of_that_meter(tmp_path: Path) -> None:
    class Leaving(Patient):
        leaves = False

        def at_hand(self) -> Sequence[Reading]:
            return [1 // 0] if Leaving.leaves else super().at_hand()  # type: ignore[list-item] # breaks first

    bench = Bench(tmp_path, Leaving)

    async def replace(task: CellTask) -> None:
        Leaving.leaves = True
        await task.reconfigure(cell_settings(), meter=("another", ScriptedDriver([], bench.clock)))

    await bench.run(fast_readings(20), 16, events={13.0: replace})
    (fault,) = [body for body in bench.bodies() if body["record"] == "driver-fault"]
    assert (fault["driver"], "ZeroDivisionError" in fault["text"]) == ("scripted", True)
    assert_recomputable(bench)
    await bench.ledger.close()


async def test_who_looks_sees_what_is_still_kept(tmp_path: Path) -> None:
    bench = Bench(tmp_path, Patient)
    seen = []

    async def look(task: CellTask) -> None:
        at_a_glance, live = task.glance(), task.indication()
        seen.append((live.age_s, at_a_glance.age_s, live.ph, at_a_glance.ph))

    times = [13.0 + step * 0.35 for step in range(30)]
    await bench.run(fast_readings(30), 26, events=dict.fromkeys(times, look))
    assert max(age for age, *_ in seen if age is not None) <= 0.3
    assert max(age for _, age, *_ in seen if age is not None) <= 2.8
    assert all(live is not None and glance is None for *_, live, glance in seen)
    await bench.ledger.close()


async def test_the_first_of_a_segment_is_wanted_at_once_and_the_next_in_few_portions(tmp_path: Path) -> None:
    returned = []

    class Counted(Patient):
        async def read(self) -> Sequence[Reading]:
            portion = await super().read()
            returned.append(len(portion))
            return portion

    bench, ages = Bench(tmp_path, Counted), []

    async def look(task: CellTask) -> None:
        ages.append(task.glance().age_s)

    await bench.run(fast_readings(20), 20, events={0.4: look})
    assert ages[0] is not None
    assert len(returned) <= 20
    await bench.ledger.close()


async def test_who_looks_after_the_end_sees_the_last_of_the_segment(tmp_path: Path) -> None:
    bench, tasks = Bench(tmp_path, Patient), []

    async def meet(task: CellTask) -> None:
        tasks.append(task)

    await bench.run(fast_readings(30), 20, events={13.0: meet})
    await bench.clock.step(5_000)  # the driver has more by now, but its port is closed
    (last,) = (int(block.ms[-1]) for block in bench.ledger.readings.of_segment("live-feed-room", 1))
    assert last >= 19_800  # what was kept back until the end is stored
    assert tasks[0].glance().age_s == tasks[0].indication().age_s
    await bench.ledger.close()


async def test_what_is_kept_goes_into_the_segment_that_ends(tmp_path: Path) -> None:
    bench = Bench(tmp_path, Patient)

    async def put_the_clock_right(_: CellTask) -> None:
        bench.clock.utc += 3_600_000

    await bench.run(fast_readings(40), 41, events={30.4: put_the_clock_right})
    before, after = (list(bench.ledger.readings.of_segment("live-feed-room", n)) for n in (1, 2))
    assert before[-1].ms[-1] >= 30_400  # nothing that was kept waits for the segment that begins
    assert not any(block.flags.any() for block in [*before, *after])
    assert sum(len(block) for block in [*before, *after]) == 5 * 40
    assert_recomputable(bench)
    await bench.ledger.close()
