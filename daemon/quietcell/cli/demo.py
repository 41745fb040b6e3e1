"""``quietcell demo``: the real program with emulated meters, on a clock that runs fast."""

import asyncio
import contextlib
import secrets
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack
from importlib import resources
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import click

from quietcell.cli.demo_view import Story, show_plain, show_table, subscription, summary
from quietcell.cli.options import Number
from quietcell.config import load_config
from quietcell.errors import QuietcellError, UsageError
from quietcell.ledger.journal import Journal
from quietcell.service.clock import SystemClock
from quietcell.service.daemon import Daemon
from quietcell.service.drivers import InstalledDrivers
from quietcell.service.logs import configure_logs

METERS = {
    "header-tank": ("semicolons", "quiet", 11),
    "live-feed-room": ("asked-with-comma", "air-gets-in", 12),
    "larval-hall": ("volts-and-kelvin", "fresh-from-buffer", 13),
}
"""Form, scenario and seed of each cell's emulated meter."""


@click.command("demo")
@click.option(
    "--folder",
    default="quietcell-demo",
    type=click.Path(path_type=Path),
    show_default=True,
    help="Where to put ledger and results; each run makes a folder of its own in it.",
)
@click.option("--seconds", default=80.0, show_default=True, type=Number(5, 3600), help="How long to run.")
@click.option(
    "--pace",
    default=25.0,
    show_default=True,
    type=Number(1, 60),
    help="Seconds of the loop in each second of yours.",
)
@click.option("--broker", metavar="HOST:PORT", help="Publish to this MQTT broker in place of an own one.")
@click.option("--plain", is_flag=True, help="Print lines, no table.")
def command(folder: Path, seconds: float, pace: float, broker: str | None, *, plain: bool) -> None:
    """Show quietcell at work with emulated meters of a small water loop.

    Three meters write real lines to pseudo-terminals; the program that reads them is the one `run` starts.
    One cell is quiet, air gets into another, the electrode of the third is still settling. Stop at any
    time with Ctrl-C.
    """
    place = _own_folder(folder)
    with ExitStack() as stack:
        configure_logs("text", file=stack.enter_context((place / "log").open("w", encoding="utf-8")))
        address, told = _broker(broker, stack)
        config_path = _configuration(place, address)
        page = _page(place, config_path)
        for cell, (form, scenario, seed) in METERS.items():
            stack.enter_context(_meter(place / f"meter-{cell}", form, scenario, seed, pace))
        drivers = InstalledDrivers()
        daemon = Daemon(
            config=load_config(config_path, drivers),
            drivers=drivers,
            clock=SystemClock(scale=pace),
            scale=pace,
        )
        click.echo(f"Emulated meters, the loop's clock runs {pace:g} times faster. {told}{page}")
        story = asyncio.run(_play(daemon, place, seconds, plain=plain or not sys.stdout.isatty()))
    click.echo(summary(story, place))


def _own_folder(folder: Path) -> Path:
    """Make a new numbered folder, so that no run meets another's ledger."""
    for number in range(1, 10_000):
        place = (folder / str(number)).absolute()
        try:
            place.mkdir(parents=True)
        except FileExistsError:
            continue
        except OSError as error:
            raise UsageError(f"cannot make a folder here: {error.strerror}", subject=str(folder)) from error
        return place
    raise UsageError("too many demonstrations here", subject=str(folder), hint="Remove old ones")


def _configuration(place: Path, broker: tuple[str, int] | None) -> Path:
    """Write the configuration of this demonstration."""
    packaged = resources.files("quietcell").joinpath("demo.toml")
    source = packaged if packaged.is_file() else Path(__file__).parents[3] / "config" / "demo.toml"
    text = source.read_text(encoding="utf-8").replace("DEMO", str(place))
    if broker is not None:
        # The broker of the wheel speaks 3.1.1 on its plain port; any other broker does as well.
        text += f'\n[outlets.mqtt]\nhost = "{broker[0]}"\nport = {broker[1]}\nprotocol = "3.1.1"\n'
    path = place / "demo.toml"
    path.write_text(text, encoding="utf-8")
    return path


def _broker(named: str | None, stack: ExitStack) -> tuple[tuple[str, int] | None, str]:
    """Return the address of the broker to use, started if need be, and what to say about it."""
    if named is not None:
        host, _, port = named.rpartition(":")
        if not host or not port.isdecimal():
            raise UsageError("--broker wants HOST:PORT, such as 127.0.0.1:1883")
        return (host, int(port)), f"Publishing to {named}:\n  {subscription(host, int(port))}\n"
    try:
        import iotcore  # noqa: PLC0415 # only the demonstration needs it
    except ImportError:
        return None, "No MQTT: install 'quietcell[demo]', or name a broker with --broker."
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port_number: int = probe.getsockname()[1]
    stack.enter_context(iotcore.Broker(port=port_number, listen="127.0.0.1"))
    watch = subscription("127.0.0.1", port_number)
    return ("127.0.0.1", port_number), f"To see the results arrive, run in another terminal:\n  {watch}\n"


def _page(place: Path, config_path: Path) -> str:
    """Offer the local page where it is installed, and return what to say about it."""
    if find_spec("starlette") is None or find_spec("uvicorn") is None:
        return "\nNo page: install 'quietcell[panel]' to see it in a browser.\n"
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
    token = secrets.token_urlsafe(9)
    path = place / "page-token"
    path.touch(0o600)
    path.write_text(token, encoding="utf-8")
    with config_path.open("a", encoding="utf-8") as file:
        file.write(f'\n[panel]\nport = {port}\ntoken = {{ file = "{path}" }}\n')
    return f"\nThe page: http://127.0.0.1:{port}/  (token to acknowledge alarms: {token})\n"


@contextlib.contextmanager
def _meter(link: Path, form: str, scenario: str, seed: int, pace: float) -> Iterator[None]:
    """Run an emulated meter in a process of its own."""
    command = [sys.executable, "-P", "-m", "quietcell_drivers.emulator", "--link", str(link)]
    words = [*command, "--form", form, "--scenario", scenario, "--seed", str(seed), "--scale", str(pace)]
    process = subprocess.Popen(words, start_new_session=True)  # noqa: S603 # our own program
    try:
        for _ in range(500):
            if link.exists():
                break
            if process.poll() is not None:
                raise QuietcellError("an emulated meter did not start", subject=str(link))
            time.sleep(0.02)
        yield
    finally:
        process.terminate()
        process.wait()
        link.unlink(missing_ok=True)


async def _play(daemon: Daemon, place: Path, seconds: float, *, plain: bool) -> Story:
    """Run the daemon and show what happens, until time is up or someone stops it."""
    stop, ready = asyncio.Event(), asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)
    loop.call_later(seconds, stop.set)
    story = Story(cells=list(METERS))
    running = asyncio.create_task(daemon.run(stop, ready=ready.set))
    await asyncio.wait({running, asyncio.ensure_future(ready.wait())}, return_when=asyncio.FIRST_COMPLETED)
    show: Any = show_plain if plain else show_table
    if not running.done():
        with Journal(place / "ledger") as journal, show(story) as draw:
            while not running.done():
                story.learn(journal.after(story.seq))
                draw(daemon.indications())
                await asyncio.wait({running}, timeout=0.5)
            story.learn(journal.after(story.seq))
            draw(daemon.indications())
    await running
    return story
