"""What the commands for work at the bench share: a daemon to ask, prompts, and the wait for a value."""

import asyncio
import shutil
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import click

from quietcell.config import Config, load_config
from quietcell.config.outlets import OutletSettings
from quietcell.core.records import Json
from quietcell.errors import QuietcellError, UsageError
from quietcell.report.wording import REASONS
from quietcell.service.clock import SystemClock
from quietcell.service.control import ask, taken
from quietcell.service.drivers import InstalledDrivers
from quietcell.service.logs import configure_logs

LOOK_S = 0.4
SILENT_S = 5.0
"""An older reading is not shown as if it were live."""
STALE_S = 60.0
"""On an older one nobody goes on working: the meter will not come by itself."""
START_S = 20.0
HEARD_EVERY_S, AWAY_MS = 2.0, 1_800_000
"""The daemon hears of who works so often, until nothing was done here for so long."""
_CLOCK = SystemClock()
CAUTIONS = (
    "Electrodes are glass. Lines may be hot or under pressure, mains and compressed gas share the room, "
    "cleaning acids burn: follow your local rules, and leave work that needs a licence to licensed people."
)


PUT_BACK = (
    "Rinse the electrode with pure water, put it back into the cell and let the water flow: what it reads "
    "from then on counts as the water's."
)


class Session:
    """One cell, and a daemon that knows it.

    Parameters
    ----------
    folder : Path
        Of the ledger.
    cell : str
        The cell.
    operator : str or None
        Who works.
    supersede : bool
        Whether to end what someone else asked for and is being measured.
    """

    def __init__(self, folder: Path, cell: str, operator: str | None, *, supersede: bool = False) -> None:
        self._folder = folder
        self.cell = cell
        self.operator = operator
        self._supersede = supersede
        self.attendance: str | None = None
        self._work = ""
        self._continuous = False
        self._lifted = False
        """The electrode may stand elsewhere than in the cell's water."""
        self._recorded = False
        """What was worked for is in the ledger; only the electrode is not yet back."""
        self._pause = True
        self._one_at_a_time = threading.Lock()
        self._busy_ms = self._answered_ms = _CLOCK.boot_ms()

    def _request(self, command: str, **arguments: Json) -> dict[str, Json]:
        who = {} if self.operator is None else {"operator": self.operator}
        return {"command": command, "cell": self.cell, **who, **arguments}

    def ask(self, command: str, **arguments: Json) -> dict[str, Json]:
        """Ask the daemon; a QuietcellError when it says no."""
        self._busy_ms = _CLOCK.boot_ms()
        return self._answered(command, **arguments)

    def _answered(self, command: str, **arguments: Json) -> dict[str, Json]:
        answer = taken(asyncio.run(ask(self._folder, self._request(command, **arguments))))
        self._answered_ms = _CLOCK.boot_ms()
        return answer

    @contextmanager
    def attending(self, work: str) -> Iterator[dict[str, Json]]:
        """Work at the cell; whatever ends it early leaves everything as it was."""
        situation = self.ask("attend", work=work, supersede=self._supersede)
        self.attendance, self._work = situation["attendance"], work
        self._continuous = situation["continuous"]
        outcome = "aborted"
        try:
            with self._heard_of():
                try:
                    yield situation
                except BaseException as error:
                    self._end_early(error)
                    raise
            outcome = "done"
        finally:
            self._leave("done" if self._recorded else outcome)

    def _end_early(self, error: BaseException) -> None:
        """Say what holds, and stay until the electrode is back from wherever it stands."""
        show("")
        if self._recorded:
            return
        if isinstance(error, QuietcellError) and self._lifted:
            click.echo(str(error), err=True)  # why, before anybody is asked
        click.echo("Ended early: what is in force has not changed; what was measured is kept.", err=True)
        if self._lifted and self._continuous:
            with suppress(click.Abort):
                ready(PUT_BACK, pause=self._pause)

    def ready(self, text: str, *, pause: bool) -> None:
        """Have the electrode put elsewhere: say where, and wait until it is there."""
        self._lifted, self._pause = True, pause
        ready(text, pause=pause)

    def put_back(self, *, pause: bool) -> None:
        """Stay at the cell until its electrode is back in its water: what it reads before is not of that.

        What was worked for is recorded by now.

        Parameters
        ----------
        pause : bool
            Wait for Enter.
        """
        self._recorded = True
        if self._continuous:
            self.attended()
            ready(PUT_BACK, pause=pause)

    def attended(self, **asked: Json) -> dict[str, Json]:
        """Tell the daemon that someone works here, and return how it stands."""
        self._busy_ms = _CLOCK.boot_ms()
        return self._attended(**asked)

    def _attended(self, **asked: Json) -> dict[str, Json]:
        """Do so; work that a restart or other settings ended begins anew, for the electrode is still away.

        Whoever asked for the water in between would be given the value of a beaker.
        """
        with self._one_at_a_time:
            try:
                return self._answered("attended", attendance=self.attendance, **asked)
            except QuietcellError:
                self.attendance = self._answered("attend", work=self._work, supersede=True)["attendance"]
                return self._answered("attended", attendance=self.attendance, **asked)

    @contextmanager
    def _heard_of(self) -> Iterator[None]:
        """Let the daemon hear of who works here while they rinse and read, but not of who has gone."""
        over = threading.Event()

        def tell() -> None:
            while not over.wait(HEARD_EVERY_S) and _CLOCK.boot_ms() - self._busy_ms < AWAY_MS:
                with suppress(QuietcellError):
                    self._attended()

        telling = threading.Thread(target=tell, name="heard of", daemon=True)
        telling.start()
        try:
            yield
        finally:
            over.set()
            telling.join()

    def _leave(self, outcome: str) -> None:
        with suppress(QuietcellError):  # a calibration in force has ended it already
            self.ask("leave", attendance=self.attendance, outcome=outcome)

    def wait(self, request: str) -> dict[str, Json]:
        """Show the live reading until what was asked for has ended, and return its body.

        A daemon that is restarted tells it when it is back.
        """
        while True:
            answer = self._told_of(request)
            if answer["ended"] is not None:
                show("")
                body: dict[str, Json] = answer["ended"]
                return body
            show(live(answer["indication"]))
            time.sleep(LOOK_S)

    def _told_of(self, request: str) -> dict[str, Json]:
        """Return how it stands with what was asked for, as soon as a daemon answers."""
        while True:
            try:
                return self.attended(measurement=request)
            except QuietcellError as error:
                if _CLOCK.boot_ms() - self._answered_ms > 1000 * STALE_S:
                    raise
                show(f"{error.message}: waits for it")
                time.sleep(LOOK_S)

    def indication(self) -> dict[str, Json]:
        """Return the live reading; waits a moment for the first.

        Raises
        ------
        QuietcellError
            If the meter is silent.
        """
        for _ in range(round(START_S / LOOK_S)):
            live = self._live()
            if live["age_s"] is not None and live["age_s"] <= STALE_S:
                return live
            time.sleep(LOOK_S)
        raise QuietcellError("the meter is silent", subject=self.cell, hint="Look at its power and port")

    def _live(self) -> dict[str, Json]:
        if self.attendance is None:  # who only looks is not at work here
            cells: list[dict[str, Json]] = self.ask("status")["cells"]
            return next(each for each in cells if each["cell"] == self.cell)
        indication: dict[str, Json] = self.attended()["indication"]
        return indication

    def brought_sample(
        self, sample_id: str, grab: dict[str, Json], *, from_buffer: bool = False
    ) -> dict[str, Json]:
        """Measure a portion of a sample and return the body of the outcome."""
        self.attended()
        answer = self.ask(
            "request",
            sample_id=sample_id,
            grab=grab,
            attendance=self.attendance,
            from_buffer=from_buffer,
        )
        return self.wait(answer["request"])

    def known_solution(self, purpose: str, solution: str) -> dict[str, Json]:
        """Measure a solution of known pH and return the body of the outcome."""
        self.attended()
        request = self.ask("reference", attendance=self.attendance, purpose=purpose, solution=solution)
        return self.wait(request["request"])


def live(indication: Mapping[str, Json]) -> str:
    """Return a live reading and what it waits for in a line.

    Examples
    --------
    >>> reading = {"ph": None, "mv": 171.2, "temperature_c": 25.0, "waits_for": "window 3 of 30 s"}
    >>> live({**reading, "age_s": 0.4})
    '171.20 mV, 25.0 °C: waits for window 3 of 30 s'
    >>> live({**reading, "age_s": 12.4})
    'no reading for 12 s, the last 171.20 mV, 25.0 °C: waits for window 3 of 30 s'
    """
    age_s = indication["age_s"]
    if age_s is None:
        return f"no reading yet: waits for {indication['waits_for']}"
    form = {"ph": "pH {:.2f}", "mv": "{:.2f} mV", "temperature_c": "{:.1f} °C"}
    values = [text.format(indication[key]) for key, text in form.items() if indication[key] is not None]
    silent = f"no reading for {age_s:.0f} s, the last " if age_s > SILENT_S else ""
    return f"{silent}{', '.join(values)}: waits for {indication['waits_for']}"


def in_words(reasons: list[str]) -> str:
    """Return reasons and qualifiers with what they mean.

    Examples
    --------
    >>> in_words(["max-wait"])
    'max-wait (it took longer than the criterion waits)'
    """
    return ", ".join(f"{each} ({REASONS[each]})" if each in REASONS else each for each in reasons)


def in_doubt(doubt: dict[str, Json]) -> str:
    """Return how many results a record doubts."""
    number = len(doubt["determinations"])
    if number == 0:
        return "There is no result since the last good check to doubt"
    return f"Doubt on {number} {'result' if number == 1 else 'results'} since the last good check"


def show(text: str) -> None:
    """Write over the line before, on a terminal only."""
    if sys.stderr.isatty():
        width = shutil.get_terminal_size().columns
        click.echo("\r" + text[: width - 1].ljust(width - 1) + ("" if text else "\r"), nl=False, err=True)


@contextmanager
def session(path: Path, cell: str, operator: str | None, *, supersede: bool = False) -> Iterator[Session]:
    """Talk to the daemon of a configuration, or be one for the time of the command."""
    config = _configured(path, cell)
    folder = Path(config.store.folder)
    here = Session(folder, cell, operator, supersede=supersede)
    if _answers(folder):
        yield here
        return
    with _own_daemon(config, cell):
        yield here


def _configured(path: Path, cell: str) -> Config:
    config = load_config(path, InstalledDrivers())
    if cell not in config.cells:
        raise UsageError(f"no cell {cell}; the configuration has {', '.join(config.cells)}")
    return config


def who_works(path: Path, cell: str, operator: str | None) -> str:
    """Return who works; what is wrong with the configuration or the cell is told before anybody is asked."""
    _configured(path, cell)
    given: str = told(operator, "Who works", flag="--operator")
    return given


def _answers(folder: Path) -> bool:
    try:
        asyncio.run(ask(folder, {"command": "status"}))
    except QuietcellError:
        return False
    return True


@contextmanager
def _own_daemon(config: Config, cell: str) -> Iterator[None]:
    """Run a daemon for one cell that measures only what it is asked to."""
    from quietcell.service.daemon import Daemon  # noqa: PLC0415 # dear, and not needed beside a running one

    configure_logs("text", file=open("/dev/null", "w", encoding="utf-8"))  # noqa: SIM115, PTH123 # lives as long as the process
    one = config.cells[cell].model_copy(update={"mode": "on-request"})
    alone = config.model_copy(update={"cells": {cell: one}, "outlets": OutletSettings()})
    daemon = Daemon(config=alone, drivers=InstalledDrivers(), clock=SystemClock())
    ready, failure, stop = threading.Event(), [], asyncio.Event()
    loops: list[asyncio.AbstractEventLoop] = []

    async def run() -> None:
        loops.append(asyncio.get_running_loop())
        await daemon.run(stop, ready=ready.set)

    def work() -> None:
        try:
            asyncio.run(run())
        except Exception as error:  # noqa: BLE001 # told in the thread that waits for it
            failure.append(error)
        finally:
            ready.set()

    thread = threading.Thread(target=work, name="own daemon")
    thread.start()
    try:
        ready.wait(START_S)
        if failure:
            raise failure[0]
        yield
    finally:
        if loops and thread.is_alive():
            loops[0].call_soon_threadsafe(stop.set)
        thread.join()


def told(value: Any, prompt: str, *, flag: str, **options: Any) -> Any:
    """Return what a flag gave, else ask; where nobody can be asked the flag is named."""
    if value is not None:
        return value
    if not sys.stdin.isatty():
        if "default" in options:
            return click.types.convert_type(options.get("type"))(options["default"])
        raise UsageError(f"{prompt}: nobody to ask; give {flag}")
    return click.prompt(prompt, err=True, show_default=bool(options.get("default")), **options)


def confirmed(value: bool | None, question: str, *, flag: str) -> bool:  # noqa: FBT001 # a flag's value
    """Return what a flag gave, else ask."""
    if value is not None:
        return value
    if not sys.stdin.isatty():
        raise UsageError(f"{question}: nobody to ask; give {flag}")
    return click.confirm(question, err=True)


def ready(text: str, *, pause: bool) -> None:
    """Say what to do, and wait until it is done."""
    click.echo(text, err=True)
    if pause and sys.stdin.isatty():
        click.prompt("Press Enter when that is done", default="", show_default=False, err=True)


def bench_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add what every command for work at the bench takes."""
    for option in reversed(
        (
            click.argument("cell"),
            click.option(
                "--config", "path", required=True, type=click.Path(path_type=Path), help="The configuration."
            ),
            click.option("--operator", help="Who works."),
            click.option("--no-pause", is_flag=True, help="Do not wait for Enter before each measurement."),
            click.option(
                "--supersede", is_flag=True, help="End what someone else asked for and is being measured."
            ),
            click.option("--json", "as_json", is_flag=True, help="Print the outcome as JSON."),
        )
    ):
        command = option(command)
    return command
