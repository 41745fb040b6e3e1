"""A meter that reads the same a hundred times a second."""

import asyncio
from collections.abc import Sequence
from typing import ClassVar

from quietcell.contracts import Clock, DriverSettings, LineCounts
from quietcell.core.readings import Reading


class SteadyDriver:
    """Reads 25 mV at 21 °C."""

    settings_model: ClassVar[type[DriverSettings]] = DriverSettings

    def __init__(self, _settings: DriverSettings, clock: Clock) -> None:
        self.counts = LineCounts()
        self.clock = clock

    async def open(self) -> None:
        """There is no port."""

    async def close(self) -> None:
        """There is no port."""

    async def read(self) -> Sequence[Reading]:
        await asyncio.sleep(0.01)
        return [Reading(boot_ms=self.clock.boot_ms(), mv=25.0, temperature_c=21.0)]
