"""Who asks just after the start waits for the cells, and does not hear that there are none."""

import asyncio
import errno
from collections.abc import AsyncIterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from structlog.testing import capture_logs

from quietcell.config import load_config
from quietcell.errors import ConfigError, LedgerError
from quietcell.ledger.chain import Stored
from quietcell.ledger.cursors import Cursor, Cursors
from quietcell.ledger.journal import Journal
from quietcell.outlets.folder_lock import FolderLocks
from quietcell.service import cells, commands
from quietcell.service.clock import SystemClock
from quietcell.service.control import NAME, ask
from quietcell.service.daemon import Daemon
from quietcell.service.resume import resume
from tests.support.steady_driver import SteadyDriver
from tests.support.until import until

TEXT = """
[site]
name = "merrow-sound"
[store]
folder = "state"
[cells.live-feed-room]
driver = "steady"
settings = {}
"""
NOTE = {"command": "note", "cell": "live-feed-room", "text": "tubing changed"}


@pytest.fixture
async def judged(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[asyncio.Event]:
    """A daemon that still judges what a killed run left behind; set, it goes on."""
    go_on = asyncio.Event()

    async def slow(*given: Any, **more: Any) -> object:
        await go_on.wait()
        return await resume(*given, **more)

    monkeypatch.setattr(cells, "resume", slow)
    stop = asyncio.Event()
    running = asyncio.create_task(daemon(tmp_path).run(stop))
    await until((tmp_path / "state" / NAME).exists)
    yield go_on
    go_on.set()
    stop.set()
    async with asyncio.timeout(20):
        await running


def daemon(folder: Path, more: str = "") -> Daemon:
    path = folder / "quietcell.toml"
    path.write_text(TEXT + more)
    drivers = {"steady": SteadyDriver}
    return Daemon(config=load_config(path, drivers), drivers=drivers, clock=SystemClock())


async def test_a_start_that_is_refused_tells_every_fault_beside_the_configuration_and_is_no_run(
    tmp_path: Path,
) -> None:
    broker = 'host = "127.0.0.1"\npassword = { file = "gone" }\ntls = { ca = "none.pem" }\n'
    more = f'[outlets.mqtt]\n{broker}[panel]\ntoken = {{ file = "away" }}\n'
    with pytest.raises(ConfigError) as refused:
        await daemon(tmp_path, more).run(asyncio.Event())
    keys = [fault.partition(":")[0] for fault in refused.value.faults]
    assert sorted(keys) == ["outlets.mqtt.password", "outlets.mqtt.tls.ca", "panel.token"]
    assert not (tmp_path / "state").exists()


async def test_a_start_beside_a_daemon_that_writes_to_the_same_folder_is_no_run(tmp_path: Path) -> None:
    with FolderLocks() as locks:
        locks.take([tmp_path / "results"])
        with pytest.raises(ConfigError, match="another quietcell writes to"):
            await daemon(tmp_path, '[outlets.files]\nfolder = "results"\n').run(asyncio.Event())
    with Journal(tmp_path / "state") as journal:
        assert list(journal.all()) == []


async def test_a_command_about_a_cell_waits_until_it_has_begun(judged: asyncio.Event, tmp_path: Path) -> None:
    asking = asyncio.create_task(ask(tmp_path / "state", NOTE))
    assert (await ask(tmp_path / "state", {"command": "status"}))["cells"] == []
    assert not asking.done()
    judged.set()
    assert (await asking)["ok"]


@pytest.mark.usefixtures("judged")
async def test_cells_that_take_long_are_said_to(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(commands, "BEGIN_S", 0.01)
    answer = await ask(tmp_path / "state", NOTE)
    assert answer == {"ok": False, "error": "the cells have not begun yet. Ask again in a moment"}


async def test_a_start_that_waits_for_a_failing_disk_can_be_stopped(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> list[Stored]:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(Journal, "append", full)
    stop = asyncio.Event()
    with capture_logs() as logs:
        running = asyncio.create_task(daemon(tmp_path).run(stop))
        await until(lambda: any(log["event"] == "the disk of the ledger fails" for log in logs))
        stop.set()
        with pytest.raises(LedgerError, match="commit failed"):
            async with asyncio.timeout(20):
                await running


async def test_a_ledger_that_begins_is_told_of_and_one_that_goes_on_is_not(tmp_path: Path) -> None:
    stop = asyncio.Event()
    with capture_logs() as logs:
        for _ in range(2):
            stop.clear()
            await daemon(tmp_path).run(stop, ready=stop.set)
    folders = [log["folder"] for log in logs if log["event"] == "a new ledger begins here"]
    assert folders == [str(tmp_path / "state")]


async def test_outlets_ahead_of_a_journal_that_lost_records_deliver_what_comes(tmp_path: Path) -> None:
    folder, files = tmp_path / "state", '[outlets.files]\nfolder = "results"\n'
    folder.mkdir()
    with closing(Cursors(folder)) as cursors:
        cursors.put("files.jsonl", Cursor(1000, {}))
    stop, begun = asyncio.Event(), asyncio.Event()
    running = asyncio.create_task(daemon(tmp_path, files).run(stop, ready=begun.set))
    async with asyncio.timeout(20):
        await begun.wait()
        await ask(folder, NOTE)
        stop.set()
        await running
    with Journal(folder) as journal:
        written = "".join(path.read_text() for path in (tmp_path / "results").glob("*.jsonl"))
        assert written.splitlines() == [record.text for record in journal.all()]
        (storage,) = (record.body() for record in journal.of_kind("storage"))
    assert "files.jsonl up to record 1000, but the ledger ends with 0: the disk lost" in storage["text"]
