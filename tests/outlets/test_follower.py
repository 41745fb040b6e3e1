"""An outlet that cannot deliver waits alone; one that breaks starts anew; measuring never notices."""

import asyncio
import errno
import os
import threading
from pathlib import Path

import pytest
import structlog

from quietcell.core.times import rfc3339
from quietcell.ledger.chain import Stored
from quietcell.ledger.cursors import Cursors
from quietcell.outlets import follower
from quietcell.outlets.files import DailyFiles
from quietcell.outlets.follower import Backoff, FileOutlet, supervise
from quietcell.service.outlets import json_sheet
from tests.support.delivery import HeldBackoff
from tests.support.ledgers import note, open_ledger
from tests.support.streams import ANCHOR_UTC_MS
from tests.support.until import cancelled, until

QUICK_S = 0.001


async def test_a_full_disk_is_told_once_and_the_outlet_goes_on_when_there_is_room(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ledger = open_ledger(tmp_path)
    cursors = Cursors(tmp_path)
    today = tmp_path / "out" / f"records-{rfc3339(ANCHOR_UTC_MS)[:10]}.jsonl"
    sync, full = os.fsync, True

    def sync_if_there_is_room(descriptor: int) -> None:
        if full:
            raise OSError(errno.ENOSPC, "No space left on device")
        sync(descriptor)

    monkeypatch.setattr(os, "fsync", sync_if_there_is_room)
    outlet = FileOutlet(
        ledger, DailyFiles(today.parent, json_sheet(), cursors), backoff=Backoff(QUICK_S, QUICK_S)
    )
    with structlog.testing.capture_logs() as logs:
        running = asyncio.create_task(outlet.run())
        for number in range(1, 4):
            await ledger.record([note(number)])
            await until(lambda: not outlet.working)
        assert outlet.state == f"{today.parent}: No space left on device"
        assert (outlet.seq, ledger.seq) == (0, 3)
        full = False
        await until(lambda: outlet.working and outlet.seq == 3)
        await cancelled(running)
    assert [log["event"] for log in logs] == ["files not written, trying again", "files written again"]
    assert today.read_text().count("\n") == 3
    await ledger.close()
    cursors.close()


async def test_a_stop_lets_a_write_come_to_its_end(tmp_path: Path) -> None:
    class Slow:
        name = "slow"
        folder = tmp_path
        seq = 0
        began = threading.Event()
        go_on = threading.Event()

        def write(self, records: list[Stored]) -> None:
            self.began.set()
            assert self.go_on.wait(20)
            self.seq = records[-1].seq

    ledger = open_ledger(tmp_path)
    slow = Slow()
    running = asyncio.create_task(FileOutlet(ledger, slow).run())
    await ledger.record([note(1)])
    await until(slow.began.is_set)
    running.cancel()
    await asyncio.sleep(0)
    assert not running.done()
    slow.go_on.set()
    with pytest.raises(asyncio.CancelledError):
        await running
    assert slow.seq == 1
    await ledger.close()


async def test_an_outlet_that_breaks_is_logged_and_starts_anew_after_ever_longer_pauses(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    backoff = HeldBackoff()
    monkeypatch.setattr(follower, "Backoff", lambda: backoff)
    pauses: list[int] = []

    async def run() -> None:
        pauses.append(backoff.in_a_row)
        if len(pauses) < 3:
            raise RuntimeError("a mistake")
        if len(pauses) == 3:  # breaks after it has run for long
            monkeypatch.setattr(follower, "RETRY_LONGEST_S", -1.0)
            raise RuntimeError("a mistake")
        await asyncio.Event().wait()

    with structlog.testing.capture_logs() as logs:
        keeping = asyncio.create_task(supervise(run, "broken"))
        await until(lambda: len(pauses) == 4)
        await cancelled(keeping)
    assert pauses == [0, 1, 2, 1]
    assert [(log["event"], log["outlet"]) for log in logs] == [
        ("outlet broke, starting it anew", "broken")
    ] * 3


async def test_pauses_grow_to_a_cap_and_shrink_when_something_worked(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    slept: list[float] = []

    async def sleep(seconds: float) -> None:
        slept.append(seconds)

    monkeypatch.setattr(asyncio, "sleep", sleep)
    backoff = Backoff(1.0, 4.0)
    for _ in range(4):
        await backoff.pause()
    backoff.worked()
    await backoff.pause()
    for seconds, nominal in zip(slept, [1, 2, 4, 4, 1], strict=True):
        assert 0.8 * nominal <= seconds <= 1.2 * nominal
