"""A clock that tests move step by step; whoever sleeps on it wakes when it gets there."""

import asyncio


class SteppedClock:
    """Boot time and UTC in the hand of a test."""

    def __init__(self, *, boot_ms: int = 1_000_000, utc_ms: int = 1_790_000_000_000) -> None:
        self.boot = boot_ms
        self.utc = utc_ms
        self._sleepers: list[tuple[int, asyncio.Future[None]]] = []

    def boot_ms(self) -> int:
        return self.boot

    def utc_ms(self) -> int:
        return self.utc

    async def sleep(self, seconds: float) -> None:
        waking: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._sleepers.append((self.boot + max(1, round(seconds * 1000)), waking))
        await waking

    async def step(self, ms: int) -> None:
        """Move on by `ms`, wake who is due, and let every task run until it waits again."""
        self.boot += ms
        self.utc += ms
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
