"""``quietcell export``: write readings of the ledger as a recording."""

from pathlib import Path

import click

from quietcell.cli.options import Place, ledger_options, outside
from quietcell.errors import LedgerDamagedError, UsageError
from quietcell.ledger.journal import Journal
from quietcell.ledger.readings_files import ReadingsFiles
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
    people asked for meanwhile. The daemon may go on running. Where a file is damaged, what can be read is
    written, and the exit status is 1.
    """
    folder = place.folder()
    outside(out, folder)
    with Journal(folder) as journal:
        cells = journal.cells()
        if cell is None and len(cells) == 1:
            cell = cells[0]
        if cell not in cells:
            raise UsageError(f"name a cell with --cell; the ledger has {', '.join(cells) or 'none'}")
        readings = ReadingsFiles(folder, read_only=True)
        try:
            rows = 0
            with out.open("w", encoding="utf-8", newline="\n") as file:
                for line in recording_lines(journal, readings, cell):
                    file.write(line + "\n")
                    rows += 1
            damaged = readings.damaged()  # of a broken file rows may just not turn up
        finally:
            readings.close()
    click.echo(f"{out}: {rows - 1} rows of {cell}", err=True)
    if damaged:
        raise LedgerDamagedError(
            "rows may be missing: the file is damaged",
            subject=", ".join(damaged),
            hint="`quietcell verify` says what is lost; the last backup may have it",
        )
