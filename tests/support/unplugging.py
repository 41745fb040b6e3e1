"""Meters on pseudo-terminals that are unplugged and plugged in again while they talk."""

import asyncio
import contextlib
import os
import random
from dataclasses import dataclass, field
from pathlib import Path

from quietcell.config import parse_config
from quietcell.core.records import Json
from quietcell.ledger.journal import Journal
from quietcell.ledger.readings_files import ReadingsFiles
from quietcell.service.clock import SystemClock
from quietcell.service.daemon import Daemon
from quietcell_drivers.line_stream import LineStream
from quietcell_drivers.pseudo_terminal import PseudoTerminal
from tests.support.until import cancelled, until

CELL = """
[cells.cell-{number}]
driver = "line-stream"
settings = {{ port = "{folder}/meter-{number}", columns = ["mv", "temperature_c"] }}
calibration = {{ slope_pct = 98.4, zero_mv = 3.1 }}
"""


def temperature_of(mv: float) -> float:
    """Return the temperature that says that a potential came through whole."""
    return 20.0 + (round(100 * mv) * 37 % 1000) / 100


class Talker:
    """A meter that sends lines, and leaves and comes back in the middle of one."""

    def __init__(self, folder: Path, number: int, lines_per_s: float) -> None:
        self.terminal = PseudoTerminal(folder, f"meter-{number}")
        self._rng = random.Random(number)
        self._pause_s = 1 / lines_per_s
        self._plugged = True

    def _line(self) -> bytes:
        mv = round(self._rng.uniform(20, 30), 2)
        return f"{mv:.2f};{temperature_of(mv):.2f}\r\n".encode()

    def _write(self, data: bytes) -> None:
        with contextlib.suppress(OSError):  # nobody reads just now, or the line is full
            os.write(self.terminal.master, data)

    async def talk(self) -> None:
        """Send lines until cancelled."""
        while True:
            if self._plugged:
                self._write(self._line())
            await asyncio.sleep(self._pause_s)

    def unplug(self) -> None:
        """Leave in the middle of a line."""
        self._plugged = False
        line = self._line()
        self._write(line[: self._rng.randrange(1, len(line))])
        self.terminal.unplug()

    def plug(self) -> None:
        """Come back in the middle of a line."""
        self.terminal.plug()
        line = self._line()
        self._write(line[self._rng.randrange(1, len(line)) :])
        self._plugged = True


@dataclass(slots=True)
class Outcome:
    """What the cycles left."""

    cycles: int
    descriptors: tuple[int, int]
    """Before and after."""
    tasks: tuple[int, int]
    gaps: list[dict[str, Json]] = field(default_factory=list)
    reopened: int = 0
    readings: int = 0
    false_readings: int = 0


async def _held() -> tuple[int, int]:
    """Return how many descriptors and tasks there are, leaving out what lives for a moment."""
    descriptors, tasks = [], []
    for _ in range(20):
        descriptors.append(len(os.listdir("/proc/self/fd")))  # noqa: PTH208 # names only
        tasks.append(len(asyncio.all_tasks()))
        await asyncio.sleep(0.01)
    return min(descriptors), min(tasks)


async def unplug_and_plug(
    folder: Path,
    *,
    meters: int,
    cycles_each: int,
    lines_per_s: float = 20.0,
    away_s: float = 0.3,
    between: int = 3,
) -> Outcome:
    """Run a daemon whose meters all go and come back again and again, and count what is left behind."""
    talkers = [Talker(folder, number, lines_per_s) for number in range(meters)]
    text = '[site]\nname = "merrow-sound"\n[store]\nfolder = "state"\nreadings_commit_s = 0.2\n'
    text += "".join(CELL.format(number=number, folder=folder) for number in range(meters))
    drivers = {"line-stream": LineStream}
    daemon = Daemon(
        config=parse_config(text, str(folder / "quietcell.toml"), drivers),
        drivers=drivers,
        clock=SystemClock(),
    )
    stop = asyncio.Event()
    running = asyncio.create_task(daemon.run(stop))
    talking = [asyncio.create_task(talker.talk()) for talker in talkers]

    def reading(number: int, more_than: int) -> bool:
        cell = daemon.cells.get(f"cell-{number}")
        return cell is not None and cell.counts.readings > more_than

    async def cycle(number: int, times: int) -> None:
        for _ in range(times):
            talkers[number].unplug()
            await asyncio.sleep(away_s)
            talkers[number].plug()
            await until(lambda: daemon.cells[f"cell-{number}"].counts.readings == 0)
            await until(lambda: reading(number, between - 1))

    for number in range(meters):
        await until(lambda number=number: reading(number, 2))  # type: ignore[misc] # bound now
    await asyncio.gather(*(cycle(number, 1) for number in range(meters)))  # opens what is opened late
    await until(lambda: any((folder / "state").glob("readings-*-wal")))
    before = await _held()
    await asyncio.gather(*(cycle(number, cycles_each) for number in range(meters)))
    after = await _held()
    stop.set()
    await running
    for task in talking:
        await cancelled(task)
    for talker in talkers:
        talker.terminal.unplug()
    outcome = Outcome(
        cycles=meters * (cycles_each + 1), descriptors=(before[0], after[0]), tasks=(before[1], after[1])
    )
    _read(folder / "state", outcome)
    return outcome


def _read(state: Path, outcome: Outcome) -> None:
    """Look up in the ledger what the cycles left there."""
    with Journal(state) as journal, contextlib.closing(ReadingsFiles(state, read_only=True)) as files:
        bodies = [record.body() for record in journal.all()]
        for body in bodies:
            if body["record"] == "gap" and body["cause"] == "reopened":
                outcome.gaps.append(body)
            if body["record"] == "segment" and body["state"] == "began":
                outcome.reopened += body["cause"] == "reopened"
                for block in files.of_segment(body["cell"], body["segment"]):
                    outcome.readings += len(block)
                    for mv, temperature in zip(block.mv, block.temperature_c, strict=True):
                        outcome.false_readings += abs(temperature - temperature_of(mv)) > 1e-6
