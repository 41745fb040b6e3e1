"""The machine's own clock, for what runs without the daemon: checks of drivers, listening."""

import asyncio
import time


class MachineClock:
    """Boot time and UTC of this machine."""

    def boot_ms(self) -> int:
        """Return whole milliseconds since boot."""
        return time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000_000  # noqa: TID251 # this is a Clock

    def utc_ms(self) -> int:
        """Return whole milliseconds since 1970 UTC."""
        return time.time_ns() // 1_000_000  # noqa: TID251 # this is a Clock

    async def sleep(self, seconds: float) -> None:
        """Wait."""
        await asyncio.sleep(seconds)
