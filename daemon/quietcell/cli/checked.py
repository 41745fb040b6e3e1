"""The whole ledger verified under a progress bar, for the commands that tell what came of it."""

import sys
from typing import Any

import click

from quietcell.errors import LedgerDamagedError
from quietcell.ledger.journal import Journal
from quietcell.ledger.readings_files import ReadingsFiles
from quietcell.ledger.verify import Head, verify


def checked(
    journal: Journal, files: ReadingsFiles, *, head: Head | None = None, quiet: bool
) -> dict[str, Any]:
    """Verify a ledger and return what came of it, as JSON has it.

    Parameters
    ----------
    journal, files : Journal, ReadingsFiles
        The ledger; it may go on being written.
    head : Head, optional
        Witnessed elsewhere.
    quiet : bool
        Show no bar; else it goes to standard error, out of the way of what was asked for.
    """
    try:
        with click.progressbar(
            length=journal.head[0], label="Checking", hidden=quiet, file=sys.stderr
        ) as bar:
            found = verify(journal, files, head=head, tell=bar.update)
    except LedgerDamagedError as error:
        return {"sound": False, "fault": str(error)}
    return {
        "sound": True,
        "fault": None,
        "records": found.records,
        "head": found.head,
        "readings": found.readings,
        "readings_expired": found.readings_expired,
        "readings_not_covered_yet": found.readings_uncovered,
    }
