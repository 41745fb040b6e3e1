"""The command line; command bodies are imported only when they run."""

import errno
import os
import sqlite3
import sys
from importlib import import_module
from typing import Any

import click

from quietcell.collector import at_rest
from quietcell.errors import ArgumentError, ConfigError, QuietcellError, UsageError, printable, spoken

_USAGE, _CONFIGURATION = 64, 78
"""Exit statuses of sysexits.h: wrong use of the command line, fault in the configuration."""
COMMANDS = {
    "run": "Measure until told to stop.",
    "reload": "Take over a changed configuration.",
    "demo": "Show it at work with emulated meters.",
    "replay": "Judge recordings as if they were measured now.",
    "export": "Write readings of the ledger as a recording.",
    "verify": "Check that nothing in the ledger was changed.",
    "backup": "Copy the ledger while it is written, and check the copy.",
    "request": "Ask for a determination.",
    "episode": "Confirm or reject a suspected cause.",
    "resend": "Send again what the broker refused.",
    "note": "Keep notes about a cell, care that was taken, and what is in it.",
    "alarm": "See alarms; acknowledge, shelve, unshelve them.",
    "calibrate": "Find slope and zero of an electrode in buffers.",
    "check": "Hold a cell against something known.",
    "measure": "Measure a sample someone brought to the bench.",
    "report": "Report on a span, a cell, a determination, a calibration.",
    "status": "Show what each cell reads and waits for.",
    "ports": "List serial ports by names that stay.",
    "drivers": "List installed drivers and their settings.",
    "config": "Check a configuration; print its schema or an example.",
}


class _LazyGroup(click.Group):
    """Finds a command in the module of its name, so that no command pays for another's imports."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 # given by click
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, name: str) -> click.Command | None:  # noqa: ARG002 # given by click
        if name not in COMMANDS:
            return None
        with at_rest():  # a fifth faster
            command: click.Command = import_module(f"quietcell.cli.{name}").command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002 # given by click
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


@click.group(
    cls=_LazyGroup, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100}
)
@click.version_option(package_name="quietcell")
def quietcell() -> None:
    """Unattended pH of purified water.

    Readings that have provably come to rest become results; the rest is recorded with its reasons.
    Exit status: 0 done, 1 failed, 64 wrong use, 78 fault in the configuration.
    """


def main(arguments: list[str] | None = None) -> None:
    """Run the command line and exit with its status."""
    sys.exit(_status(arguments))


def _status(arguments: list[str] | None) -> int:
    try:
        result: Any = quietcell.main(args=arguments, standalone_mode=False)
    except click.UsageError as error:
        error.show()
        return _USAGE
    except (UsageError, ArgumentError) as error:
        _complain(f"quietcell: {error}")
        return _USAGE
    except ConfigError as error:
        _complain("\n".join(error.faults))
        return _CONFIGURATION
    except (click.Abort, KeyboardInterrupt):
        return 130
    except BrokenPipeError:  # whoever read it has seen enough
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1
    except (QuietcellError, click.ClickException, OSError, sqlite3.Error) as error:
        _complain(f"quietcell: {_said(error)}")
        return 1
    return result if isinstance(result, int) else 0


def _complain(text: str) -> None:
    """Print what is wrong; what it quotes of files and meters does nothing to the terminal."""
    click.echo(printable(text, "\n"), err=True)


def _said(error: Exception) -> str:
    if isinstance(error, click.ClickException):
        return error.format_message()
    if isinstance(error, sqlite3.Error):
        return f"the ledger cannot be read: {error}. See what `quietcell verify` says"
    if isinstance(error, OSError) and error.errno == errno.EMFILE:
        return f"{spoken(error)}. Let it have more: LimitNOFILE= of the service, or `ulimit -n`"
    return spoken(error)
