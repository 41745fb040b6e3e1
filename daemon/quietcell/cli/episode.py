"""``quietcell episode``: confirm or reject what a running daemon suspects."""

import click

from quietcell.cli.options import Place, json_option, ledger_options, operator_option, print_json


@click.command("episode")
@ledger_options
@operator_option
@click.argument("cell")
@click.argument("episode")
@click.argument("verdict", type=click.Choice(["confirm", "reject"]))
@click.option("--why", help="What you found; kept with the verdict.")
@json_option
def command(
    place: Place,
    cell: str,
    episode: str,
    verdict: str,
    operator: str,
    why: str | None,
    *,
    as_json: bool,
) -> None:
    """Confirm or reject EPISODE of CELL, named by the id of any of its records.

    A confirmed episode stays open until the readings show that its cause is gone. A rejected one closes
    at once: what it said no longer qualifies results, and what is read from here on is the new normal.
    """
    given = {"cell": cell, "episode": episode, "verdict": verdict, "operator": operator}
    reason = {} if why is None else {"why": why}
    answer = place.ask({"command": "episode", **given, **reason})
    if as_json:
        print_json(answer)
        return
    became = answer["episode"]
    state = "unchanged" if became is None else became["body"]["state"]
    click.echo(f"episode {episode} of {cell}: {verdict}ed, {state} (record {answer['operator_verdict']})")
