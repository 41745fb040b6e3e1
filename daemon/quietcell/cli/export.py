"""``quietcell export``: write readings of the ledger as a recording."""

import sqlite3
from contextlib import closing
from pathlib import Path

import click

from quietcell.cli.options import Place, ledger_options, outside, whole_file
from quietcell.errors import LedgerDamagedError, LedgerError, UsageError
from quietcell.ledger.journal import Journal
from quietcell.ledger.readings_files import ReadingsFiles
from quietcell.ledger.verify import given_up
from quietcell.service.export import recording_lines


@click.command("export")
@ledger_options
@click.option("--cell", help="Which cell; may be left out when there is only one.")
@click.option(
    "--out", required=True, type=click.Path(dir_okay=False, path_type=Path), help="The CSV to write."
)
def command(place: Place, cell: str | None, out: Path) -> None:
    """Write the readings of a cell as a recording (CSV).

    `quietcell replay` of it, with the same configuration, gives the same records again, apart from what
    people asked for meanwhile. What was calibrated and checked at the bench stands in the ledger alone: a
    replay goes by the configuration, where slope and zero then have to be written; `quietcell verify
    --recompute` goes by both. The daemon may go on running. Readings that were given up
    (`keep_readings_months`) are not in it; their months are named. Where a file is damaged, what can be
    read is written, and the exit status is 1.
    """
    folder = place.folder()
    outside(out, folder)
    with Journal(folder) as journal:
        cells = journal.cells()
        if cell is None and len(cells) == 1:
            cell = cells[0]
        if cell not in cells:
            raise UsageError(f"name a cell with --cell; the ledger has {', '.join(cells) or 'none'}")
        rows, damaged, gone = _written(journal, folder, cell, out)
    click.echo(f"{out}: {rows} rows of {cell}", err=True)
    if gone:
        click.echo(f"Given up before, and not in it: readings of {', '.join(sorted(gone))}", err=True)
    if damaged:
        raise LedgerDamagedError(
            "rows may be missing: the file is damaged",
            subject=", ".join(damaged),
            hint="`quietcell verify` says what is lost; the last backup may have it",
        )


def _written(journal: Journal, folder: Path, cell: str, out: Path) -> tuple[int, list[str], set[str]]:
    """Write the recording; return how many rows it has, damaged files, and months given up."""
    while True:
        gone = given_up(journal)
        try:
            rows, damaged = _write(journal, folder, cell, out)
        except (LedgerError, sqlite3.Error):
            if given_up(journal) == gone:
                raise
            continue  # readings went while they were read
        if given_up(journal) == gone:
            return rows, damaged, gone


def _write(journal: Journal, folder: Path, cell: str, out: Path) -> tuple[int, list[str]]:
    with closing(ReadingsFiles(folder, read_only=True)) as readings:
        rows = -1  # one is the header
        with whole_file(out) as file:
            for line in recording_lines(journal, readings, cell):
                file.write(line + "\n")
                rows += 1
        return rows, readings.damaged()  # of a broken file rows may just not turn up
