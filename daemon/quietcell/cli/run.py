"""``quietcell run``: measure until told to stop."""

import asyncio
import signal
from pathlib import Path

import click
import structlog

from quietcell.cli.options import config_option
from quietcell.collector import spare_what_is_there
from quietcell.config import load_config
from quietcell.service.clock import SystemClock
from quietcell.service.daemon import Daemon
from quietcell.service.drivers import InstalledDrivers
from quietcell.service.logs import configure_logs, hold_standard_streams
from quietcell.service.notify import Notifier


@click.command("run")
@config_option
@click.option("--verbose", is_flag=True, help="Log details as well.")
def command(path: Path, *, verbose: bool) -> None:
    """Measure until told to stop (SIGTERM or Ctrl-C).

    Opens every meter of the configuration, judges its readings, keeps every record in the ledger and
    delivers it to the configured outlets. Stopping is always safe; so is pulling the plug. SIGHUP, or
    `quietcell reload`, takes over a changed configuration; an invalid one changes nothing. So it
    goes on when its terminal is closed.
    """
    hold_standard_streams()
    drivers = InstalledDrivers()
    config = load_config(path, drivers)
    configure_logs(config.log.format, verbose=verbose)
    daemon = Daemon(
        config=config,
        drivers=drivers,
        clock=SystemClock(),
        reread=lambda: load_config(path, drivers),
        notifier=Notifier(),
    )
    asyncio.run(run_until_stopped(daemon))


async def run_until_stopped(daemon: Daemon) -> None:
    """Run a daemon until SIGTERM or Ctrl-C; SIGHUP lets it read its configuration again."""
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)
    loop.add_signal_handler(signal.SIGHUP, daemon.reload_asked.set)
    log = structlog.get_logger()

    def ready() -> None:
        log.info("running", cells=list(daemon.cells))
        spare_what_is_there()

    await daemon.run(stop, ready=ready)
    log.info("stopped")
