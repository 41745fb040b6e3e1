"""``quietcell backup``: copy the ledger while it is written, and check the copy."""

from pathlib import Path

import click

from quietcell.cli.options import Place, json_option, ledger_options, outside, print_json


@click.command("backup")
@ledger_options
@click.option(
    "--out",
    required=True,
    type=click.Path(path_type=Path),
    help="Folder to make; must not exist, or be empty.",
)
@json_option
def command(place: Place, out: Path, *, as_json: bool) -> None:
    """Copy the ledger to another folder while the daemon runs, and check the copy.

    The copy is a ledger: `quietcell verify`, `export` and `run` work on it. Copy to another disk or
    machine, and keep the printed head apart from it: with it `quietcell verify --head` finds a ledger
    that was cut or rewritten. It reads what --json prints from a file, too.
    """
    from quietcell.ledger.backup import backup  # noqa: PLC0415 # commands pay only for what they use
    from quietcell.ledger.journal import Journal  # noqa: PLC0415 # commands pay only for what they use

    folder = place.folder()
    outside(out, folder)
    found = backup(folder, out, tell=lambda text: None if as_json else click.echo(text, err=True))
    readings = found.readings + found.readings_uncovered
    if as_json:
        with Journal(out) as journal:
            head = {"ledger": journal.ledger, "seq": found.records, "hash": found.head}
        print_json({"out": str(out), **head, "readings": readings})
        return
    click.echo(f"{out}: {found.records} records, {readings} readings, sound")
    click.echo(f"Head:  {found.records}:{found.head}")
