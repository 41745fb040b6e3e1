"""``quietcell drivers``: list the installed drivers and their settings."""

import inspect
import json
from typing import Any

import click

from quietcell.errors import DriverError
from quietcell.service.drivers import InstalledDrivers


@click.command("drivers")
@click.argument("name", required=False)
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def command(name: str | None, *, as_json: bool) -> int:
    """List the installed drivers, or the settings of the driver NAME."""
    drivers = InstalledDrivers()
    if name is not None and name not in drivers:
        raise click.UsageError(f"no driver {name!r}; installed: {', '.join(drivers)}")
    rows = [_described(drivers, each, settings=name is not None) for each in ([name] if name else drivers)]
    if as_json:
        click.echo(json.dumps(rows, ensure_ascii=False))
    else:
        for row in rows:
            click.echo(f"{row['name']:14} {row['fault'] or row['summary']}")
            for setting in row.get("settings", []):
                click.echo(f"\n  {setting['name']} ({setting['default']})")
                click.echo(click.wrap_text(setting["description"], 90, "    ", "    "))
    return 1 if any(row["fault"] for row in rows) else 0


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
        row["settings"] = [
            {
                "name": key,
                "default": "required"
                if field.is_required()
                else f"default {field.get_default(call_default_factory=True)!r}",
                "description": field.description or "",
            }
            for key, field in driver.settings_model.model_fields.items()
        ]
    return row
