"""Tell a service manager how the daemon is, over the datagram socket it names in the environment.

The protocol is `sd_notify(3)`: lines of ``KEY=VALUE``. Without ``NOTIFY_SOCKET`` nothing is told.
"""

import os
import socket
from collections.abc import Mapping

from quietcell.service.clock import monotonic_us

_LONGEST_STATUS = 200


class Notifier:
    """Sends states to whoever supervises this process.

    Parameters
    ----------
    environment : mapping
        Where ``NOTIFY_SOCKET``, ``WATCHDOG_USEC`` and ``WATCHDOG_PID`` stand.
    """

    def __init__(self, environment: Mapping[str, str] | None = None) -> None:
        given = os.environ if environment is None else environment
        self._address = given.get("NOTIFY_SOCKET", "")
        if self._address.startswith("@"):
            self._address = "\0" + self._address[1:]  # a name outside the file system
        self.watchdog_s = _watchdog_s(given)
        """The manager acts when it hears nothing for so long, s; None when it does not care."""

    def ready(self, status: str) -> None:
        """Tell that the daemon does its work, after the start or a reload."""
        self._send("READY=1", f"STATUS={_one_line(status)}")

    def reloading(self) -> None:
        """Tell that the configuration is being read again; `ready` ends it."""
        self._send("RELOADING=1", f"MONOTONIC_USEC={monotonic_us()}")

    def stopping(self) -> None:
        """Tell that the daemon is on its way out."""
        self._send("STOPPING=1", "STATUS=stopping")

    def status(self, text: str) -> None:
        """Tell people how it stands."""
        self._send(f"STATUS={_one_line(text)}")

    def alive(self) -> None:
        """Feed the watchdog."""
        self._send("WATCHDOG=1")

    def _send(self, *lines: str) -> None:
        if not self._address:
            return
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as out:
            out.settimeout(0)
            try:
                out.sendto("\n".join(lines).encode(), self._address)
            except OSError:
                return  # nobody listens any more, or not now; the watchdog is fed again soon


def _one_line(text: str) -> str:
    return "".join(c if c.isprintable() else "?" for c in text)[:_LONGEST_STATUS]


def _watchdog_s(environment: Mapping[str, str]) -> float | None:
    """Return the watchdog's patience, if it is this process it watches."""
    span, pid = environment.get("WATCHDOG_USEC", ""), environment.get("WATCHDOG_PID", "")
    if not span.isdecimal() or int(span) == 0 or (pid and pid != str(os.getpid())):
        return None
    return int(span) / 1e6
