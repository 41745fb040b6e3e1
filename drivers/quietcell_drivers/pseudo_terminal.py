"""A serial line that is not there: whoever holds its near end is the meter."""

import os
import tty
from pathlib import Path


class PseudoTerminal:
    """The meter's end of a line whose other end is a device file with a name that stays.

    Parameters
    ----------
    folder : Path
        Where the name is put.
    name : str
        Of the device.
    """

    def __init__(self, folder: Path, name: str = "meter") -> None:
        self.link = folder / name
        self.master = -1
        self.plug()

    @property
    def port(self) -> str:
        """What the other end is called in settings."""
        return str(self.link)

    def plug(self) -> None:
        """Make a new device under the same name."""
        self.master, slave = os.openpty()
        tty.setraw(slave)
        os.set_blocking(self.master, False)
        self.link.unlink(missing_ok=True)
        self.link.symlink_to(os.ttyname(slave))
        os.close(slave)

    def unplug(self) -> None:
        """Pull the plug: the device hangs up and its name is gone."""
        if self.master >= 0:
            os.close(self.master)
            self.master = -1
            self.link.unlink(missing_ok=True)

    def write(self, data: bytes) -> None:
        """Send all of `data`, or raise an OSError: the other end takes no more, or the line is not there."""
        if os.write(self.master, data) < len(data):
            raise BlockingIOError("the line took a part")

    def read(self) -> bytes:
        """Return what the other end has sent."""
        try:
            return os.read(self.master, 4096)
        except BlockingIOError:
            return b""
