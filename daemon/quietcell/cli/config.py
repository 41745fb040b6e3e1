"""``quietcell config``: check a configuration, print its schema or a commented example; the interface."""

import json
from pathlib import Path

import click

from quietcell.cli.options import config_option
from quietcell.config import example_text, json_schema, load_config, with_lines
from quietcell.errors import ConfigError
from quietcell.service.beside import looked_at
from quietcell.service.drivers import InstalledDrivers


@click.group("config")
def command() -> None:
    """Check a configuration, print its schema or a commented example."""


@command.command("check")
@config_option
def check(path: Path) -> None:
    """Check a configuration.

    Prints every fault at once as FILE:LINE: KEY: what is wrong and what is allowed, and ends with
    status 78. In a file without a fault it goes on to the secrets and certificates named, and to whether
    ports are there; it opens none.
    """
    config = load_config(path, InstalledDrivers())
    faults, unseen = looked_at(config)
    click.echo("".join(f"{line}\n" for line in with_lines(path, unseen)), err=True, nl=False)
    if faults:
        raise ConfigError(with_lines(path, faults))
    cells = ", ".join(config.cells)
    click.echo(f"{path}: sound; cells: {cells}")


@command.command("example")
def example() -> None:
    """Print a commented example; it is the manual of the file."""
    click.echo(example_text(), nl=False)


@command.command("schema")
def schema() -> None:
    """Print the JSON Schema of the file, for editors."""
    click.echo(json.dumps(json_schema(InstalledDrivers()), indent=2, ensure_ascii=False))


@command.command("interface")
@click.option(
    "--folder",
    type=click.Path(file_okay=False, path_type=Path),
    required=True,
    help="Where to; made if it does not exist.",
)
def interface(folder: Path) -> None:
    """Write down what others may rely on: MQTT topics as AsyncAPI, payloads as JSON Schemas."""
    from quietcell.service.interface.asyncapi import write  # noqa: PLC0415 # the other commands do without

    click.echo(f"{write(folder)} files in {folder}")
