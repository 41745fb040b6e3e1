"""``quietcell alarm``: see what wants attention, and say that you know."""

import re
from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import Any

import click

from quietcell.cli.options import (
    Place,
    config_option,
    json_option,
    ledger_options,
    operator_option,
    print_json,
)
from quietcell.core.records import Json
from quietcell.errors import UsageError

_UNITS_S = {"s": 1.0, "min": 60.0, "h": 3600.0, "d": 86_400.0}
STATES = {"unacknowledged": "not acknowledged", "returned-unacknowledged": "over, not acknowledged"}
"""Where an alarm stands, in the words of the page."""


@click.group("alarm")
def command() -> None:
    """See the alarms of a running daemon; acknowledge, shelve or unshelve them.

    An alarm is named by its cell (or `daemon`) and its name, as `list` prints them. Everything people do is
    recorded with who did it and why.
    """


@command.command("list")
@ledger_options
@json_option
def list_alarms(place: Place, *, as_json: bool) -> None:
    """List the alarms people should see, the most urgent first."""
    answer = place.ask({"command": "alarms"})
    if as_json:
        print_json(answer)
        return
    for alarm in answer["alarms"]:
        until = f" until {alarm['shelved_until']}" if "shelved_until" in alarm else ""
        state = f"{alarm['priority']} priority, {STATES.get(alarm['state'], alarm['state'])}{until}"
        click.echo(f"{alarm['cell']} {alarm['alarm']}: {alarm['title']} ({state})")
        click.echo(f"  since {alarm['since']}{_and(alarm['text'])}")
        if alarm["state"] == "returned-unacknowledged":
            click.echo("  It is over. Acknowledge it when you have seen to it.")
            click.echo(f"  What was to be done: {alarm['what_to_do']}")
        else:
            click.echo(f"  do: {alarm['what_to_do']}")
            click.echo(f"  within {_span(alarm['respond_within_s'])}, or: {alarm['consequence']}")
        if "episode" in alarm:
            words = f"quietcell episode {alarm['cell']} {alarm['episode']} confirm {place.words()}"
            known = "confirmed; it closes once the readings show that its cause is gone"
            unknown = f"once you know: `{words}`, or `reject`, with what you found in --why"
            click.echo(f"  {known if alarm['confirmed'] else unknown}")
    if not answer["alarms"]:
        click.echo("no alarm")


def _act(asked: str) -> Callable[[Callable[..., dict[str, Json]]], Callable[..., None]]:
    """Make of what an act has of its own the whole of it: who, why, at which cell, and what became of it."""

    def whole(own: Callable[..., dict[str, Json]]) -> Callable[..., None]:
        @ledger_options
        @operator_option
        @click.option("--why", required=True, help="Why; the record carries it.")
        @json_option
        @click.argument("cell")
        @wraps(own)
        def act(
            place: Place,
            cell: str,
            operator: str,
            why: str,
            *,
            as_json: bool,
            **given: Any,
        ) -> None:
            request = {"command": asked, "cell": cell, "operator": operator, "reason": why, **own(**given)}
            answer = place.ask(request)
            if as_json:
                print_json(answer)
            else:
                click.echo(f"{cell} {answer['alarm']}: {answer['state']} (record {answer['seq']})")

        return act

    return whole


@command.command("acknowledge")
@_act("alarm-acknowledge")
@click.argument("alarm")
def acknowledge(alarm: str) -> dict[str, Json]:
    """Say that you know of ALARM of CELL."""
    return {"alarm": alarm}


@command.command("shelve")
@_act("alarm-shelve")
@click.option("--for", "span", required=True, help="How long, such as 30min, 8h or 2d; a week at most.")
@click.argument("alarm")
def shelve(alarm: str, span: str) -> dict[str, Json]:
    """Put ALARM of CELL aside for a while; it comes back by itself."""
    return {"alarm": alarm, "for_s": _seconds(span)}


@command.command("unshelve")
@_act("alarm-unshelve")
@click.argument("alarm")
def unshelve(alarm: str) -> dict[str, Json]:
    """Take ALARM of CELL back from the shelf."""
    return {"alarm": alarm}


@command.command("sanitisation")
@_act("sanitisation")
@click.option(
    "--for", "span", help="How long from now, such as 90min or 4h; a day at most. Left out: end it now."
)
def sanitisation(span: str | None) -> dict[str, Json]:
    """Put CELL into function check for a hot or chemical cycle, prolong that, or take it out.

    Nothing is measured meanwhile, and its other alarms keep quiet. Lines may be hot or hold cleaning
    agent: follow the site's rules.
    """
    return {} if span is None else {"for_s": _seconds(span)}


@command.command("table")
@config_option
@json_option
def table(path: Path, *, as_json: bool) -> None:
    """Print every alarm a configuration watches for: cause, consequence, what to do, how long one has."""
    from dataclasses import asdict  # noqa: PLC0415 # commands pay only for what they use

    from quietcell.config import load_config  # noqa: PLC0415 # same
    from quietcell.config.alarms import alarm_table  # noqa: PLC0415 # same
    from quietcell.service.drivers import InstalledDrivers  # noqa: PLC0415 # same

    rows = [row for rows in alarm_table(load_config(path, InstalledDrivers()).alarms) for row in rows]
    if as_json:
        print_json([asdict(row) for row in rows])
        return
    for row in rows:
        click.echo(f"{row.name}: {row.title} ({row.priority}{'' if row.enabled else ', disabled'})")
        click.echo(f"  cause: {row.cause}\n  consequence: {row.consequence}\n  do: {row.what_to_do}")
        click.echo(f"  within {_span(row.respond_within_s)}")


def _seconds(span: str) -> float:
    found = re.fullmatch(r"(\d+(?:\.\d+)?)\s*(s|min|h|d)", span.strip())
    if found is None:
        raise UsageError(f"{span!r} is no span of time", subject="--for", hint="Write 30min, 8h or 2d")
    return float(found[1]) * _UNITS_S[found[2]]


def _span(seconds: float) -> str:
    """Return a span in its largest unit that leaves at least two of them, or one."""
    unit = next((u for u in ("d", "h", "min") if seconds >= _UNITS_S[u]), "s")
    return f"{seconds / _UNITS_S[unit]:g} {unit}"


def _and(text: str) -> str:
    return f": {text}" if text else ""
