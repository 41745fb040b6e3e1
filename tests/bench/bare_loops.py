"""Yardsticks of `ports_cost`: programs that only read and split lines.

Usage: python -m tests.bench.bare_loops loop|threads PORT...
"""

import asyncio
import os
import sys
import threading
import tty

import serial


class Loop:
    """One event loop that reads descriptors and splits lines."""

    def __init__(self, ports: list[str]) -> None:
        self._held = {os.open(port, os.O_RDONLY | os.O_NOCTTY | os.O_NONBLOCK): b"" for port in ports}
        self.fields = 0

    async def run(self) -> None:
        loop = asyncio.get_running_loop()
        for descriptor in self._held:
            tty.setraw(descriptor)
            loop.add_reader(descriptor, self._read, descriptor)
        await loop.create_future()

    def _read(self, descriptor: int) -> None:
        *lines, self._held[descriptor] = (self._held[descriptor] + os.read(descriptor, 4096)).split(b"\r\n")
        for line in lines:
            self.fields += len(line.decode().split(";"))


def watch(port: str) -> None:
    """Read one meter for ever."""
    line = serial.Serial(port, timeout=2)
    while True:
        line.readline().decode().split(";")


def main() -> None:
    """Read until killed."""
    kind, *ports = sys.argv[1:]
    if kind == "loop":
        asyncio.run(Loop(ports).run())
    for port in ports:
        threading.Thread(target=watch, args=(port,), daemon=True).start()
    threading.Event().wait()


if __name__ == "__main__":
    main()
