"""An event loop whose time jumps to the next timer when nothing else is to do."""

import asyncio
import selectors
from collections.abc import Callable, Coroutine
from typing import Any, TypeVar

Result = TypeVar("Result")


class _JumpingSelector(selectors.DefaultSelector):
    """Never waits: time moves on instead."""

    def __init__(self) -> None:
        super().__init__()
        self.now_s = 1000.0

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        ready = super().select(0)
        if not ready and timeout is None:
            raise RuntimeError("everything waits and no timer runs")
        if not ready and timeout:
            self.now_s += timeout
        return ready


class VirtualLoop(asyncio.SelectorEventLoop):
    """Hours of waiting in milliseconds; only for what lives on this loop alone."""

    def __init__(self) -> None:
        self._jumping = _JumpingSelector()
        super().__init__(self._jumping)

    def time(self) -> float:
        return self._jumping.now_s


class VirtualClock:
    """The loop's time as a clock."""

    def __init__(self, loop: VirtualLoop) -> None:
        self._loop = loop

    def boot_ms(self) -> int:
        return int(self._loop.time() * 1000)

    def utc_ms(self) -> int:
        return 1_780_000_000_000 + self.boot_ms()

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(seconds)


def run_virtually(make: Callable[[VirtualClock], Coroutine[Any, Any, Result]]) -> Result:
    """Run a coroutine, made with a clock, to its end in virtual time."""
    loop = VirtualLoop()
    try:
        return loop.run_until_complete(make(VirtualClock(loop)))
    finally:
        loop.close()
