"""Who works at the bench is heard of while they rinse, and no longer once they have gone."""

import threading
from pathlib import Path
from typing import Any

import pytest

from quietcell.cli import bench_session
from quietcell.cli.bench_session import Session


class Asked:
    """Stands for the daemon and counts how often it hears of someone."""

    def __init__(self) -> None:
        self.commands: list[str] = []
        self.heard_twice = threading.Event()

    async def __call__(self, _folder: Path, request: dict[str, Any]) -> dict[str, Any]:
        self.commands.append(request["command"])
        if self.commands.count("attended") >= 2:
            self.heard_twice.set()
        return {"ok": True, "attendance": "daemon.1.3"}


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> Asked:
    daemon = Asked()
    monkeypatch.setattr(bench_session, "ask", daemon)
    monkeypatch.setattr(bench_session, "HEARD_EVERY_S", 0.001)
    return daemon


def test_the_daemon_hears_of_who_reads_a_prompt(asked: Asked) -> None:
    with Session(Path("nowhere"), "live-feed-room", "Ada").attending("calibration"):
        assert asked.heard_twice.wait(20.0)
    assert asked.commands[0] == "attend"
    assert asked.commands[-1] == "leave"


def test_who_has_gone_is_heard_of_no_longer(asked: Asked, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bench_session, "AWAY_MS", -1)
    with Session(Path("nowhere"), "live-feed-room", "Ada").attending("calibration"):
        pass
    assert asked.commands == ["attend", "leave"]
