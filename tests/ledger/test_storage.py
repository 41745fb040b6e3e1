"""A disk that is full or fails: records before readings, nothing acknowledged lost, and it says so."""

import asyncio
from contextlib import closing
from itertools import count
from pathlib import Path
from typing import Any
from unittest.mock import Mock

import pytest
import structlog

from quietcell.core.records import Json, SegmentBody
from quietcell.core.times import rfc3339
from quietcell.errors import LedgerError
from quietcell.ledger import ledger as ledger_module
from quietcell.ledger.journal import Journal
from quietcell.ledger.ledger import Ledger, Stamp
from quietcell.ledger.readings_files import ReadingsFiles, SegmentReadings
from quietcell.ledger.storage import RESERVE_NAME, Reserve
from quietcell.ledger.verify import verify
from quietcell.service.digests import record_digest
from quietcell.service.records import DaemonIds
from tests.support.ledgers import note, open_ledger
from tests.support.streams import ANCHOR_UTC_MS, readings
from tests.support.until import until

BLOCK = readings(2000)


@pytest.fixture(autouse=True)
def brief(monkeypatch: pytest.MonkeyPatch) -> None:
    """No pause between attempts, and no space until a test gives some."""
    monkeypatch.setattr(ledger_module, "RETRY_S", 0.01)
    monkeypatch.setattr(Reserve, "space_is_back", lambda _: False)


def opened(folder: Path) -> Ledger:
    ledger, ordinals = open_ledger(folder), count(1)
    ledger.give_ids(lambda: f"daemon.1.{next(ordinals)}")
    return ledger


def keep(ledger: Ledger, first: int, behind: int) -> None:
    part = BLOCK[first:behind]
    ledger.keep(SegmentReadings(cell="live-feed-room", segment=1, anchor_utc_ms=ANCHOR_UTC_MS, block=part))


def limit_readings(ledger: Ledger, pages: int) -> None:
    """Let the readings file grow no further, as on a full disk."""
    ledger.readings._month("2026-09").execute(f"PRAGMA max_page_count = {pages}")


def limit_journal(ledger: Ledger, pages: int) -> None:
    ledger.journal._database.execute(f"PRAGMA max_page_count = {pages}")


def told(ledger: Ledger) -> list[tuple[str, Json]]:
    """Kind of each record, with what it says of the disk."""
    bodies = [record.body() for record in ledger.journal.all()]
    return [(body["record"], body.get("state", body.get("readings"))) for body in bodies]


async def test_a_full_disk_drops_readings_says_so_and_takes_records(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ledger = opened(tmp_path)
    keep(ledger, 0, 10)
    await ledger.flush()
    assert (tmp_path / RESERVE_NAME).stat().st_size == ledger_module.RESERVE_BYTES
    limit_readings(ledger, 1)
    keep(ledger, 10, 1000)
    await ledger.flush()
    assert told(ledger) == [("storage", "full"), ("readings-dropped", 990)]
    assert not (tmp_path / RESERVE_NAME).exists()
    assert "full; readings are dropped" in ledger.trouble
    await ledger.record([note(1)])
    keep(ledger, 1000, 1100)
    await ledger.record([note(2)])
    monkeypatch.setattr(Reserve, "space_is_back", lambda _: True)
    limit_readings(ledger, 10**6)
    keep(ledger, 1100, 1200)
    with structlog.testing.capture_logs() as logs:
        await ledger.record([note(3)])
    assert "the disk of the ledger has room again" in [log["event"] for log in logs]
    assert told(ledger)[2:] == [
        ("note", None),
        ("note", None),
        ("storage", "recovered"),
        ("readings-dropped", 1090),
        ("note", None),
    ]
    last = [record.body() for record in ledger.journal.all()][-2]
    assert (last["from_ms"], last["upto_ms"]) == (int(BLOCK.ms[10]), int(BLOCK.ms[1099]))
    assert sum(len(block) for block in ledger.readings.of_segment("live-feed-room", 1)) == 110
    assert (tmp_path / RESERVE_NAME).exists()
    assert (ledger.interruptions, ledger.trouble) == (1, "")
    await ledger.close()


async def test_a_disk_that_says_it_has_room_and_takes_nothing_is_not_believed_at_every_commit(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    now_ms = [ANCHOR_UTC_MS]
    ledger, ordinals = Ledger(tmp_path, stamp=lambda: Stamp(now_ms[0], "synchronised")), count(1)
    ledger.give_ids(lambda: f"daemon.1.{next(ordinals)}")
    monkeypatch.setattr(Reserve, "space_is_back", lambda _: True)
    keep(ledger, 0, 10)
    await ledger.flush()
    limit_readings(ledger, 1)
    for second in range(50):
        keep(ledger, 10 + 10 * second, 20 + 10 * second)
        await ledger.record([note(second)])
        now_ms[0] += 1000
    storage = [state for kind, state in told(ledger) if kind == "storage"]
    assert storage == ["full", "recovered", "full"]
    assert ledger.interruptions == 1
    limit_readings(ledger, 10**6)
    now_ms[0] += 60_000
    await ledger.record([note(51)])
    assert ledger.trouble == ""
    await ledger.close()


async def test_records_wait_for_a_disk_that_takes_nothing_and_measuring_does_not(tmp_path: Path) -> None:
    ledger = opened(tmp_path)
    await ledger.record([note(1)])
    limit_journal(ledger, 1)
    for number in range(2, 40):
        async with asyncio.timeout(20):
            await ledger.submit([note(number, "x" * 2000)])
    assert ledger.seq < 39
    assert "database or disk is full" in ledger.trouble
    limit_journal(ledger, 10**6)
    with structlog.testing.capture_logs() as logs:
        async with asyncio.timeout(20):
            await ledger.record([note(40)])
    assert [log["event"] for log in logs] == ["the disk of the ledger works again"]
    kinds = told(ledger)
    assert kinds.count(("note", None)) == 40
    assert ("storage", "recovered") in kinds
    notes = [r.body()["id"] for r in ledger.journal.all() if r.body()["record"] == "note"]
    assert notes == [f"live-feed-room.1.{number}" for number in range(1, 41)]
    await ledger.close()


async def test_a_stop_does_not_wait_for_a_disk_for_ever(tmp_path: Path) -> None:
    ledger = opened(tmp_path)
    limit_journal(ledger, 1)
    await ledger.submit([note(1, "x" * 100_000)])
    with pytest.raises(LedgerError, match="commit failed"):
        async with asyncio.timeout(20):
            await ledger.close()


async def test_readings_wait_for_a_failing_disk_up_to_a_limit(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ledger_module, "MOST_READINGS", 500)
    ledger = opened(tmp_path)
    append, failing, tries = ledger.readings.append, True, count()
    tried = 0

    def fail(batch: list[SegmentReadings]) -> None:
        nonlocal tried
        tried = next(tries)
        if failing:
            raise OSError(5, "Input/output error")
        append(batch)

    monkeypatch.setattr(ledger.readings, "append", fail)
    for first in range(0, 1000, 100):
        keep(ledger, first, first + 100)
        ledger._commit_readings()
        await asyncio.sleep(0.005)
    before = tried
    await until(lambda: tried > before + 1)  # it has failed with all of them
    failing = False
    async with asyncio.timeout(20):
        await ledger.flush()
        await ledger.record([note(1)])
    stored = sum(len(block) for block in ledger.readings.of_segment("live-feed-room", 1))
    (dropped,) = (count for kind, count in told(ledger) if kind == "readings-dropped")
    assert 400 <= stored <= 600
    assert stored + dropped == 1000
    await ledger.close()


def test_a_disk_without_room_for_it_gets_no_half_reserve(tmp_path: Path) -> None:
    Reserve(tmp_path, 2**60).set_up()
    assert not (tmp_path / RESERVE_NAME).exists()


@pytest.mark.parametrize("first_byte", [0, 4096])
async def test_a_damaged_readings_file_is_set_aside_and_measuring_goes_on(
    tmp_path: Path, first_byte: int
) -> None:
    ledger = opened(tmp_path)
    keep(ledger, 0, 1000)
    await ledger.flush()
    await ledger.close()
    path = tmp_path / "readings-2026-09.sqlite"
    stored = bytearray(path.read_bytes())
    stored[first_byte:] = b"x" * (len(stored) - first_byte)
    path.write_bytes(stored)
    ledger = opened(tmp_path)
    keep(ledger, 1000, 1100)
    await ledger.record([note(1)])
    assert told(ledger) == [("storage", "damaged"), ("note", None)]
    assert "readings-2026-09.sqlite.damaged-1" in next(iter(ledger.journal.all())).body()["text"]
    assert (tmp_path / "readings-2026-09.sqlite.damaged-1").read_bytes()[first_byte:] == stored[first_byte:]
    assert ledger.readings.months() == ["2026-09"]
    assert sum(len(block) for block in ledger.readings.of_segment("live-feed-room", 1)) == 100
    await ledger.close()


async def test_readings_that_a_full_disk_drops_are_counted_once_however_often_it_is_tried(
    tmp_path: Path,
) -> None:
    ledger = opened(tmp_path)
    await ledger.record([note(1)])
    limit_readings(ledger, 1)
    limit_journal(ledger, 1)
    keep(ledger, 0, 990)
    await ledger.submit([note(2, "x" * 100_000)])
    await asyncio.sleep(0.1)  # it is tried again and again meanwhile
    limit_journal(ledger, 10**6)
    async with asyncio.timeout(20):
        await ledger.record([note(3)])
    assert [count for kind, count in told(ledger) if kind == "readings-dropped"] == [990]
    await ledger.close()


async def test_readings_stored_before_a_record_that_fails_are_stored_once_and_not_dropped(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ledger = opened(tmp_path)
    append, faults = ledger.journal.append, [OSError(5, "Input/output error"), OSError(28, "no space"), None]

    def fail(*what: Any) -> Any:
        if (fault := faults.pop(0) if faults else None) is not None:
            raise fault
        return append(*what)

    monkeypatch.setattr(ledger.journal, "append", fail)
    keep(ledger, 0, 1)
    await ledger.submit([note(1)])
    async with asyncio.timeout(20):
        await ledger.record([note(2)])
    assert sum(len(block) for block in ledger.readings.of_segment("live-feed-room", 1)) == 1
    assert "readings-dropped" not in [kind for kind, _ in told(ledger)]
    await ledger.close()


async def test_who_only_submits_waits_for_no_failing_disk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ledger_module, "RETRY_S", 3600.0)
    ledger = opened(tmp_path)
    with monkeypatch.context() as fault:
        fault.setattr(ledger.journal, "append", Mock(side_effect=OSError(5, "Input/output error")))
        async with asyncio.timeout(20):
            await ledger.submit([note(1)])  # until it fails
            await ledger.submit([note(2)])
        assert ledger.failing
    await ledger.close()  # tries once more
    with Journal(tmp_path) as journal:
        stored = [record.body() for record in journal.all()]
    assert [body["record"] for body in stored] == ["storage", "note", "note"]


async def test_no_digest_is_taken_while_readings_wait_for_a_failing_disk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ledger, ids = opened(tmp_path), DaemonIds(5)
    began = SegmentBody(
        id="live-feed-room.1.1",
        cell="live-feed-room",
        at=rfc3339(ANCHOR_UTC_MS),
        segment=1,
        state="began",
        cause="started",
    )
    await ledger.record([began])
    keep(ledger, 0, 10)
    await ledger.flush()

    async def digest() -> None:
        complete = (1, int(BLOCK.ms[19]))
        await record_digest(ledger, ids, "live-feed-room", utc_ms=ANCHOR_UTC_MS, complete=complete)

    with monkeypatch.context() as fault:
        fault.setattr(ledger.readings, "append", Mock(side_effect=OSError(5, "Input/output error")))
        keep(ledger, 10, 20)
        await ledger.submit([note(2)])
        await digest()
    async with asyncio.timeout(20):
        await ledger.flush()
    await digest()
    await ledger.close()
    with Journal(tmp_path) as journal, closing(ReadingsFiles(tmp_path, read_only=True)) as files:
        assert verify(journal, files, tell=lambda _: None).readings == 20
