"""Other settings while a cell is at work: what was open ends, what comes is judged by them."""

from collections.abc import Awaitable, Callable
from dataclasses import replace
from pathlib import Path

import pytest

from quietcell.core.electrode.nernst import Line
from quietcell.core.engine import Engine
from quietcell.core.inputs import EngineInput, SegmentBegan, SegmentEnded, TimeMark
from quietcell.core.recording_reader import read_recording
from quietcell.core.settings import CellSettings
from quietcell.errors import ContractError
from quietcell.ledger.ledger import Ledger, Stamp
from quietcell.service import recovery
from quietcell.service.cell import CellTask
from quietcell.service.checkpoint import last_checkpoint, restored
from quietcell.service.export import recording_lines
from quietcell.service.recovery import recover
from quietcell.service.replay import replay
from tests.support.cell_bench import Bench, assert_recomputable, meter_readings, recovered
from tests.support.ledgers import note
from tests.support.streams import ANCHOR_UTC_MS, SHORT, began, cell_settings, determinations, readings, run

STRICTER = cell_settings(
    replace(SHORT, window_s=30.0, min_wait_s=30.0), line=Line(slope_pct=97.0, zero_mv=1.0)
)


async def run_with(bench: Bench, *changes: tuple[float, CellSettings]) -> None:
    """A quiet cell that gets other settings now and then, each with a note that says why."""

    def change(number: int, settings: CellSettings) -> Callable[[CellTask], Awaitable[None]]:
        why = replace(note(number), id=f"daemon.99.{number}")
        return lambda task: task.reconfigure(settings, because=[why])

    events = {at_s: change(number, settings) for number, (at_s, settings) in enumerate(changes)}
    await bench.run(meter_readings(90), 90, events=events)


async def test_open_determination_ends_and_the_next_is_judged_by_the_new_settings(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    await run_with(bench, (10.3, STRICTER))
    bodies = bench.bodies()
    kinds = [(b["record"], b.get("cause") or b.get("reasons")) for b in bodies if b["record"] != "gap"]
    assert kinds[:7] == [
        ("configuration", None),
        ("segment", "started"),
        ("note", None),
        ("determination", ["reconfigured", "gap"]),
        ("segment", "reloaded"),
        ("configuration", None),
        ("segment", "reloaded"),
    ]
    ended, began = (b for b in bodies if b["record"] == "segment" and b["cause"] == "reloaded")
    assert (ended["segment"], began["segment"], ended["at"]) == (1, 2, began["at"])
    accepted = determinations(bodies)[1]
    assert (accepted["verdict"], accepted["calibration"]["slope_pct"]) == ("accepted", 97.0)
    assert accepted["began"] == began["at"]  # nobody waits for the next turn
    assert accepted["time_since_disturbance_s"] >= 30.0
    assert_recomputable(bench)
    await bench.ledger.close()


async def test_run_killed_after_a_reload_is_finished_by_the_settings_then_in_force(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    await run_with(bench, (10.3, STRICTER), (30.0, cell_settings()))
    whole = bench.bodies()
    kept = next(
        n for n, b in enumerate(whole) if b["record"] == "determination" and b["id"] > "live-feed-room.3"
    )
    bench.ledger.journal._database.execute("DELETE FROM journal WHERE seq > ?", (kept,))
    await bench.ledger.close()
    bench.ledger = Ledger(tmp_path, stamp=lambda: Stamp(0, "not-known"))
    await recovered(bench)
    assert bench.bodies()[: len(whole) - 3] == whole[:-3]
    assert bench.engine_bodies()[-1]["cause"] == "interrupted"
    await bench.ledger.close()


async def test_a_run_that_cannot_be_judged_again_goes_on_by_the_settings_then_in_force(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = Bench(tmp_path)
    await bench.run(meter_readings(30), 30)
    (first,) = [b for b in bench.bodies() if b["record"] == "checkpoint"]
    calibrated = cell_settings(calibration_id="daemon.1.7")
    began = recover(bench.ledger.journal, bench.ledger.readings, "live-feed-room")
    assert began is not None

    async def calibrate(task: CellTask) -> None:
        await task.reconfigure(calibrated)

    await bench.run(meter_readings(30, start_s=40), 60, engine=began.engine, events={50: calibrate})
    database = bench.ledger.journal._database
    database.execute("DELETE FROM journal WHERE seq > (SELECT max(seq) - 3 FROM journal)")
    monkeypatch.setattr(recovery, "ENGINE_VERSION", 99)
    found = await recovered(bench)
    assert first["state"]["from_buffer"] is False
    assert (found.engine.settings, found.engine.state()["from_buffer"]) == (calibrated, True)
    known = last_checkpoint(bench.ledger.journal, "live-feed-room")
    assert known is not None
    again = restored(bench.ledger.journal, bench.ledger.readings, known)
    assert (again.settings, again.state()) == (found.engine.settings, found.engine.state())
    await bench.ledger.close()


async def test_reload_to_the_same_settings_replays_to_the_same_bodies(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    await run_with(bench, (10.3, cell_settings()), (40.0, cell_settings()))
    live = [body for body in bench.bodies() if not body["id"].startswith("daemon.")]
    lines = recording_lines(bench.ledger.journal, bench.ledger.readings, "live-feed-room")
    pieces = read_recording(lines, name="live-feed-room.csv")
    assert [body.as_json() for body in replay(pieces, cell_settings())] == live
    await bench.ledger.close()


def test_cut_of_the_stream_changes_nothing_across_a_reload() -> None:
    block = readings(60)
    reload: list[EngineInput] = [
        SegmentEnded(ms=60_500, cause="reloaded"),
        SegmentBegan(
            segment=2,
            utc_ms=ANCHOR_UTC_MS + 60_500,
            cause="reloaded",
            time_quality="synchronised",
            settings=STRICTER,
        ),
    ]
    after = readings(60, seed=2)
    end = SegmentEnded(ms=60_500, cause="stopped")
    whole = run(Engine(cell_settings()), [began(), block, *reload, after, end])
    pieces = [piece for n in range(60) for piece in (block[n : n + 1], TimeMark(ms=int(block.ms[n])))]
    cut = run(Engine(cell_settings()), [began(), *pieces, *reload, after[:7], after[7:], end])
    assert cut == whole


def test_settings_of_another_cell_are_refused() -> None:
    engine = Engine(cell_settings())
    run(engine, [began(), SegmentEnded(ms=10, cause="reloaded")])
    other = replace(began(2, "reloaded"), settings=cell_settings(cell="larval-hall"))
    with pytest.raises(ContractError, match="live-feed-room: settings of larval-hall given"):
        engine.take(other)
