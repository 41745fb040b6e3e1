"""A pseudo-terminal a test writes a meter's bytes into, and short ways to make settings."""

import asyncio
import os
import tty
from collections.abc import Sequence
from pathlib import Path

from quietcell.contracts import MeterDriver
from quietcell.core.readings import Reading
from tests.support.until import PATIENCE_S


class PseudoTerminal:
    """The meter's end of a line whose other end is a device file with a name that stays."""

    def __init__(self, folder: Path, name: str = "meter") -> None:
        self.link = folder / name
        self.master = -1
        self.plug()

    @property
    def port(self) -> str:
        return str(self.link)

    def plug(self) -> None:
        """Make a new device under the same name."""
        self.master, slave = os.openpty()
        tty.setraw(slave)
        os.set_blocking(self.master, False)
        self.link.unlink(missing_ok=True)
        self.link.symlink_to(os.ttyname(slave))
        os.close(slave)

    def write(self, data: bytes) -> None:
        """Send all of `data`, which must fit the line's buffer."""
        assert os.write(self.master, data) == len(data)

    def read(self) -> bytes:
        """Return what the driver has sent."""
        try:
            return os.read(self.master, 4096)
        except BlockingIOError:
            return b""

    def unplug(self) -> None:
        """Pull the plug: the device hangs up and its name is gone."""
        if self.master >= 0:
            os.close(self.master)
            self.master = -1
            self.link.unlink(missing_ok=True)


async def fetch(driver: MeterDriver, count: int) -> list[Reading]:
    """Read until `count` readings are there."""
    readings: list[Reading] = []
    async with asyncio.timeout(PATIENCE_S):
        while len(readings) < count:
            readings += await driver.read()
    return readings


def mv_and_temperature(readings: Sequence[Reading]) -> list[tuple[float | None, float | None]]:
    return [(r.mv, r.temperature_c) for r in readings]
