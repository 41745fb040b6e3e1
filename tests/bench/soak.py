"""Weeks of a daemon in minutes: memory, descriptors and records under seeded faults, on a simulated clock.

The whole daemon runs (real driver and framing, engine, ledger, daily files, MQTT against a scripted broker);
only the ports' bytes and the clock are simulated. Unplugs, bad lines, steps of UTC and losses of the broker
come by chance, seeded. Every line carries a check in the flow's decimals, so that a reading that no meter
sent would be seen.

Usage: python -m tests.bench.soak [--days 30] [--cells 2] [--step-s 5] [--seed 1] [--warm-up-days 7]
"""

import argparse
import asyncio
import gc
import os
import random
import sqlite3
import sys
import tempfile
import time
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from unittest import mock

import numpy as np

from quietcell.config import parse_config
from quietcell.core.times import rfc3339, utc_ms
from quietcell.ledger.journal import Journal
from quietcell.ledger.readings_files import ReadingsFiles
from quietcell.ledger.verify import verify
from quietcell.service.cells import Cells
from quietcell.service.daemon import Daemon
from quietcell.service.logs import configure_logs
from quietcell_drivers import line_stream
from tests.support.clocks import SteppedClock
from tests.support.scripted_broker import Peer, ScriptedBroker
from tests.support.simulated_ports import SimulatedPort, SimulatedPorts

CONFIGURATION = """
[site]
name = "merrow-sound"
[store]
folder = "state"
readings_commit_s = 0.3
[log]
format = "json"
[outlets.files]
folder = "results"
[outlets.mqtt]
host = "127.0.0.1"
port = {port}
[criteria.soak]
window_s = 120.0
max_gap_s = 30.0
min_readings = 10
"""
CELL = """
[cells.cell-{number}]
driver = "line-stream"
criterion = "soak"
conductivity_position = "downstream"
hold_up_ml = 12.0
calibration = {{ slope_pct = 98.4, zero_mv = 3.1 }}
[cells.cell-{number}.settings]
port = "meter-{number}"
columns = ["mv", "temperature_c", "conductivity_us_cm", "flow_ml_min"]
"""
DAY_S = 86_400


@dataclass(slots=True)
class Faults:
    """What was done to it."""

    unplugs: int = 0
    bad_lines: int = 0
    clock_steps: int = 0
    broker_losses: int = 0
    lines: int = 0


@dataclass(slots=True)
class Meter:
    """Slowly wandering water."""

    rng: random.Random
    level_mv: float = 25.0
    back_s: float = 0.0

    def line(self) -> bytes:
        self.level_mv += -0.0005 * (self.level_mv - 25.0) + self.rng.gauss(0, 0.002)
        mv = round(100 * (self.level_mv + self.rng.gauss(0, 0.02)))
        temperature = round(100 * (21 + self.rng.gauss(0, 0.01)))
        return f"{mv / 100:.2f};{temperature / 100:.2f};0.1502;{flow_of(mv, temperature):.3f}\r\n".encode()

    def bad_line(self) -> bytes:
        whole = self.line()
        return self.rng.choice(
            [whole[: len(whole) // 2] + whole, b"\x00\xff\x1b[2J" * 9 + b"\r\n", b"x" * 5000, b"ERR 7\r\n"]
        )


def flow_of(mv: int, temperature: int) -> float:
    """Return the flow that says that hundredths of mV and °C belong together."""
    return 100.0 + (31 * mv + 17 * temperature) % 1000 / 1000


@dataclass(slots=True)
class Samples:
    """What was measured of the process, now and then."""

    day: list[float] = field(default_factory=list)
    memory_mb: list[float] = field(default_factory=list)
    descriptors: list[int] = field(default_factory=list)
    tasks: list[int] = field(default_factory=list)

    def take(self, day: float) -> None:
        gc.collect()
        self.day.append(day)
        pages = int(Path("/proc/self/statm").read_text().split()[1])
        self.memory_mb.append(pages * os.sysconf("SC_PAGE_SIZE") / 2**20)
        self.descriptors.append(len(os.listdir("/proc/self/fd")))  # noqa: PTH208 # names only
        self.tasks.append(len(asyncio.all_tasks()))


class Soak:
    """A daemon, its meters and its broker, and chance.

    Parameters
    ----------
    folder : Path
        Takes the ledger.
    step_s : float
        From line to line, s of the simulated clock.
    cells : int
        How many.
    seed : int
        Of the chance.
    """

    def __init__(self, folder: Path, *, step_s: float, cells: int, seed: int) -> None:
        self._folder = folder
        self._step_s = step_s
        self._rng = random.Random(seed)
        self._meters = {f"meter-{n}": Meter(random.Random(seed + n)) for n in range(cells)}
        self._ports = SimulatedPorts({name: SimulatedPort(name) for name in self._meters})
        self._clock = SteppedClock()
        self._away_until_s = 0.0
        self.faults = Faults()
        self.samples = Samples()
        self.arrived = bytearray()  # by seq; a set of numbers would grow by the megabyte that is looked for

    async def run(self, days: float) -> None:
        """Let the days pass."""
        stop, ready = asyncio.Event(), asyncio.Event()
        async with ScriptedBroker(on_connect=self._greet) as broker:
            daemon = self._daemon(broker.port)
            with mock.patch.object(line_stream, "open_port", self._ports.open_port):
                running = asyncio.create_task(daemon.run(stop, ready=ready.set))
                await ready.wait()
                assert isinstance(daemon.cells, Cells)
                ledger = daemon.cells._ledger
                for step in range(round(days * DAY_S / self._step_s)):
                    now_s = step * self._step_s
                    self._meters_speak(now_s)
                    self._clock_and_broker(broker)
                    await self._clock.step(round(self._step_s * 1000))
                    while not ledger._idle.is_set():  # noqa: ASYNC110 # what is awaited is another thread
                        await asyncio.sleep(0)
                    if step % 50 == 0 or not all(port.plugged for port in self._ports.values()):
                        await asyncio.sleep(0.0005)  # pauses before a port is opened again are real time
                    self._collect(broker)
                    if now_s % 21_600 == 0:
                        self.samples.take(now_s / DAY_S)
                    if running.done():
                        break
                self._away_until_s = 0.0
                await asyncio.sleep(5)
                stop.set()
                await running
                self._collect(broker)

    def _daemon(self, broker_port: int) -> Daemon:
        text = CONFIGURATION.format(port=broker_port)
        text += "".join(CELL.format(number=n) for n in range(len(self._meters)))
        drivers = {"line-stream": line_stream.LineStream}
        config = parse_config(text, str(self._folder / "soak.toml"), drivers)
        return Daemon(config=config, drivers=drivers, clock=self._clock)

    async def _greet(self, peer: Peer) -> None:
        if self._clock.boot / 1000 >= self._away_until_s:
            peer.accept()
        else:
            peer.close()

    def _by_chance(self, times_a_day: float) -> bool:
        return self._rng.random() < times_a_day * self._step_s / DAY_S

    def _meters_speak(self, now_s: float) -> None:
        for name, meter in self._meters.items():
            port = self._ports[name]
            if not port.plugged and now_s >= meter.back_s:
                port.plugged = True
            elif port.plugged and self._by_chance(3):
                port.unplug()
                self.faults.unplugs += 1
                meter.back_s = now_s + self._rng.choice([20, 300, 7200])
            if self._by_chance(200):
                self.faults.bad_lines += port.send(meter.bad_line())
            self.faults.lines += port.send(meter.line())

    def _clock_and_broker(self, broker: ScriptedBroker) -> None:
        if self._by_chance(0.3):
            self._clock.utc += self._rng.choice([-5000, 1500, 3_600_000])
            self.faults.clock_steps += 1
        if self._by_chance(4):
            self._away_until_s = self._clock.boot / 1000 + self._rng.choice([60, 7200])
            self.faults.broker_losses += 1
            for peer in broker.peers:
                peer.reset()

    def _collect(self, broker: ScriptedBroker) -> None:
        """Note what came to the broker, and keep nothing else of it: its memory is not the daemon's."""
        for seq in broker.records():
            self.arrived.extend(bytes(max(0, seq + 1 - len(self.arrived))))
            self.arrived[seq] = 1
        broker.published.clear()
        broker.peers[:] = [peer for peer in broker.peers if not peer.writer.is_closing()]


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description="Weeks of a daemon in minutes.")
    parser.add_argument("--days", type=float, default=30.0)
    parser.add_argument("--cells", type=int, default=2)
    parser.add_argument("--step-s", type=float, default=5.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--warm-up-days", type=float, default=7.0)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        began = time.monotonic()  # noqa: TID251 # a figure
        soak = Soak(Path(name), step_s=given.step_s, cells=given.cells, seed=given.seed)
        with (Path(name) / "log").open("w") as log:
            configure_logs("json", file=log)
            asyncio.run(soak.run(given.days))
        took_s = time.monotonic() - began  # noqa: TID251 # a figure
        if soak.faults.lines == 0:
            sys.exit("no meter was ever heard: nothing was soaked")
        report(Path(name), soak, min(given.warm_up_days, given.days / 2))
        print(f"{given.days:g} days in {took_s:.0f} s")


def report(folder: Path, soak: Soak, warm_up_days: float) -> None:
    """Print what was done, what it cost and whether the ledger is whole."""
    faults, samples = soak.faults, soak.samples
    print(f"faults: {faults}")
    day, memory = np.array(samples.day), np.array(samples.memory_mb)
    late = day >= warm_up_days
    slope = float(np.polyfit(day[late], memory[late], 1)[0]) * 7
    print(
        f"memory: {memory[0]:.1f} MB at first, {memory[late][0]:.1f} after warm-up, {memory[-1]:.1f} at last"
    )
    weeks = [f"{memory[day >= d][0]:.1f}" for d in np.arange(0, day[-1], max(1, day[-1] // 10))]
    print(f"memory over time, MB: {' '.join(weeks)}")
    print(f"memory slope after warm-up: {slope:+.2f} MB a week (n = {int(late.sum())} samples)")
    for what, counts in (("descriptors", samples.descriptors), ("tasks", samples.tasks)):
        print(f"{what}: {min(counts)} to {max(counts)}, last {counts[-1]}")
    with Journal(folder / "state") as journal:
        files = ReadingsFiles(folder / "state", read_only=True)
        found = verify(journal, files, tell=lambda _: None)
        files.close()
        bodies = [record.envelope() for record in journal.all()]
    print(f"ledger verified: {found}")
    kinds: dict[str, int] = {}
    for envelope in bodies:
        kinds[envelope["body"]["record"]] = kinds.get(envelope["body"]["record"], 0) + 1
    print(f"records: {kinds}")
    print(f"holes in the readings without a gap record: {untold_holes(folder / 'state')}")
    verdicts: dict[str, int] = {}
    determinations = [e for e in bodies if e["body"]["record"] == "determination"]
    for envelope in determinations:
        verdict = envelope["body"]["verdict"]
        verdicts[verdict] = verdicts.get(verdict, 0) + 1
    missed = [seq for seq in (e["seq"] for e in determinations) if not any(soak.arrived[seq : seq + 1])]
    print(f"verdicts: {verdicts}; determinations that never reached the broker: {len(missed)}")
    print(f"readings that no meter sent: {false_readings(folder / 'state')}")


def untold_holes(state: Path) -> str:
    """Count holes over 30 s, and first readings of later segments, that no gap record ends at."""
    holes = untold = 0
    with Journal(state) as journal, closing(ReadingsFiles(state, read_only=True)) as files:
        bodies = [record.body() for record in journal.all()]
        told = {(body["cell"], body["ended"]) for body in bodies if body["record"] == "gap"}
        begun = set()
        for body in bodies:
            if body["record"] != "segment" or body["state"] != "began":
                continue
            cell, anchor_ms, before_ms = body["cell"], utc_ms(body["at"]), None
            for block in files.of_segment(cell, body["segment"]):
                for ms in block.ms.tolist():
                    hole = cell in begun if before_ms is None else ms - before_ms > 30_000
                    holes += hole
                    untold += hole and (cell, rfc3339(anchor_ms + ms)) not in told
                    before_ms = ms
                    begun.add(cell)
    return f"{untold} of {holes}"


def false_readings(state: Path) -> str:
    """Count stored readings whose flow does not fit their potential and temperature."""
    wrong = total = 0
    for path in sorted(state.glob("readings-*.sqlite")):
        with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as database:
            for mv, temperature, flow in database.execute(
                "SELECT mv, temperature_c, flow_ml_min FROM reading"
            ):
                total += 1
                wrong += abs(flow - flow_of(round(100 * mv), round(100 * temperature))) > 1e-6
        database.close()
    return f"{wrong} of {total}"


if __name__ == "__main__":
    main()
