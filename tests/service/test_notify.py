"""What a service manager hears: ready, alive only while everything moves, reloading, stopping."""

import asyncio
import os
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from quietcell.config import Config, parse_config
from quietcell.contracts import DriverTable
from quietcell.errors import ConfigError
from quietcell.service.clock import SystemClock
from quietcell.service.daemon import Daemon
from quietcell.service.notify import Notifier
from quietcell.service.watchdog import ROUNDS, feed_watchdog
from tests.support.clocks import SteppedClock
from tests.support.steady_driver import SteadyDriver
from tests.support.until import cancelled, until

PATIENCE_S = 80.0


class Manager:
    """The socket of a service manager."""

    def __init__(self, address: str) -> None:
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(address)
        self._socket.setblocking(False)
        shown = address.replace("\0", "@", 1)
        self.environment = {"NOTIFY_SOCKET": shown, "WATCHDOG_USEC": str(round(PATIENCE_S * 1e6))}

    def heard(self) -> list[str]:
        """Return the messages since the last look."""
        messages: list[str] = []
        while True:
            try:
                messages.append(self._socket.recv(4096).decode())
            except BlockingIOError:
                return messages

    def close(self) -> None:
        self._socket.close()


@pytest.fixture(params=["path", "abstract"])
def manager(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Manager]:
    """A manager's socket in the file system, and one outside it."""
    name = f"\0quietcell-{os.getpid()}-{id(request)}" if request.param == "abstract" else str(tmp_path / "n")
    made = Manager(name)
    yield made
    made.close()


def test_states_are_told_as_lines_and_a_status_is_one_line(manager: Manager) -> None:
    told = Notifier(manager.environment)
    told.ready("measuring live-feed-room")
    told.status("two\nlines \x1b[31m")
    told.reloading()
    told.stopping()
    ready, status, reloading, stopping = manager.heard()
    assert ready == "READY=1\nSTATUS=measuring live-feed-room"
    assert status == "STATUS=two?lines ?[31m"
    assert reloading.startswith("RELOADING=1\nMONOTONIC_USEC=")
    assert stopping == "STOPPING=1\nSTATUS=stopping"


def test_without_a_manager_or_with_one_that_is_gone_nothing_happens(tmp_path: Path) -> None:
    Notifier({}).ready("measuring")
    Notifier({"NOTIFY_SOCKET": str(tmp_path / "gone")}).alive()


@pytest.mark.parametrize(
    ("environment", "watchdog_s"),
    [
        ({}, None),
        ({"WATCHDOG_USEC": "60000000"}, 60.0),
        ({"WATCHDOG_USEC": "60000000", "WATCHDOG_PID": str(os.getpid())}, 60.0),
        ({"WATCHDOG_USEC": "60000000", "WATCHDOG_PID": "1"}, None),
        ({"WATCHDOG_USEC": "0"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
    ],
)
def test_the_watchdog_is_fed_only_where_it_watches_this_process(
    environment: dict[str, str], watchdog_s: float | None
) -> None:
    assert Notifier(environment).watchdog_s == watchdog_s


class Watched:
    """A watchdog on a clock in the hand, over a writer and cells that can be stuck."""

    def __init__(self, manager: Manager) -> None:
        self.manager = manager
        self.clock = SteppedClock()
        self.writer = asyncio.Event()
        self.writer.set()
        self.steps: dict[str, int | None] = {"live-feed-room": 0, "larval-hall": 0}
        self.moving = {"live-feed-room", "larval-hall"}

    async def feeding(self) -> None:
        await feed_watchdog(
            Notifier(self.manager.environment),
            self.clock,
            writer_answers=self.writer.wait,
            steps=lambda: self.steps,
        )

    async def fed(self, rounds: int) -> int:
        """Let some rounds pass and return how often the watchdog was fed."""
        for _ in range(rounds):
            self.steps.update({name: (self.steps[name] or 0) + 1 for name in self.moving})
            await self.clock.step(round(PATIENCE_S * 1000 / ROUNDS))
        messages = self.manager.heard()
        assert set(messages) <= {"WATCHDOG=1"}
        return len(messages)


async def test_watchdog_is_fed_only_on_progress_of_writer_and_every_due_cell(tmp_path: Path) -> None:
    manager = Manager(str(tmp_path / "n"))
    watched = Watched(manager)
    task = asyncio.create_task(watched.feeding())
    await watched.clock.step(0)
    assert await watched.fed(3) == 3
    watched.writer.clear()  # the writer is stuck
    assert await watched.fed(3 * ROUNDS) == 0
    watched.writer.set()
    assert await watched.fed(3) >= 2
    watched.moving = {"larval-hall"}  # a cell stands still
    assert await watched.fed(3 * ROUNDS) == 0
    watched.steps["live-feed-room"] = None  # it broke and waits to begin anew: nothing is due
    assert await watched.fed(3) == 3
    watched.moving = {"live-feed-room", "larval-hall"}
    assert await watched.fed(3) == 3
    await cancelled(task)
    manager.close()


async def test_no_watchdog_asked_for_means_no_feeding(tmp_path: Path) -> None:
    manager = Manager(str(tmp_path / "n"))
    del manager.environment["WATCHDOG_USEC"]
    await Watched(manager).feeding()
    assert manager.heard() == []
    manager.close()


CONFIGURATION = """
[site]
name = "merrow-sound"
[store]
folder = "state"
[cells.live-feed-room]
driver = "steady"
settings = {}
calibration = { slope_pct = 98.4, zero_mv = 3.1 }
"""
DRIVERS: DriverTable = {"steady": SteadyDriver}


async def test_daemon_tells_ready_alive_reloading_and_stopping(tmp_path: Path) -> None:
    manager = Manager(str(tmp_path / "n"))
    manager.environment["WATCHDOG_USEC"] = "400000"
    rereads: list[Config | ConfigError] = [ConfigError(["quietcell.toml:3: site.name: is wrong"])]

    def configuration(more: str = "") -> Config:
        return parse_config(CONFIGURATION + more, str(tmp_path / "quietcell.toml"), DRIVERS)

    def reread() -> Config:
        if isinstance(found := rereads.pop(), Exception):
            raise found
        return found

    daemon = Daemon(
        config=configuration(),
        drivers=DRIVERS,
        clock=SystemClock(),
        reread=reread,
        notifier=Notifier(manager.environment),
    )
    stop = asyncio.Event()
    running = asyncio.create_task(daemon.run(stop))
    heard: list[str] = []

    def seen(start: str, times: int = 1) -> bool:
        heard.extend(manager.heard())
        return sum(message.startswith(start) for message in heard) >= times

    await until(lambda: seen("READY=1"))
    await until(lambda: seen("WATCHDOG=1", 2))
    daemon.reload_asked.set()
    await until(lambda: seen("READY=1\nSTATUS=the changed configuration was not taken over, see the log; m"))
    rereads.append(configuration('[cells.larval-hall]\ndriver = "steady"\nsettings = {}\n' + CALIBRATED))
    daemon.reload_asked.set()
    await until(lambda: seen("READY=1\nSTATUS=measuring live-feed-room, larval-hall"))
    stop.set()
    async with asyncio.timeout(20):
        await running
    assert seen("STOPPING=1")
    states = [message.split("=")[0] for message in heard if not message.startswith("WATCHDOG")]
    assert states == ["READY", "RELOADING", "READY", "RELOADING", "READY", "STOPPING"]
    manager.close()


CALIBRATED = "calibration = { slope_pct = 98.4, zero_mv = 3.1 }\n"
