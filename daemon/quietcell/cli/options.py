"""Options several commands share, and what they do."""

import asyncio
import getpass
import json
import math
import os
import shlex
import shutil
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from functools import wraps
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, TextIO

import click

from quietcell.errors import ConfigError, QuietcellError, UsageError

_WITHOUT = "To go on all the same, name the ledger by its folder: --ledger FOLDER in place of --config"


class Number(click.FloatRange):
    """A number in a range; unlike the library's it is finite."""

    name = "number"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the number, or say that it is none."""
        try:
            found = float(value)
        except (TypeError, ValueError):
            found = math.nan
        if not math.isfinite(found):
            self.fail(f"{value!r} is no number", param, ctx)
        return super().convert(found, param, ctx)

    def _describe_range(self) -> str:
        return "" if self.min is self.max is None else super()._describe_range()


def user_name() -> str:
    """Return the name of whoever runs this; a container's user may have none."""
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        raise UsageError("your user has no name here", hint="Give --operator") from None


config_option = click.option(
    "--config", "path", required=True, type=click.Path(path_type=Path), help="The configuration (TOML)."
)
json_option = click.option("--json", "as_json", is_flag=True, help="Print JSON.")
operator_option = click.option(
    "--operator", default=user_name, show_default="your user name", help="Who asks; records carry it."
)


def print_json(value: Any) -> None:
    """Print what was found as one line of JSON."""
    click.echo(json.dumps(value, ensure_ascii=False))


@dataclass(frozen=True, slots=True)
class Place:
    """Where a ledger lies, by configuration or by folder."""

    config: Path | None
    ledger: Path | None

    def words(self) -> str:
        """Return how to name it once more, in a command people are told."""
        if self.ledger is not None:
            return f"--ledger {shlex.quote(str(self.ledger))}"
        return f"--config {shlex.quote(str(self.config))}"

    def folder(self) -> Path:
        """Return the ledger's folder.

        Raises
        ------
        UsageError
            If neither or both are given, or there is no ledger.
        ConfigError
            If the configuration is wrong.
        QuietcellError
            If this user may not look into the folder.
        """
        ledger = self.ledger
        if (self.config is None) == (ledger is None):
            raise UsageError("name the ledger with either --config FILE or --ledger FOLDER")
        if self.config is not None:
            from quietcell.config import load_config  # noqa: PLC0415 # commands pay only for what they use
            from quietcell.service.drivers import InstalledDrivers  # noqa: PLC0415 # commands pay only for what they use

            try:
                ledger = load_config(self.config, InstalledDrivers()).store.folder
            except ConfigError as error:
                raise ConfigError([*error.faults, _WITHOUT]) from error
        folder = Path(ledger or ".")
        try:
            if not folder.is_dir():
                hint = "Has `quietcell run` been started once?"
                raise UsageError("no ledger here", subject=str(folder), hint=hint)
            with os.scandir(folder):
                return folder
        except PermissionError as error:
            hint = "Join the group that owns it, and log in again"
            raise QuietcellError("not allowed", subject=str(folder), hint=hint) from error

    def ask(self, request: Mapping[str, Any], *, timeout_s: float = 5.0) -> dict[str, Any]:
        """Return the answer of the daemon that works on the ledger.

        Raises
        ------
        QuietcellError
            If no daemon answers, or it says why it does not do what is asked.
        """
        from quietcell.service.control import ask, taken  # noqa: PLC0415 # commands pay only for what they use

        return taken(asyncio.run(ask(self.folder(), request, timeout_s=timeout_s)))


def ledger_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Let a command name its ledger by folder or by configuration; it is given a `Place`."""

    @click.option("--config", type=click.Path(path_type=Path), help="Configuration whose ledger is meant.")
    @click.option(
        "--ledger", type=click.Path(path_type=Path), help="Folder of the ledger, in place of --config."
    )
    @wraps(command)
    def placed(*, config: Path | None, ledger: Path | None, **given: Any) -> Any:
        return command(place=Place(config, ledger), **given)

    return placed


@contextmanager
def whole_file(path: Path) -> Iterator[TextIO]:
    """Open a file for writing that gets its name, and takes an older one's place, only once it is whole.

    A pipe or device is written to as it is, and so is a file in a folder where none can be made.

    Raises
    ------
    QuietcellError
        If it cannot be written; what there was is left.
    """
    real = Path(os.path.realpath(path))
    try:
        if path.exists() and not (path.is_file() and os.access(real.parent, os.W_OK)):
            with path.open("w", encoding="utf-8", newline="\n") as file:
                yield file
            return
        with TemporaryDirectory(prefix=".", dir=real.parent) as folder:
            aside = Path(folder, real.name)
            with aside.open("w", encoding="utf-8", newline="\n") as file:
                yield file
            if real.exists():
                shutil.copymode(real, aside)
            aside.replace(real)
    except BrokenPipeError:
        raise
    except OSError as error:
        raise QuietcellError(f"cannot write: {error.strerror}", subject=str(path)) from error


def outside(out: Path, ledger: Path) -> None:
    """Refuse to write among the files of a ledger.

    Raises
    ------
    UsageError
        If it is its folder or lies in it.
    """
    if Path(os.path.realpath(out)).is_relative_to(os.path.realpath(ledger)):
        raise UsageError("lies in the ledger's own folder", subject=str(out), hint="Name a place outside it")
