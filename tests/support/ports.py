"""Ports of the loopback for servers that are killed and come back on the same one."""

import itertools
import os
import socket

# Below the range from which the system serves outgoing connections: nobody takes a number in between.
_numbers = itertools.cycle(range(20000 + os.getpid() % 100 * 100, 20000 + os.getpid() % 100 * 100 + 100))


def free_port() -> int:
    """Return a port nothing listens on; tests that run side by side get different ones."""
    for port in itertools.islice(_numbers, 100):
        with socket.socket() as probe:
            try:
                probe.bind(("127.0.0.1", port))
            except OSError:
                continue
            return port
    raise OSError("a hundred ports in a row are taken")
