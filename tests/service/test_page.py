"""The page's process beside the daemon."""

import asyncio
import os
import signal
import socket
from pathlib import Path

import pytest
import structlog

from quietcell.config import Config, parse_config
from quietcell.errors import ConfigError
from quietcell.outlets.follower import Backoff
from quietcell.service import page as page_module
from quietcell.service.page import Page
from tests.config.fake_drivers import DRIVERS
from tests.support.until import until


async def test_without_the_extra_the_daemon_goes_on_and_says_how_to_get_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(page_module, "find_spec", lambda _: None)
    config = parse_config("[cells.a]\n[panel]\nport = 0", "a.toml", DRIVERS)
    with structlog.testing.capture_logs() as told:
        async with Page(config, tmp_path):
            pass
    assert [entry["event"] for entry in told] == ["no page: install it with pip install 'quietcell[panel]'"]


async def test_a_page_that_dies_is_started_anew_and_ends_with_the_daemon(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(page_module, "Backoff", lambda: Backoff(0.01, 0.02))
    config = parse_config("[cells.a]\n[panel]\nport = 0", "a.toml", DRIVERS)
    async with Page(config, tmp_path) as page:
        await until(lambda: page.pid is not None)
        first = page.pid
        assert first is not None
        os.kill(first, signal.SIGKILL)
        await until(lambda: page.pid not in {None, first})
        second = page.pid
        assert second is not None
    with pytest.raises(ProcessLookupError):
        os.kill(second, 0)


async def test_a_page_that_says_nothing_sensible_ends_nothing_and_is_tried_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    speaker = tmp_path / "speaker"
    speaker.write_text("#!/bin/sh\necho out of memory\n")
    speaker.chmod(0o755)
    monkeypatch.setattr("sys.executable", str(speaker))
    monkeypatch.setattr(page_module, "Backoff", lambda: Backoff(0.01, 0.02))
    config = parse_config("[cells.a]\n[panel]\nport = 0", "a.toml", DRIVERS)
    with structlog.testing.capture_logs() as told:
        async with Page(config, tmp_path):
            await until(lambda: len(told) > 1)
    assert {entry["event"] for entry in told} == {"page cannot be started"}


async def test_a_changed_panel_starts_the_page_anew_and_one_taken_out_ends_it(tmp_path: Path) -> None:
    def config(text: str) -> Config:
        return parse_config(f"[cells.a]\n{text}", "a.toml", DRIVERS)

    async with Page(config(""), tmp_path) as page:
        assert page.pid is None
        pids: list[int | None] = []
        for text in ("[panel]\nport = 0", '[panel]\nport = 0\nhost = "127.0.0.2"'):
            before = page.pid
            await page.adopt(config(text))
            await until(lambda before=before: page.pid not in {None, before})  # type: ignore[misc] # bound now
            pids.append(page.pid)
        await page.adopt(config(text))
        assert page.pid == pids[-1]
        (tmp_path / "token").mkdir()
        with pytest.raises(ConfigError, match=r"panel\.token"):
            await page.adopt(config(f'[panel]\ntoken = {{ file = "{tmp_path / "token"}" }}'))
        assert page.pid == pids[-1]
        await page.adopt(config(""))
    assert len(set(pids)) == 2
    for pid in pids:
        assert pid is not None
        with pytest.raises(ProcessLookupError):
            os.kill(pid, 0)


async def test_the_log_names_the_port_that_was_free_and_says_once_that_none_can_be_had(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(page_module, "Backoff", lambda: Backoff(0.01, 0.02))
    with structlog.testing.capture_logs() as told, socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        async with Page(parse_config("[cells.a]\n[panel]\nport = 0", "a.toml", DRIVERS), tmp_path) as page:
            await until(lambda: bool(told))
            await page.adopt(parse_config(f"[cells.a]\n[panel]\nport = {port}", "a.toml", DRIVERS))
            await until(lambda: len(told) > 1)
            first = page.pid
            await until(lambda: page.pid != first)  # tried again
    free, taken = told
    assert free["event"] == "page"
    assert not free["address"].endswith(":0/")
    assert taken["event"] == "page cannot be served"
    assert taken["text"].startswith(f"http://127.0.0.1:{port}/: Address already in use. Look at panel.host")


async def test_whoever_sends_what_is_no_request_writes_no_log(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    config = parse_config("[cells.a]\n[panel]\nport = 0", "a.toml", DRIVERS)
    with structlog.testing.capture_logs() as told:
        async with Page(config, tmp_path):
            await until(lambda: bool(told))
            port = int(told[0]["address"].rstrip("/").rpartition(":")[2])
            reader, writer = await asyncio.open_connection("127.0.0.1", port)
            writer.write(b"\x16\x03\x01 a handshake where none is wanted\r\n\r\n")
            assert b" 400 " in await reader.readline()
            writer.close()
            await writer.wait_closed()
    assert capfd.readouterr().err == ""


async def test_modules_in_the_folder_it_is_started_in_count_for_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "starlette.py").write_text("raise SystemExit('somebody put this here')")
    monkeypatch.chdir(tmp_path)
    with structlog.testing.capture_logs() as told:
        async with Page(parse_config("[cells.a]\n[panel]\nport = 0", "a.toml", DRIVERS), tmp_path):
            await until(lambda: bool(told))
    assert [log["event"] for log in told] == ["page"]
