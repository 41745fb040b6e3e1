"""``quietcell note``: keep free text about a cell."""

from pathlib import Path

import click

from quietcell.cli.options import ask_daemon, ledger_options, operator_option


@click.command("note")
@ledger_options
@operator_option
@click.argument("cell")
@click.argument("text")
def command(config: Path | None, ledger: Path | None, cell: str, text: str, operator: str) -> None:
    """Keep TEXT about CELL in the ledger of the running daemon, such as "tubing changed".

    A note stands beside the results of its time, with who wrote it; it changes none of them.
    """
    answer = ask_daemon(config, ledger, {"command": "note", "cell": cell, "text": text, "operator": operator})
    click.echo(f"noted as record {answer['seq']}")
