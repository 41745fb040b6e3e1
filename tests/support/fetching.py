"""Short ways to read a driver."""

import asyncio
from collections.abc import Sequence

from quietcell.contracts import MeterDriver
from quietcell.core.readings import Reading
from tests.support.until import PATIENCE_S


async def fetch(driver: MeterDriver, count: int) -> list[Reading]:
    """Read until `count` readings are there."""
    readings: list[Reading] = []
    async with asyncio.timeout(PATIENCE_S):
        while len(readings) < count:
            readings += await driver.read()
    return readings


def mv_and_temperature(readings: Sequence[Reading]) -> list[tuple[float | None, float | None]]:
    return [(r.mv, r.temperature_c) for r in readings]
