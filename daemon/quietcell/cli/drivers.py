"""``quietcell drivers``: list the installed drivers and their settings, or check one."""

import asyncio
import inspect
import json
import textwrap
from collections.abc import Iterator
from dataclasses import asdict
from typing import Any, get_args, get_origin

import click
from pydantic import BaseModel

from quietcell.cli.options import json_option, print_json
from quietcell.errors import DriverError
from quietcell.service.conformance import check_driver
from quietcell.service.drivers import InstalledDrivers


@click.command("drivers")
@click.argument("words", nargs=-1, metavar="[NAME | check NAME]")
@json_option
def command(words: tuple[str, ...], *, as_json: bool) -> int:
    """List the installed drivers, or the settings of the driver NAME.

    `check NAME` lets the driver read an emulated meter that is unplugged, falls silent and sends junk, and
    says what the driver does wrong. No real meter is touched.
    """
    name = words[-1] if words else None
    if len(words) > 2 or (len(words) == 2 and words[0] != "check") or words == ("check",):
        raise click.UsageError("allowed: no word, NAME, or check NAME")
    drivers = InstalledDrivers()
    if name is not None and name not in drivers:
        raise click.UsageError(f"no driver {name!r}; installed: {', '.join(drivers)}")
    if name is not None and len(words) == 2:
        return _check(name, as_json=as_json)
    rows = [_described(drivers, each, settings=name is not None) for each in ([name] if name else drivers)]
    if as_json:
        print_json(rows)
    else:
        for row in rows:
            click.echo(f"{row['name']:14} {row['fault'] or row['summary']}")
            for setting in row.get("settings", []):
                click.echo(f"\n  {setting['name']} ({setting['default']})")
                text = setting["description"]
                click.echo(textwrap.indent(textwrap.fill(text, 86, break_on_hyphens=False), "    "))
    return 1 if any(row["fault"] for row in rows) else 0


def _check(name: str, *, as_json: bool) -> int:
    """Print what a check of a driver finds; 1 if it finds a fault."""
    findings = asyncio.run(check_driver(name))
    if as_json:
        print_json([asdict(finding) for finding in findings])
    for finding in [] if as_json else findings:
        told = "not to be shown here" if finding.skipped else finding.fault
        click.echo(f"{'FAULT' if finding.fault else '-' if finding.skipped else 'good':5}  {finding.check}")
        if told:
            click.echo(f"       {''.join(c if c.isprintable() else '.' for c in told)}")
    return 1 if any(finding.fault for finding in findings) else 0


def _described(drivers: InstalledDrivers, name: str, *, settings: bool) -> dict[str, Any]:
    """Return what is known of a driver; a broken one has a fault in place of a summary."""
    try:
        driver = drivers[name]
    except DriverError as error:
        return {"name": name, "summary": None, "fault": str(error)}
    row: dict[str, Any] = {
        "name": name,
        "summary": (inspect.getdoc(driver) or "no description").splitlines()[0],
        "fault": None,
    }
    if settings:
        row["settings"] = list(_settings(driver.settings_model))
    return row


def _settings(model: type[BaseModel], before: str = "") -> Iterator[dict[str, str]]:
    """Yield what a driver takes, what it must have first; what stands inside a setting is right behind it."""
    for key, field in sorted(model.model_fields.items(), key=lambda item: not item[1].is_required()):
        default = field.get_default(call_default_factory=True)
        yield {
            "name": f"{before}{key}",
            "default": "required" if field.is_required() else f"default {_as_toml(default)}",
            "description": field.description or "",
        }
        for inner, each in _inside(field.annotation):
            yield from _settings(inner, f"{before}{key}.{'NAME.' if each else ''}")


def _inside(annotation: Any, *, each: bool = False) -> Iterator[tuple[type[BaseModel], bool]]:
    """Yield the models a setting is made of, and whether there is one for each name."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation, each
    for part in get_args(annotation):
        yield from _inside(part, each=each or get_origin(annotation) is dict)


def _as_toml(value: object) -> str:
    """Return a default as it would stand in the file."""
    if value is None:
        return "left out"
    if isinstance(value, BaseModel):
        return "{}"  # its keys have defaults of their own
    return json.dumps(value, ensure_ascii=False, default=str)
