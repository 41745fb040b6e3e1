"""``quietcell backup``: copy the ledger while it is written, and check the copy."""

from pathlib import Path

import click

from quietcell.cli.options import Place, ledger_options, outside


@click.command("backup")
@ledger_options
@click.option(
    "--out",
    required=True,
    type=click.Path(path_type=Path),
    help="Folder to make; must not exist, or be empty.",
)
def command(place: Place, out: Path) -> None:
    """Copy the ledger to another folder while the daemon runs, and check the copy.

    The copy is a ledger: `quietcell verify`, `export` and `run` work on it. Copy to another disk or
    machine, and keep the printed head apart from it: with it `quietcell verify --head` finds a ledger
    that was cut or rewritten.
    """
    from quietcell.ledger.backup import backup  # noqa: PLC0415 # commands pay only for what they use

    folder = place.folder()
    outside(out, folder)
    found = backup(folder, out, tell=lambda text: click.echo(text, err=True))
    click.echo(f"{out}: {found.records} records, {found.readings + found.readings_uncovered} readings, sound")
    click.echo(f"Head:  {found.records}:{found.head}")
