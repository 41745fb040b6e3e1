"""``quietcell request``: ask a running daemon for a determination."""

import click

from quietcell.cli.options import Place, json_option, ledger_options, operator_option, print_json
from quietcell.core.records import Json


@click.command("request")
@ledger_options
@operator_option
@click.argument("cell")
@click.option("--sample-id", help="What is measured, as you name it; the result carries it.")
@click.option(
    "--from-buffer", is_flag=True, help="The electrode was in a buffer before: hold until it has relaxed."
)
@click.option(
    "--reference", help="Your own id of this request: asked again with the same, it begins nothing new."
)
@json_option
def command(
    place: Place,
    cell: str,
    sample_id: str | None,
    operator: str,
    reference: str | None,
    *,
    from_buffer: bool,
    as_json: bool,
) -> int:
    """Ask for a determination on CELL and return at once.

    It supersedes the cell's own determination; where another request is still open, this one is refused as
    busy, with status 1. The result comes by every outlet and names the request.
    """
    given: dict[str, Json] = {"sample_id": sample_id, "reference": reference, "operator": operator}
    if from_buffer:
        given["from_buffer"] = True
    wanted = {key: value for key, value in given.items() if value is not None}
    answer = place.ask({"command": "request", "cell": cell, **wanted})
    ended = answer["determination"]
    refused = ended is not None and ended["body"]["verdict"] == "refused"
    if as_json:
        print_json(answer)
        return int(refused)
    became = "open" if ended is None else ended["body"]["verdict"]
    reasons = ", ".join(ended["body"]["reasons"]) if ended is not None else ""
    click.echo(f"request {answer['request']}: {became}{f' ({reasons})' if reasons else ''}")
    return int(refused)
