"""The real program in a process of its own, with a meter on a pseudo-terminal."""

import contextlib
import json
import os
import random
import signal
import threading
import time
from abc import ABC, abstractmethod
from collections.abc import Callable
from multiprocessing.context import ForkServerProcess
from pathlib import Path
from typing import Self

from quietcell.core.records import Json
from quietcell.errors import LedgerError
from quietcell.ledger.journal import Journal
from quietcell_drivers.pseudo_terminal import PseudoTerminal
from tests.support.command import ran
from tests.support.forked import started
from tests.support.until import PATIENCE_S

CONFIGURATION = """
[site]
name = "merrow-sound"
[store]
folder = "state"
readings_commit_s = 0.2
[criteria.brisk]
based_on = "grab-water"
window_s = 2.0
min_wait_s = 1.0
max_wait_s = 5.0
min_readings = 10
max_gap_s = 1.0
max_remaining_ph = 2.0
max_drift_mv_per_min = 3.0
max_temperature_drift_c_per_min = 5.0
resolution_mv = 0.01
[cells.live-feed-room]
driver = "line-stream"
criterion = "brisk"
every_s = 4.0
settings = {{ port = "{folder}/meter", columns = ["mv", "temperature_c"] }}
[cells.live-feed-room.calibration]
slope_pct = 98.4
zero_mv = 3.1
[outlets.files]
folder = "results"
{more}
"""


def wait_until(true: Callable[[], bool], what: str) -> None:
    """Wait for something to become true, long but not for ever."""
    deadline = time.monotonic() + PATIENCE_S  # noqa: TID251 # waits for real processes
    while not true():
        assert time.monotonic() < deadline, f"waited {PATIENCE_S:.0f} s for {what}"  # noqa: TID251 # same
        time.sleep(0.1)


class TalkingMeter(ABC):
    """A meter outside the daemon that sends a line again and again; a subclass says which."""

    def __init__(self, folder: Path, every_s: float) -> None:
        self.terminal = PseudoTerminal(folder)
        self.silent = False
        self.sent = 0
        self._every_s = every_s
        self._rng = random.Random(1)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._send, daemon=True)

    @abstractmethod
    def line(self) -> str:
        """Return what to send now."""

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()
        self.terminal.unplug()

    def _send(self) -> None:
        while not self._stop.wait(self._every_s):
            line = self.line()
            if not self.silent:
                try:
                    self.terminal.write(f"{line}\r\n".encode())
                    self.sent += 1
                except OSError:
                    continue  # nobody reads, or just pulled


class StreamingMeter(TalkingMeter):
    """In water whose potential may drift; twenty times a second."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder, 0.05)
        self.drift_mv_per_min = 0.0
        self._level_mv = 25.0

    def line(self) -> str:
        self._level_mv += self.drift_mv_per_min / 1200
        return f"{self._level_mv + self._rng.gauss(0, 0.02):.2f};{21 + self._rng.gauss(0, 0.01):.2f}"

    def pull(self) -> None:
        """Pull the plug."""
        self.silent = True
        self.terminal.unplug()

    def plug(self) -> None:
        """Bring the device back under its name."""
        self.terminal.plug()
        self.silent = False


class Program:
    """`quietcell run` in a folder."""

    def __init__(self, folder: Path, more: str = "") -> None:
        self.folder = folder
        self.config = folder / "quietcell.toml"
        self.config.write_text(CONFIGURATION.format(folder=folder, more=more))
        self._process: ForkServerProcess | None = None

    def start(self) -> None:
        """Start it."""
        log = os.open(self.folder / "log", os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o600)
        self._process = started(("run", "--config", str(self.config)), log)

    def end(self, how: signal.Signals) -> int:
        """End it with a signal and return its status."""
        assert self._process is not None
        self.send(how)
        self._process.join(PATIENCE_S)
        status = self._process.exitcode
        assert status is not None, f"it still runs {PATIENCE_S:.0f} s after {how.name}"
        self._process = None
        return status

    def send(self, number: signal.Signals) -> None:
        """Send it a signal."""
        os.kill(self.pid, number)

    @property
    def pid(self) -> int:
        """Number of the process that runs."""
        assert self._process is not None
        assert self._process.pid is not None
        return self._process.pid

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.join()

    def command(self, *arguments: str) -> str:
        """Run another command of the program and return what it prints."""
        return ran(*arguments).out

    def records(self, kind: str = "") -> list[dict[str, Json]]:
        """Return the records of the journal so far, of one kind if named."""
        try:
            with Journal(self.folder / "state") as journal:
                return [record.envelope() for record in (journal.of_kind(kind) if kind else journal.all())]
        except LedgerError:  # not there yet
            return []

    def bodies(self, kind: str = "") -> list[dict[str, Json]]:
        """Return the bodies so far, of one kind if named."""
        return [record["body"] for record in self.records(kind)]

    def wait_for(self, kind: str, count: int = 1, **values: Json) -> list[dict[str, Json]]:
        """Wait until there are `count` bodies of a kind with these values, and return them."""

        def found() -> list[dict[str, Json]]:
            return [b for b in self.bodies(kind) if all(b.get(key) == value for key, value in values.items())]

        wait_until(lambda: len(found()) >= count, f"{count} records {kind} with {values}")
        return found()

    def replayed(self) -> list[dict[str, Json]]:
        """Export the cell's readings, judge them again, and return the bodies."""
        with contextlib.chdir(self.folder):
            self.command("export", "--config", str(self.config), "--out", "live-feed-room.csv")
            self.command("replay", "live-feed-room.csv", "--config", str(self.config), "--out", "again.jsonl")
        bodies = [json.loads(line) for line in (self.folder / "again.jsonl").read_text().splitlines()]
        assert {body.pop("recording") for body in bodies} == {"live-feed-room.csv"}
        return bodies

    def engine_bodies(self) -> list[dict[str, Json]]:
        """Return the bodies that depend on nothing but the engine's input."""
        return [body for body in self.bodies() if not body["id"].startswith("daemon.")]

    def file_lines(self) -> list[dict[str, Json]]:
        """Return the records of the daily files."""
        files = sorted((self.folder / "results").glob("*.jsonl"))
        return [json.loads(line) for file in files for line in file.read_text().splitlines()]
