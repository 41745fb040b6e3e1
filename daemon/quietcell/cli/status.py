"""``quietcell status``: what each cell of a running daemon shows and waits for."""

from typing import Any

import click

from quietcell.cli.options import Place, json_option, ledger_options, print_json


@click.command("status")
@ledger_options
@json_option
def command(place: Place, *, as_json: bool) -> None:
    """Show what each cell of the running daemon reads and what it waits for.

    An indication is a live pH that nobody has accepted; results are in the files and on MQTT. What is said
    of an electrode comes from all its calibrations and low-ionic checks.
    """
    answer = place.ask({"command": "status"})
    told = place.ask({"command": "alarms"})
    for cell in answer["cells"]:
        own = [alarm for alarm in told["alarms"] if alarm["cell"] == cell["cell"]]
        cell["alarms"] = [a["title"] for a in own if a["state"] in ("unacknowledged", "acknowledged")]
        cell["condition"] = told["conditions"].get(cell["cell"], "none")
        cell["kept"] = place.ask({"command": "kept", "cell": cell["cell"]})
    if as_json:
        print_json(answer)
        return
    click.echo(f"{answer['site']}: run {answer['run']}, {answer['seq']} records in ledger {answer['ledger']}")
    if answer["disk"] != "works":
        click.echo(f"  {answer['disk']}")
    for outlet in answer["outlets"]:
        click.echo(f"  outlet {outlet['name']}: {outlet['behind']} records behind, {outlet['state']}")
    for cell in answer["cells"]:
        click.echo(f"  {cell['cell']}: {_indication(cell)}")
        click.echo(f"    waits for {cell['waits_for']}")
        if cell["condition"] != "none":
            click.echo(f"    signal after NAMUR NE 107: {cell['condition'].replace('-', ' ')}")
        if cell["alarms"]:
            click.echo(f"    alarms (`quietcell alarm list` tells what to do): {', '.join(cell['alarms'])}")
        for line in _kept(cell["kept"]):
            click.echo(f"    {line}")


def _indication(cell: dict[str, Any]) -> str:
    """Return the live values in words."""
    if cell["at"] is None:
        return "no reading yet"
    lacking = "temperature" if cell["temperature_c"] is None else "a calibration"
    values = [
        ("pH", cell["ph"], "{:.2f}"),
        (f"no pH without {lacking},", cell["mv"] if cell["ph"] is None else None, "{:.2f} mV"),
        ("", cell["temperature_c"], "{:.1f} °C"),
        ("", cell["conductivity_us_cm"], "{:.3f} µS/cm"),
        ("", cell["flow_ml_min"], "{:.0f} mL/min"),
    ]
    shown = [f"{name} {form.format(value)}".strip() for name, value, form in values if value is not None]
    return f"{', '.join(shown)} ({cell['age_s']:.0f} s ago)"


def _kept(kept: dict[str, Any]) -> list[str]:
    """Return what is in a cell, what is wrong with it, and what is due, in lines."""
    lines = []
    if any(kept["things"].values()):
        lines.append(", ".join(f"{thing} {name}" for thing, name in kept["things"].items() if name))
    lines += [
        f"{finding['signal']}: {finding['text']}"
        for finding in kept["condition"]["findings"]
        if finding["signal"] != "none"
    ]
    for due in kept["due"]:
        when = "never recorded" if due["due_at"] is None else due["due_at"][:10]
        lines.append(f"{due['what']} {'is due' if due['overdue'] else 'due'}: {when}")
    return lines
