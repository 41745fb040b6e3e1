"""What the journal holds comes out of the stored input again; what does not is told, with the reason."""

from contextlib import closing
from pathlib import Path

import pytest

from quietcell.core.engine import Engine
from quietcell.core.inputs import EngineInput
from quietcell.core.readings import ReadingBlock
from quietcell.core.records import Body
from quietcell.ledger.journal import Journal
from quietcell.ledger.readings_files import ReadingsFiles
from quietcell.ledger.storage import ReadingsDroppedBody
from quietcell.service import recompute as recompute_module
from quietcell.service.recompute import Recomputed, recompute
from tests.support.ledgers import open_ledger
from tests.support.recorded import CELL, record_run, recorded
from tests.support.streams import ANCHOR_UTC_MS, cell_settings, readings


def again(folder: Path) -> Recomputed:
    with Journal(folder) as journal, closing(ReadingsFiles(folder, read_only=True)) as files:
        return recompute(journal, files, CELL)


def test_two_runs_come_out_again_checkpoints_included(tmp_path: Path) -> None:
    recorded(tmp_path)
    found = again(tmp_path)
    with Journal(tmp_path) as journal:
        bodies = [record.body() for record in journal.all()]
    assert (found.different, dict(found.not_recomputable)) == (0, {})
    assert found.same == sum(body["record"] != "readings-digest" for body in bodies)


def test_a_changed_reading_shows_in_the_record_that_rests_on_it(tmp_path: Path) -> None:
    recorded(tmp_path)
    with closing(ReadingsFiles(tmp_path)) as files:
        files._month("2026-09").execute("UPDATE reading SET mv = mv + 0.01 WHERE segment = 2 AND ms < 9000")
    found = again(tmp_path)
    assert found.different > 0
    assert "another body" in found.differences[0]


def test_removed_readings_show_as_records_that_do_not_come_out(tmp_path: Path) -> None:
    recorded(tmp_path)
    with closing(ReadingsFiles(tmp_path)) as files:
        files._month("2026-09").execute("DELETE FROM reading WHERE segment = 1 AND ms BETWEEN 5000 AND 25000")
    assert again(tmp_path).different > 0


def test_records_of_another_engine_are_counted_and_not_compared(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    recorded(tmp_path)
    monkeypatch.setattr(recompute_module, "ENGINE_VERSION", 99)
    found = again(tmp_path)
    assert (found.same, found.different) == (0, 0)
    assert list(found.not_recomputable) == ["made by engine version 1"]


@pytest.mark.parametrize(("first", "last"), [(50, 55), (80, 89)])  # in between, and up to the segment's end
async def test_dropped_readings_end_the_comparison_until_the_next_checkpoint(
    tmp_path: Path, first: int, last: int
) -> None:
    ledger, engine = open_ledger(tmp_path), Engine(cell_settings())
    block = readings(90)
    await record_run(ledger, engine, block, segment=1, marks=(40,))
    dropped = ReadingsDroppedBody(
        id="daemon.9.1",
        cell=CELL,
        at="2026-09-21T15:00:00.000Z",
        segment=1,
        from_ms=int(block.ms[first]),
        upto_ms=int(block.ms[last]),
        readings=last - first + 1,
    )
    await ledger.record([dropped])
    await record_run(ledger, engine, readings(40), segment=2, utc_ms=ANCHOR_UTC_MS + 100_000)
    database = ledger.readings._month("2026-09")
    database.execute(
        "DELETE FROM reading WHERE segment = 1 AND ms BETWEEN ? AND ?", (dropped.from_ms, dropped.upto_ms)
    )
    await ledger.close()
    found = again(tmp_path)
    assert found.different == 0
    assert list(found.not_recomputable) == ["readings dropped for want of space"]
    assert found.same > 5


def test_an_engine_that_breaks_on_what_was_stored_ends_the_comparison_and_no_more(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    recorded(tmp_path)

    def breaks(self: Engine, item: EngineInput) -> tuple[Body, ...]:
        if isinstance(item, ReadingBlock) and int(item.ms[-1]) > 50_000:
            raise ZeroDivisionError("float division by zero")
        return take(self, item)

    take = Engine.take
    monkeypatch.setattr(Engine, "take", breaks)
    found = again(tmp_path)
    assert "the engine breaks (ZeroDivisionError) on what it was fed" in found.differences[0]
    assert found.not_recomputable["the engine breaks on its input"] > 0
