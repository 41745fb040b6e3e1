"""Many descriptors on one event loop with few wake-ups.

An event loop spends more on waking up for a line than on reading it. With a few ports open nothing
waits. With many, the descriptors are left alone for a moment after each round, so that the next round
finds several of them ready: as network adaptors do with their interrupts.
"""

import asyncio
import select
from collections.abc import Callable
from weakref import WeakKeyDictionary

MANY_PORTS = 16
"""From so many open ports on, input may wait for other input."""
GATHERING_S = 0.01
"""For at most so long; a receipt is stamped late by no more than that."""

_gathering: "WeakKeyDictionary[asyncio.AbstractEventLoop, Gathering]" = WeakKeyDictionary()


def watch(loop: asyncio.AbstractEventLoop, descriptor: int, ready: Callable[[], None]) -> None:
    """Have the event loop call `ready` whenever `descriptor` can be read or has ended.

    Raises
    ------
    FileExistsError
        If it is watched already.
    """
    if loop not in _gathering:
        _gathering[loop] = Gathering(loop)
    _gathering[loop].add(descriptor, ready)


def leave(loop: asyncio.AbstractEventLoop, descriptor: int) -> None:
    """Watch `descriptor` no longer; safe where it is not watched."""
    gathering = _gathering.get(loop)
    if gathering is not None and not gathering.discard(descriptor):
        del _gathering[loop]


class Gathering:
    """The descriptors one event loop watches."""

    def __init__(self, loop: asyncio.AbstractEventLoop) -> None:
        self._loop = loop
        self._ready: dict[int, Callable[[], None]] = {}
        self._epoll = select.epoll()
        self._next: asyncio.TimerHandle | None = None
        """The next round, while rounds go by time."""
        loop.add_reader(self._epoll.fileno(), self._round)

    def add(self, descriptor: int, ready: Callable[[], None]) -> None:
        """Watch a descriptor."""
        self._epoll.register(descriptor, select.EPOLLIN)
        self._ready[descriptor] = ready

    def discard(self, descriptor: int) -> bool:
        """Watch a descriptor no longer; returns whether any is left, else all is released."""
        if self._ready.pop(descriptor, None) is not None:
            self._epoll.unregister(descriptor)
        if not self._ready and not self._epoll.closed:
            if self._next is not None:
                self._next.cancel()
            if not self._loop.is_closed():
                self._loop.remove_reader(self._epoll.fileno())
            self._epoll.close()
        return bool(self._ready)

    def _round(self) -> None:
        """Read what is ready; go on by time while there is something every time."""
        found = self._epoll.poll(0, maxevents=max(1, len(self._ready)))
        for descriptor, _ in found:
            if (ready := self._ready.get(descriptor)) is None:
                continue  # an earlier one has closed it
            try:
                ready()
            except Exception as error:  # noqa: BLE001 # a mistake of one costs the others nothing
                self._loop.call_exception_handler(
                    {"message": "reading a port broke", "exception": error, "handle": ready}
                )
        if self._epoll.closed:
            return
        by_time, self._next = self._next is not None, None
        if found and len(self._ready) >= MANY_PORTS:
            if not by_time:
                self._loop.remove_reader(self._epoll.fileno())
            self._next = self._loop.call_later(GATHERING_S, self._round)
        elif by_time:
            self._loop.add_reader(self._epoll.fileno(), self._round)
