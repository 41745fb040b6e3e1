"""``quietcell resend``: let a running daemon send again what the broker refused."""

import asyncio
import json
from pathlib import Path

import click

from quietcell.cli.options import ledger_folder, ledger_options
from quietcell.errors import QuietcellError
from quietcell.service.control import ask

MOST_NAMED = 20
"""More records are counted, not named."""


@click.command("resend")
@ledger_options
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def command(config: Path | None, ledger: Path | None, *, as_json: bool) -> int:
    """Send the records again that the broker refused.

    A refused record is parked so that the others flow; a `parked` record in the ledger says why. Mend
    the cause (rights, sizes) at the broker first. Ends with status 1 while some are refused still.
    """
    answer = asyncio.run(ask(ledger_folder(config, ledger), {"command": "resend"}, timeout_s=600.0))
    if not answer.pop("ok"):
        raise QuietcellError(answer["error"])
    if as_json:
        click.echo(json.dumps(answer))
    else:
        click.echo(f"Delivered: {_numbers(answer['delivered'])}; parked still: {_numbers(answer['parked'])}")
    return 1 if answer["parked"] else 0


def _numbers(numbers: list[int]) -> str:
    if len(numbers) > MOST_NAMED:
        return f"{len(numbers)} records from {numbers[0]} to {numbers[-1]}"
    return ", ".join(map(str, numbers)) or "none"
