"""``quietcell note``: notes about a cell, care that was taken, and what is in it."""

from typing import get_args

import click

from quietcell.cli.options import Place, json_option, ledger_options, operator_option, print_json
from quietcell.core.bench_records import Thing
from quietcell.core.records import Json
from quietcell.errors import UsageError
from quietcell.service.command_records import NoteWork

ACIDS = "Cleaning acids burn: gloves, goggles, acid into water. Glass breaks. Follow your local rules."


@click.command("note")
@ledger_options
@operator_option
@click.argument("cell")
@click.argument("text", required=False)
@click.option(
    "--work", type=click.Choice(get_args(NoteWork)), help="What was done; its interval starts anew."
)
@click.option("--put-in", type=click.Choice(get_args(Thing)), help="It is in this cell from now on.")
@click.option("--take-out", type=click.Choice(get_args(Thing)), help="It is in no cell from now on.")
@click.option("--name", help="Of what is put in or taken out; it keeps it wherever it is used.")
@click.option("--serial", help="Its number, as on its label.")
@click.option("--already-there", is_flag=True, help="It was in the cell before it had this name.")
@click.option("--retired", is_flag=True, help="What is taken out will not come back.")
@click.option("--history", help="Show every record of the thing of this name.")
@json_option
def command(
    place: Place,
    cell: str,
    text: str | None,
    operator: str,
    work: str | None,
    put_in: str | None,
    take_out: str | None,
    name: str | None,
    serial: str | None,
    history: str | None,
    *,
    already_there: bool,
    retired: bool,
    as_json: bool,
) -> None:
    """Keep TEXT about CELL, such as "drain hose replaced", what was done there, or what is in it.

    A note stands beside the results of its time, with who wrote it; it changes none of them. An electrode,
    meter or conductivity cell has a name of its own and moves between cells; its notes and calibrations go
    with its name, and a cell takes the calibration made there with what is in it. With --config it works
    without a running daemon too.
    """
    moves = [thing for thing in (put_in, take_out) if thing is not None]
    if len(moves) > 1 or (moves and work is not None) or (history is not None and (moves or work or text)):
        raise UsageError("choose one of TEXT with or without --work, --put-in, --take-out and --history")
    if bool(moves) != (name is not None):
        raise UsageError("--name goes with --put-in and --take-out", hint="Name what is put in or taken out")
    if moves:
        state = "in-use" if put_in is not None else "retired" if retired else "stored"
        wanted = {"thing": moves[0], "name": name, "state": state, "serial": serial, "text": text}
        asked = {"command": "thing", "already_there": already_there, **wanted}
    elif history is not None:
        asked = {"command": "kept", "history_of": history}
    elif text is None and work is None:
        raise UsageError("give a TEXT, --work, --put-in, --take-out or --history")
    else:
        asked = {"command": "note", "work": work, "text": text}
        if work in ("cleaned", "electrolyte-refilled"):
            click.echo(ACIDS, err=True)
    answer = _asked(place, cell, operator, {k: v for k, v in asked.items() if v is not None})
    _tell(answer, place, as_json=as_json)


def _tell(answer: dict[str, Json], place: Place, *, as_json: bool) -> None:
    """Print what became of it."""
    if as_json:
        print_json(answer)
    elif "body" in answer:
        _tell_move(answer, place)
    elif "history" in answer:
        for body in answer["history"]:
            click.echo(_line(body))
    else:
        click.echo(f"noted as record {answer['seq']}")


def _asked(place: Place, cell: str, operator: str, asked: dict[str, Json]) -> dict[str, Json]:
    """Ask the running daemon, or do the same here where none runs."""
    if place.config is None or place.ledger is not None:
        return place.ask({"cell": cell, "operator": operator, **asked})
    from quietcell.cli.bench_session import session  # noqa: PLC0415 # commands pay only for what they use

    with session(place.config, cell, operator) as here:
        return here.ask(**asked)


def _tell_move(answer: dict[str, Json], place: Place) -> None:
    body = answer["body"]
    click.echo(f"{body['thing']} {body['name']}: {body['state']}, record {body['id']}")
    if answer["left"] not in (None, body["cell"]):
        now = ": what stands there now wants a calibration of its own" if body["thing"] == "electrode" else ""
        click.echo(f"It was in {answer['left']} before{now}.")
    if not answer["calibrated"]:
        which = "with it yet" if body["state"] == "in-use" else "without it"
        config = "--config FILE" if place.config is None else place.words()
        what_to_do = f"quietcell calibrate {body['cell']} {config}"
        click.echo(f"{body['cell']} has no calibration {which}: {what_to_do}")
    came = body["thing"] == "electrode" and body["state"] == "in-use" and not body["already_there"]
    if came and answer["fixed"]:
        key = f"cells.{body['cell']}.calibration"
        click.echo(f"The configuration fixes the calibration, which is another electrode's: {key}.")
        click.echo("Put its own values there, or remove that table, `quietcell reload` and calibrate.")
    for reason in body["condition_reasons"]:
        click.echo(f"  {reason}")


def _line(body: dict[str, Json]) -> str:
    """Return a record of a thing in a line."""
    kind, where = body["record"], f"{body['at']} {body['cell']}"
    if kind == "calibration":
        response = body["response_time_s"]
        seconds = "" if response is None else f", response {response:.0f} s"
        values = f"slope {body['slope_pct']:.2f} %, zero {body['zero_mv']:+.2f} mV{seconds}"
        return f"{where} calibration {body['verdict']}: {values}"
    if kind == "check":
        return f"{where} check ({body['method']}) {body['verdict']}"
    if kind == "note":
        return f"{where} {body.get('work', 'note')}: {body['text']}"
    serial = "" if body["serial"] is None else f", serial {body['serial']}"
    return f"{where} {body['state']}{serial}"
