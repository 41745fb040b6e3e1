"""``quietcell reload``: let a running daemon take over its changed configuration."""

import click

from quietcell.cli.options import Place, json_option, ledger_options, print_json


@click.command("reload")
@ledger_options
@json_option
def command(place: Place, *, as_json: bool) -> None:
    """Let the running daemon read its configuration again.

    Cells are added, removed and changed; the others do not notice. A changed cell ends its open
    determination and begins a segment. A password or certificate that was renewed in its file is taken over
    too. Changes of [site], [store] and [log] need a restart. If anything is wrong nothing changes, and every
    fault is told.
    """
    answer = place.ask({"command": "reload"}, timeout_s=60.0)
    if as_json:
        print_json(answer)
        return
    told = [f"{what} {', '.join(answer[what])}" for what in ("added", "removed", "changed") if answer[what]]
    click.echo(f"Cells: {'; '.join(told) or 'none concerned'}")
    click.echo(f"Besides: {', '.join(answer['besides']) or 'no change'}")
