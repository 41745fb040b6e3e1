"""Clocks for tests: one held in the hand, and the machine's for what runs over a pseudo-terminal."""

import asyncio
import time


class HeldClock:
    """A clock that moves only when told, or by sleeping on it; a sleep takes no real time."""

    def __init__(self, *, boot_ms: int = 1_000_000, utc_ms: int = 1_780_000_000_000) -> None:
        self.boot = boot_ms
        self.utc = utc_ms
        self.slept_s: list[float] = []

    def boot_ms(self) -> int:
        return self.boot

    def utc_ms(self) -> int:
        return self.utc

    def advance(self, seconds: float) -> None:
        """Move boot time and UTC on together."""
        self.boot += round(seconds * 1000)
        self.utc += round(seconds * 1000)

    async def sleep(self, seconds: float) -> None:
        """Move on by `seconds` and let every other task run once."""
        self.slept_s.append(seconds)
        self.advance(max(0.0, seconds))
        await asyncio.sleep(0)


class RealClock:
    """The machine's own clock."""

    def boot_ms(self) -> int:
        return time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000_000  # noqa: TID251 - this is a Clock

    def utc_ms(self) -> int:
        return time.time_ns() // 1_000_000  # noqa: TID251 - this is a Clock

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(seconds)
