"""``quietcell resend``: let a running daemon send again what the broker refused."""

import click

from quietcell.cli.options import Place, json_option, ledger_options, print_json

MOST_NAMED = 20
"""More records are counted, not named."""


@click.command("resend")
@ledger_options
@json_option
def command(place: Place, *, as_json: bool) -> int:
    """Send the records again that the broker refused.

    A refused record is parked so that the others flow; a `parked` record in the ledger says why. Mend
    the cause (rights, sizes) at the broker first. Ends with status 1 while some are refused still.
    """
    answer = place.ask({"command": "resend"}, timeout_s=600.0)
    if as_json:
        print_json(answer)
    else:
        click.echo(f"Delivered: {_numbers(answer['delivered'])}; parked still: {_numbers(answer['parked'])}")
    return 1 if answer["parked"] else 0


def _numbers(numbers: list[int]) -> str:
    if len(numbers) > MOST_NAMED:
        return f"{len(numbers)} records from {numbers[0]} to {numbers[-1]}"
    return ", ".join(map(str, numbers)) or "none"
