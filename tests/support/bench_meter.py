"""A meter whose electrode a test puts from one solution into another, and the program at a terminal."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pexpect
import pytest

from quietcell.core.electrode.nernst import Line
from quietcell.core.records import Json
from quietcell.ledger.journal import Journal
from tests.support.command import Ran, ran
from tests.support.forked import Terminal
from tests.support.live import TalkingMeter, wait_until

CONFIGURATION = """
[site]
name = "merrow-sound"
[store]
folder = "state"
readings_commit_s = 0.2
[criteria.brisk]
based_on = "grab-water"
window_s = 1.0
min_wait_s = 0.4
max_wait_s = 25.0
min_readings = 10
max_gap_s = 0.9
max_remaining_ph = 2.0
max_remaining_risk = 0.5
slow_tail_odds = 0.01
max_drift_mv_per_min = 6.0
max_temperature_drift_c_per_min = 20.0
resolution_mv = 0.01
[criteria.brisk-buffer]
based_on = "buffer"
window_s = 1.0
min_wait_s = 0.4
max_wait_s = 25.0
min_readings = 10
max_gap_s = 0.9
max_remaining_ph = 0.06
max_remaining_risk = 0.5
max_drift_mv_per_min = 6.0
max_temperature_drift_c_per_min = 20.0
resolution_mv = 0.01
[cells.live-feed-room]
driver = "line-stream"
criterion = "brisk"
buffer_criterion = "brisk-buffer"
every_s = 3.0
conductivity_position = "downstream"
settings = {{ port = "{folder}/meter", columns = ["mv", "temperature_c", "conductivity_us_cm"] }}
"""

GOOD = Line(slope_pct=98.4, zero_mv=3.1)
"""An electrode in order."""
FIXED = "[cells.live-feed-room.calibration]\nslope_pct = 98.4\nzero_mv = 3.1\n"
"""Its calibration, in the configuration."""


class BenchMeter(TalkingMeter):
    """Sends forty lines a second of whatever its electrode is in."""

    def __init__(self, folder: Path, line: Line, *, flow_ml_min: float | None = None) -> None:
        super().__init__(folder, 0.025)
        self.electrode = line
        self.flow_ml_min = flow_ml_min
        self.dip(7.0)

    def dip(self, ph: float, conductivity_us_cm: float = 0.1, temperature_c: float = 25.0) -> None:
        """Put the electrode into another solution."""
        self.temperature_c = temperature_c
        self._mv, self._conductivity = self.electrode.mv(ph, temperature_c), conductivity_us_cm

    def dip_when_asked(self, child: Terminal, ph: float, conductivity_us_cm: float = 0.1) -> None:
        """Put the electrode into what the program asks for, and say so."""
        child.expect("Press Enter")
        self.dip(ph, conductivity_us_cm)
        child.sendline("")

    def line(self) -> str:
        flow = "" if self.flow_ml_min is None else f";{self.flow_ml_min:.2f}"
        mv = self._mv + self._rng.gauss(0, 0.02)
        return f"{mv:.2f};{self.temperature_c:.2f};{self._conductivity:.4f}{flow}"


def configure(folder: Path, *, more: str = "", criterion: str = "", flow: bool = False) -> Path:
    """Write a configuration, with more lines at its end and in its criterion; returns its path."""
    config = folder / "quietcell.toml"
    text = CONFIGURATION.format(folder=folder).replace(
        "[criteria.brisk-buffer]", f"{criterion}\n[criteria.brisk-buffer]"
    )
    if flow:
        text = text.replace('"conductivity_us_cm"]', '"conductivity_us_cm", "flow_ml_min"]')
    config.write_text(text + more)
    return config


@contextmanager
def daemon(folder: Path) -> Iterator[None]:
    """Run the daemon at a terminal of its own until the end of the block; then the ledger is whole."""
    running = terminal(folder, "run")
    try:
        wait_until((folder / "state" / "control.sock").exists, "the daemon")
        yield
        running.terminate()
        assert running.ended() == 0
    finally:
        running.abandon()


def terminal(folder: Path, *words: str) -> Terminal:
    """Start the program at a terminal of its own."""
    config = folder / "quietcell.toml"
    if not config.exists():
        configure(folder)
    return Terminal(*words, "--config", str(config))


def answered(folder: Path, *words: str, status: int = 0) -> Ran:
    """Run a command that asks nothing, without a process of its own; returns what it said."""
    return ran(*words, "--config", folder / "quietcell.toml", status=status)


def interrupt(child: Terminal, answer: str | type[pexpect.EOF]) -> None:
    """Press Ctrl-C until the program answers: one that comes just before it begins to read goes unseen."""
    for _ in range(10):
        child.interrupt()
        if child.expect([answer, pexpect.TIMEOUT], timeout=6) == 0:
            return
    pytest.fail(f"no answer to Ctrl-C, wanted {answer!r}")


def bodies(folder: Path, kind: str) -> list[dict[str, Json]]:
    """Return the bodies of a kind in the ledger."""
    with Journal(folder / "state") as journal:
        return [record.body() for record in journal.of_kind(kind)]


def assert_recomputable(folder: Path) -> None:
    """The chain is whole, and the stored input gives every record of the ledger once more, byte for byte."""
    ran("verify", "--ledger", folder / "state", "--recompute")
