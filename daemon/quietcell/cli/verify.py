"""``quietcell verify``: check that nothing in the ledger was changed."""

import json
from collections.abc import Callable, Iterator
from pathlib import Path

import click

from quietcell.cli.options import ledger_folder, ledger_options
from quietcell.errors import LedgerDamagedError
from quietcell.ledger.chain import Stored, check_chain
from quietcell.ledger.journal import Journal


@click.command("verify")
@ledger_options
@click.option("--head", help="Hash of the last record as witnessed elsewhere (MQTT topic head).")
@click.option("--json", "as_json", is_flag=True, help="Print the outcome as JSON.")
def command(config: Path | None, ledger: Path | None, head: str | None, *, as_json: bool) -> int:
    """Check that nothing in the ledger was changed, removed, swapped or added.

    Reads the whole journal, which may go on being written. Without --head a cut tail or a complete
    rewrite can't be seen: keep heads somewhere else.
    """
    with Journal(ledger_folder(config, ledger)) as journal:
        total = journal.head[0]
        with click.progressbar(length=total, label="Checking", hidden=as_json) as bar:
            try:
                count, found = check_chain(_told(journal.all(), bar.update))
                fault = ""
                if head is not None and head != found:
                    fault = f"the last record's hash is {found}, witnessed was {head}"
            except LedgerDamagedError as error:
                count, found, fault = 0, "", str(error)
        outcome = {"ledger": journal.ledger, "records": count, "head": found, "fault": fault or None}
    if as_json:
        click.echo(json.dumps(outcome))
    elif fault:
        click.echo(f"Damaged: {fault}")
    else:
        click.echo(f"Sound: {count} records of ledger {outcome['ledger']}\nHead:  {found}")
    return 1 if fault else 0


def _told(records: Iterator[Stored], tell: Callable[[int], None]) -> Iterator[Stored]:
    """Pass records on and tell of each."""
    for record in records:
        yield record
        tell(1)
