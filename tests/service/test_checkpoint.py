"""What a cell's engine knows is journalled, restored, and outlives a kill."""

import shutil
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
import structlog

from quietcell.core.bench_records import ReferenceRequestBody
from quietcell.core.engine import Engine
from quietcell.core.inputs import EpisodeVerdict, SegmentEnded
from quietcell.core.records import Json
from quietcell.core.times import utc_ms
from quietcell.ledger.journal import Journal
from quietcell.ledger.ledger import Ledger, Stamp
from quietcell.ledger.readings_files import ReadingsFiles, SegmentReadings
from quietcell.ledger.storage import ReadingsDroppedBody
from quietcell.service import cell as cell_module
from quietcell.service import recovery
from quietcell.service.cell import CellTask
from quietcell.service.checkpoint import CheckpointBody, checkpoint
from quietcell.service.recompute import recompute
from quietcell.service.records import DaemonIds
from quietcell.service.recovery import Recovered, recover
from quietcell.service.requests import Requests
from tests.support.cell_bench import Bench, assert_recomputable, meter_readings, recovered
from tests.support.leak import leaking
from tests.support.ledgers import open_ledger
from tests.support.streams import ANCHOR_UTC_MS, SHORT, began, cell_settings, determinations, readings, run

CELL = "live-feed-room"
LEAK = cell_settings(every_s=60.0)


def checkpoints(bench: Bench) -> list[dict[str, Json]]:
    return [body for body in bench.bodies() if body["record"] == "checkpoint"]


@pytest.fixture
def frequent(monkeypatch: pytest.MonkeyPatch) -> None:
    """A checkpoint every 20 s in place of every hour."""
    monkeypatch.setattr(cell_module, "CHECKPOINT_MS", 20_000)


@pytest.mark.usefixtures("frequent")
async def test_checkpoints_are_made_on_the_way_and_at_the_stop(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    await bench.run(meter_readings(65), 66)
    made = checkpoints(bench)
    assert [body["segment"] for body in made] == [1, 1, 1, None]
    first, second, third = (body["ms"] for body in made[:3])
    assert 19_000 < first < second - 19_000 < third - 38_000
    assert bench.kinds()[-2:] == ["checkpoint", "readings-digest"]
    assert_recomputable(bench)
    await bench.ledger.close()


@pytest.mark.usefixtures("frequent")
async def test_a_killed_run_is_finished_from_its_last_checkpoint(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    await bench.run(meter_readings(75), 76)
    whole = bench.engine_bodies()
    last = [r.seq for r in bench.ledger.journal.all() if r.body()["record"] == "checkpoint"][1]
    bench.ledger.journal._database.execute("DELETE FROM journal WHERE seq > ?", (last,))
    await bench.ledger.close()
    bench.ledger = Ledger(tmp_path, stamp=lambda: Stamp(bench.clock.utc_ms(), "synchronised"))
    found = await recovered(bench)
    assert bench.engine_bodies()[:-2] == whole[:-2]
    assert bench.engine_bodies()[-1]["cause"] == "interrupted"
    await bench.run(meter_readings(30, start_s=80), 120, engine=found.engine)
    assert_recomputable(bench)
    await bench.ledger.close()


async def leak_killed(folder: Path) -> Ledger:
    """The ledger of a run that was killed ten minutes into a leak."""
    ledger, engine, block = open_ledger(folder), Engine(LEAK), leaking(900, LEAK, from_s=500)
    await ledger.record(engine.take(began()))
    for first in range(0, 900, 100):
        part = block[first : first + 100]
        ledger.keep(SegmentReadings(cell=CELL, segment=1, anchor_utc_ms=ANCHOR_UTC_MS, block=part))
        await ledger.record(engine.take(part))
    await ledger.flush()
    await ledger.close()
    return open_ledger(folder)


def judged_again(ledger: Ledger) -> Recovered:
    """Judge the last run as the daemon does at its start."""
    found = recover(ledger.journal, ledger.readings, CELL)
    assert found is not None
    return found


async def finished(ledger: Ledger) -> tuple[Recovered, CheckpointBody]:
    """Judge the last run and record what the journal lacks of it; returns what its engine knows, too."""
    found = judged_again(ledger)
    known = checkpoint(found.engine, id="daemon.2.1", at="2026-09-21T15:00:00.000Z")
    await ledger.record([*found.missing, known])
    return found, known


async def test_an_episode_open_at_a_kill_is_open_in_the_next_run(tmp_path: Path) -> None:
    ledger = await leak_killed(tmp_path)
    await finished(ledger)
    again = judged_again(ledger)
    assert again.missing == ()
    after = leaking(200, LEAK, seed=9)
    later = began(2, utc_ms=ANCHOR_UTC_MS + 900_000)
    bodies = run(again.engine, [later, after, SegmentEnded(ms=200_000, cause="stopped")])
    assert {body["verdict"] for body in determinations(bodies)} == {"qualified"}
    await ledger.close()


@pytest.mark.parametrize("lost", [(0, 170_000), (50_000, 70_000)])
async def test_a_killed_run_is_not_judged_again_by_less_than_it_was(
    tmp_path: Path, lost: tuple[int, int]
) -> None:
    ledger, engine, block = open_ledger(tmp_path), Engine(cell_settings()), readings(170)
    await ledger.record(engine.take(began()))
    ledger.keep(SegmentReadings(cell=CELL, segment=1, anchor_utc_ms=ANCHOR_UTC_MS, block=block))
    last = (await ledger.record(engine.take(block)))[-1].body()["id"]
    delete = "DELETE FROM reading WHERE ms BETWEEN ? AND ?"
    await ledger.run(lambda: ledger.readings._month("2026-09").execute(delete, lost))
    found = judged_again(ledger)
    (end,) = (body.as_json() for body in found.missing)
    assert (end["state"], end["cause"]) == ("ended", "interrupted")
    assert end["id"] == f"{CELL}.1.{int(last.split('.')[2]) + 1}"
    await ledger.close()


async def test_what_another_engine_knew_is_carried_over_though_not_judged_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ledger = await leak_killed(tmp_path)
    found, known = await finished(ledger)
    await ledger.record(found.engine.take(began(2, utc_ms=ANCHOR_UTC_MS + 900_000)))
    monkeypatch.setattr(recovery, "ENGINE_VERSION", 99)
    again = judged_again(ledger)
    assert [body.as_json()["cause"] for body in again.missing] == ["interrupted"]
    assert again.engine.state()["ingress"]["open"] == known.state["ingress"]["open"] != {}
    await ledger.close()


async def test_an_episode_closed_behind_the_last_checkpoint_stays_closed_though_not_judged_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ledger = await leak_killed(tmp_path)
    found, _ = await finished(ledger)
    await ledger.record(found.engine.take(began(2, utc_ms=ANCHOR_UTC_MS + 900_000)))
    (episode,) = found.engine.open_episodes
    rejected = EpisodeVerdict(ms=5, id="daemon.2.2", episode=episode, verdict="reject")
    await ledger.record(found.engine.take(rejected))
    monkeypatch.setattr(recovery, "ENGINE_VERSION", 99)
    again = judged_again(ledger)
    assert again.engine.open_episodes == ()
    assert [body.kind for body in again.missing] == ["segment"]
    await ledger.close()


async def test_an_episode_nothing_more_is_known_of_is_closed_and_the_record_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ledger = await leak_killed(tmp_path)
    told = [record.body() for record in ledger.journal.of_cell(CELL, kinds=("episode",))]
    last = [record.body()["id"] for record in ledger.journal.all()][-1]
    monkeypatch.setattr(recovery, "ENGINE_VERSION", 99)
    found = judged_again(ledger)
    assert found.engine.open_episodes == ()
    closed, end = (body.as_json() for body in found.missing)
    assert (closed["episode"], closed["diagnosis"], closed["state"]) == (
        told[0]["episode"],
        told[-1]["diagnosis"],
        "closed",
    )
    assert "is followed no further" in closed["text"]
    assert closed["closed_at"] == closed["at"] == end["at"] > told[-1]["at"]
    assert closed["evidence"] == told[-1]["evidence"]
    place, _, ordinal = last.rpartition(".")
    assert [closed["id"], end["id"]] == [f"{place}.{int(ordinal) + 1}", f"{place}.{int(ordinal) + 2}"]
    await ledger.close()


async def test_an_electrode_put_into_a_buffer_comes_from_there_though_nothing_is_judged_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ledger, engine = open_ledger(tmp_path), Engine(cell_settings())
    await ledger.record(engine.take(began()))
    body = ReferenceRequestBody(
        id="daemon.1.2",
        cell=CELL,
        at="2026-09-21T15:00:00.000Z",
        segment=1,
        ms=5,
        purpose="check",
        solution="A",
        operator=None,
    )
    await ledger.record([body])
    monkeypatch.setattr(recovery, "ENGINE_VERSION", 99)
    found = recover(ledger.journal, ledger.readings, CELL)
    assert found is not None
    assert found.engine.state()["from_buffer"] is True
    await ledger.close()


async def test_a_run_killed_while_its_readings_were_dropped_ends_behind_them_and_compares(
    tmp_path: Path,
) -> None:
    ledger, engine = open_ledger(tmp_path), Engine(cell_settings(mode="on-request"))
    block = readings(90)
    await ledger.record(engine.take(began()))
    ledger.keep(SegmentReadings(cell=CELL, segment=1, anchor_utc_ms=ANCHOR_UTC_MS, block=block[:50]))
    dropped = ReadingsDroppedBody(
        id="daemon.1.2",
        cell=CELL,
        at="2026-09-21T15:00:00.000Z",
        segment=1,
        from_ms=int(block.ms[50]),
        upto_ms=None,
        readings=1,
    )
    await ledger.record([dropped])
    found, known = await finished(ledger)
    assert utc_ms(found.missing[-1].at) == ANCHOR_UTC_MS + dropped.from_ms
    assert known.state["ended"]["utc_ms"] == ANCHOR_UTC_MS + dropped.from_ms
    again = recompute(ledger.journal, ledger.readings, CELL)
    assert (again.different, list(again.not_recomputable)) == (0, ["readings dropped for want of space"])
    await ledger.close()


@pytest.mark.usefixtures("frequent")
@pytest.mark.parametrize(
    ("asked_at_s", "mode"),
    [
        (15.0, "continuous"),
        (45.0, "continuous"),
        (45.0, "on-request"),
    ],  # before and behind the last checkpoint
)
async def test_a_run_that_cannot_be_judged_again_ends_behind_its_readings_and_answers_who_asked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, asked_at_s: float, mode: str
) -> None:
    bench, ids = Bench(tmp_path), DaemonIds(97)
    asked: list[str] = []

    async def ask(task: CellTask) -> None:
        requests = Requests({CELL: task}, bench.ledger, ids)
        told = await requests.request({"via": "socket", "cell": CELL, "sample_id": "S"})
        asked.append(told["request"])

    patient = cell_settings(replace(SHORT, min_wait_s=600.0, max_wait_s=900.0), mode=mode)
    await bench.run(meter_readings(60), 60, settings=patient, events={asked_at_s: ask})
    bench.ledger.journal._database.execute(  # what a kill left: the stop and all behind it is missing
        "DELETE FROM journal WHERE seq >= (SELECT seq FROM journal WHERE record LIKE '%\"stopped\"%')"
    )
    monkeypatch.setattr(recovery, "ENGINE_VERSION", 99)
    found = recover(bench.ledger.journal, bench.ledger.readings, CELL)
    assert found is not None
    answer, end = (body.as_json() for body in found.missing)
    assert (answer["request"], answer["sample_id"], answer["verdict"]) == (asked[0], "S", "refused")
    assert answer["reasons"][0] == "stopped"
    assert answer["began"] < answer["ended"] == end["at"]
    last = max(int(body["id"].split(".")[2]) for body in bench.engine_bodies())
    assert [each["id"] for each in (answer, end)] == [f"{CELL}.1.{last + 1}", f"{CELL}.1.{last + 2}"]
    began_utc_ms = utc_ms(bench.engine_bodies()[0]["at"])
    span = bench.ledger.readings.ends_ms(CELL, 1, anchor_utc_ms=began_utc_ms)
    assert span is not None
    assert utc_ms(end["at"]) == began_utc_ms + span[1]
    await bench.ledger.close()


async def test_a_checkpoint_of_another_program_is_named_and_done_without(
    tmp_path: Path,
) -> None:
    ledger = await leak_killed(tmp_path)
    other = CheckpointBody(
        id="daemon.1.1", cell=CELL, at="2026-09-21T15:00:00.000Z", segment=None, ms=None, state={}
    )
    (stored,) = await ledger.record([other])
    with structlog.testing.capture_logs() as logs:
        found = judged_again(ledger)
    assert found.engine.open_episodes == ()
    assert f"record {stored.seq} ({CELL}): the checkpoint cannot be restored" in str(logs[0]["why"])
    await ledger.close()


def test_a_ledger_of_an_older_program_is_taken_up(tmp_path: Path) -> None:
    shutil.copytree(Path(__file__).parents[1] / "data" / "ledgers" / "schema-1", tmp_path / "ledger")
    with (
        Journal(tmp_path / "ledger") as journal,
        closing(ReadingsFiles(tmp_path / "ledger", read_only=True)) as readings,
    ):
        assert journal.last_run() == 2
        found = recover(journal, readings, CELL)
        assert found is not None
        assert found.missing == ()
        assert found.engine.settings.line.slope_pct == 98.4
        assert recompute(journal, readings, CELL, tell=lambda _seq: None).same > 0
