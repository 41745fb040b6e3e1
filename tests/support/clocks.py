"""Clocks in the hand of a test."""

import asyncio

from tests.support.streams import ANCHOR_UTC_MS


class HeldClock:
    """A clock that moves only when told, or by sleeping on it; a sleep takes no real time."""

    def __init__(self, *, boot_ms: int = 1_000_000) -> None:
        self.boot = boot_ms
        self.utc = ANCHOR_UTC_MS

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
        self.advance(max(0.0, seconds))
        await asyncio.sleep(0)


class SteppedClock(HeldClock):
    """Moves step by step; whoever sleeps on it wakes when it gets there."""

    def __init__(self, *, boot_ms: int = 1_000_000) -> None:
        super().__init__(boot_ms=boot_ms)
        self._sleepers: list[tuple[int, asyncio.Future[None]]] = []

    async def sleep(self, seconds: float) -> None:
        waking: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._sleepers.append((self.boot + max(1, round(seconds * 1000)), waking))
        await waking

    async def step(self, ms: int) -> None:
        """Move on by `ms`, wake who is due, and let every task run until it waits again."""
        self.advance(ms / 1000)
        due = [waking for at, waking in self._sleepers if at <= self.boot]
        self._sleepers = [(at, waking) for at, waking in self._sleepers if at > self.boot]
        for waking in due:
            if not waking.done():
                waking.set_result(None)
        ready = asyncio.get_running_loop()._ready  # type: ignore[attr-defined] # nothing public tells it
        for _ in range(20):
            await asyncio.sleep(0)
            if not ready:
                break
