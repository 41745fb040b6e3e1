"""A meter that does what a script says, on a clock in a test's hand."""

import asyncio
from collections.abc import Iterable, Sequence
from typing import ClassVar

from quietcell.contracts import Clock, DriverSettings, LineCounts
from quietcell.core.readings import Reading
from quietcell.errors import PortLostError, PortUnavailableError


class Loss:
    """The port goes away at `boot_ms` and cannot be opened before `back_boot_ms`."""

    def __init__(self, boot_ms: int, back_boot_ms: int) -> None:
        self.boot_ms = boot_ms
        self.back_boot_ms = back_boot_ms


class ScriptedDriver:
    """Yields each reading of its script when the clock reaches it."""

    settings_model: ClassVar[type[DriverSettings]] = DriverSettings

    def __init__(self, script: Iterable[Reading | Loss | Exception], clock: Clock) -> None:
        self.counts = LineCounts()
        self._script = list(script)
        self._clock = clock
        self._closed_until = 0
        self.opened = 0

    async def open(self) -> None:
        if self._clock.boot_ms() < self._closed_until:
            raise PortUnavailableError("no such device", subject="/dev/scripted", hint="Plug it in")
        self.opened += 1

    async def read(self) -> Sequence[Reading]:
        if not self._script:
            await asyncio.Event().wait()
        step = self._script[0]
        if isinstance(step, Exception):
            self._script.pop(0)
            raise step
        if self._clock.boot_ms() < step.boot_ms:
            await self._clock.sleep((step.boot_ms - self._clock.boot_ms()) / 1000)
        self._script.pop(0)
        if isinstance(step, Loss):
            self._closed_until = step.back_boot_ms
            raise PortLostError("hung up", subject="/dev/scripted")
        return [step]

    async def close(self) -> None:
        pass
