"""The checks of drivers and the meters they are checked at, found by entry point like the drivers."""

from importlib.metadata import EntryPoint, entry_points
from typing import Any

from quietcell.errors import DriverError

STANDS = "quietcell.driver_stands"
"""Entry points that make a meter to check the driver of the same name at."""
CHECKS = "quietcell.conformance"


def _the(group: str, name: str) -> EntryPoint | None:
    return next(iter(entry_points(group=group, name=name)), None)


async def check_driver(name: str) -> list[Any]:
    """Check an installed driver at the stand its package offers; returns the findings.

    Raises
    ------
    DriverError
        If there is nothing to check it at, or that cannot be loaded.
    """
    check, stand = _the(CHECKS, "check"), _the(STANDS, name)
    if check is None or stand is None:
        raise DriverError(
            "offers no meter to check it at",
            subject=f"driver {name}",
            hint=f"Its package needs an entry point {name!r} in the group {STANDS}",
        )
    try:
        run, made = check.load(), stand.load()()
    except Exception as error:
        raise DriverError(
            f"its stand cannot be loaded: {type(error).__name__}: {error}", subject=f"driver {name}"
        ) from error
    findings: list[Any] = await run(made)
    return findings
