"""The daemon of the demonstration, interrupted at random: ``python -m tests.bench.daemon_kills [N] [SEED]``.

It runs 60 times faster than the clock, is killed three times out of four and stopped else, while meters are
unplugged and plugged in, its configuration is reloaded and people ask, work and write notes. What it told
them is stored must be; in the end the ledger is checked and every run judged again. Prints the figures.
"""

import asyncio
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from contextlib import closing, suppress
from pathlib import Path

from quietcell.cli.demo import METERS
from quietcell.cli.run import run_until_stopped
from quietcell.config import load_config
from quietcell.core.records import Json
from quietcell.errors import QuietcellError
from quietcell.ledger.journal import Journal
from quietcell.ledger.readings_files import ReadingsFiles
from quietcell.ledger.verify import verify
from quietcell.service.clock import SystemClock
from quietcell.service.control import ask
from quietcell.service.daemon import Daemon
from quietcell.service.drivers import InstalledDrivers
from quietcell.service.recompute import recompute

PACE = 60.0
LIVE_S = (0.4, 0.8, 1.5, 3.0, 5.0)
LAST_S = 6.0
SOURCE = Path("config/demo.toml")


class Laboratory:
    """Meters, a configuration, and people who disturb a daemon."""

    def __init__(self, folder: Path, seed: int) -> None:
        self.folder = folder
        self.config = folder / "cells.toml"
        self.rng = random.Random(seed)
        self.acts: Counter[str] = Counter()
        self.told: set[str] = set()
        """Ids of records the daemon said are durable."""
        self._text = SOURCE.read_text(encoding="utf-8").replace("DEMO", str(folder))
        self._meters: dict[str, subprocess.Popen[bytes]] = {}
        self.order()

    def order(self) -> None:
        """Put everything back in its place."""
        self.config.write_text(self._text, encoding="utf-8")
        self.plug_in()

    def act(self) -> None:
        """Do something."""
        name = self.rng.choice(["unplug", "plug_in", "reload", "request", "ask_again", "note", "work"])
        self.acts[name] += 1
        getattr(self, name)()

    def plug_in(self) -> None:
        """Plug in every meter."""
        for cell, (form, scenario, seed) in METERS.items():
            if cell not in self._meters:
                link = str(self.folder / f"meter-{cell}")
                command = [sys.executable, "-m", "quietcell_drivers.emulator", "--link", link, "--form", form]
                command += ["--scenario", scenario, "--seed", str(seed), "--scale", str(PACE)]
                self._meters[cell] = subprocess.Popen(command)

    def unplug(self) -> None:
        """Pull one meter's line."""
        if self._meters:
            cell = self.rng.choice(sorted(self._meters))
            meter = self._meters.pop(cell)
            meter.kill()
            meter.wait()
            (self.folder / f"meter-{cell}").unlink(missing_ok=True)

    def reload(self) -> None:
        """Change the configuration, at times the name of a cell."""
        text = self._text.replace("every_s = 300.0", f"every_s = {self.rng.choice([120, 300, 600])}.0")
        text = text.replace("window_s = 60.0", f"window_s = {self.rng.choice([45, 60, 90])}.0", 1)
        if self.rng.random() < 0.2:
            text = text.replace("[cells.larval-hall", "[cells.larval-hall-two")
        self.config.write_text(text, encoding="utf-8")
        self._say(command="reload")

    def request(self) -> None:
        """Ask for a determination."""
        self._say(command="request", cell=self._cell(), reference=f"r{self.acts.total()}")

    def ask_again(self) -> None:
        """Ask with a reference that may have been used."""
        number = self.rng.randint(1, self.acts.total())
        self._say(command="request", cell=self._cell(), reference=f"r{number}")

    def note(self) -> None:
        """Keep a note."""
        self._say(command="note", cell=self._cell(), text=f"note {self.acts.total()}")

    def work(self) -> None:
        """Begin to work at a cell, and mostly end it."""
        work = self.rng.choice(["calibration", "measure", "check"])
        begun = self._say(command="attend", cell=self._cell(), work=work, operator="night shift")
        if "attendance" in begun and self.rng.random() < 0.7:
            outcome = self.rng.choice(["done", "aborted"])
            self._say(command="leave", attendance=begun["attendance"], outcome=outcome)

    def _cell(self) -> str:
        return self.rng.choice(sorted(METERS))

    def _say(self, **request: Json) -> dict[str, Json]:
        answer: dict[str, Json] = {}
        with suppress(QuietcellError):  # killed, or not yet there
            answer = asyncio.run(ask(self.folder / "ledger", request, timeout_s=3.0))
        self.told |= {answer[kind] for kind in ("request", "note", "attendance") if kind in answer}
        return answer

    def close(self) -> None:
        """Pull every line."""
        while self._meters:
            self.unplug()


def begun(laboratory: Laboratory) -> int:
    """Start a daemon in a process of its own; return its id."""
    child = os.fork()
    if child:
        return child
    try:
        log = os.open(laboratory.folder / "log", os.O_WRONLY | os.O_CREAT | os.O_APPEND)
        os.dup2(log, 1)
        os.dup2(log, 2)
        drivers = InstalledDrivers()
        daemon = Daemon(
            config=load_config(laboratory.config, drivers),
            drivers=drivers,
            clock=SystemClock(scale=PACE),
            scale=PACE,
            reread=lambda: load_config(laboratory.config, drivers),
        )
        asyncio.run(run_until_stopped(daemon))
        os._exit(0)
    finally:
        os._exit(1)


def campaign(laboratory: Laboratory, interruptions: int) -> None:
    """Interrupt so many runs, and end the last in order."""
    rng = laboratory.rng
    for _ in range(interruptions):
        child = begun(laboratory)
        ends = time.perf_counter() + rng.choice(LIVE_S) * rng.uniform(0.5, 1.5)
        while time.perf_counter() < ends:
            time.sleep(rng.uniform(0.02, 0.5))
            laboratory.act()
        os.kill(child, signal.SIGKILL if rng.random() < 0.75 else signal.SIGTERM)
        os.waitpid(child, 0)
    laboratory.order()
    child = begun(laboratory)
    time.sleep(LAST_S)
    os.kill(child, signal.SIGTERM)
    print(f"status of the last run     {os.waitpid(child, 0)[1]}")


def judge(laboratory: Laboratory) -> None:
    """Print what is left."""
    folder = laboratory.folder / "ledger"
    with Journal(folder) as journal, closing(ReadingsFiles(folder, read_only=True)) as files:
        print(f"verify                     {verify(journal, files, tell=lambda _: None)}")
        again = [recompute(journal, files, cell) for cell in journal.cells()]
        texts = [record.text for record in journal.all()]
    bodies = [json.loads(text)["body"] for text in texts]
    ids = Counter(body["id"] for body in bodies)
    answers = Counter(body["request"] for body in bodies if body.get("request"))
    requests = [body["id"] for body in bodies if body["record"] == "request"]
    results = sorted((laboratory.folder / "results").glob("*.jsonl"))
    lines = [line for path in results for line in path.read_text(encoding="utf-8").splitlines()]
    print(f"judged again               {sum(found.same for found in again)}")
    print(f"different                  {sum(found.different for found in again)}")
    print(f"ids used twice             {sum(number > 1 for number in ids.values())}")
    print(f"told, not stored           {len(laboratory.told - set(ids))} of {len(laboratory.told)}")
    print(f"requests without one end   {sum(answers[each] != 1 for each in requests)} of {len(requests)}")
    print(f"files equal the journal    {sorted(lines) == sorted(texts)}, {len(lines)} lines")
    print(f"what people did            {dict(laboratory.acts)}")


def main() -> None:
    """Run the campaign."""
    interruptions = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    folder = Path(tempfile.mkdtemp())
    laboratory = Laboratory(folder, seed)
    try:
        campaign(laboratory, interruptions)
        judge(laboratory)
    finally:
        laboratory.close()
        shutil.rmtree(folder)


if __name__ == "__main__":
    main()
