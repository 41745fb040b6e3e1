"""The only file that asks the machine what time it is."""

import asyncio
import ctypes
import time
from collections.abc import Callable
from functools import cache

from quietcell.core.records import TimeQuality

_BOOT_CLOCK = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)
"""Other systems than Linux have no clock that counts suspend."""
_TIMEX_BYTES = 512  # struct timex has 208 bytes on 64-bit Linux; its first field 0 means "only read"
_TIME_ERROR = 5  # returned by adjtimex while the clock is not synchronised


class SystemClock:
    """Time of this machine, optionally running `scale` times faster for the demo.

    Parameters
    ----------
    scale : float
        Seconds of this clock for each second of the machine.
    """

    def __init__(self, *, scale: float = 1.0) -> None:
        self.scale = scale
        self._boot_origin_ns = time.clock_gettime_ns(_BOOT_CLOCK)  # noqa: TID251 # same
        self._utc_origin_ns = time.time_ns()  # noqa: TID251 # this is the clock others ask

    def boot_ms(self) -> int:
        """Return whole milliseconds since boot, suspend included."""
        now_ns = time.clock_gettime_ns(_BOOT_CLOCK)  # noqa: TID251 # this is the clock others ask
        if self.scale != 1:
            now_ns = self._boot_origin_ns + round((now_ns - self._boot_origin_ns) * self.scale)
        return now_ns // 1_000_000

    def utc_ms(self) -> int:
        """Return whole milliseconds since 1970 UTC."""
        now_ns = time.time_ns()  # noqa: TID251 # this is the clock others ask
        if self.scale != 1:
            now_ns = self._utc_origin_ns + round((now_ns - self._utc_origin_ns) * self.scale)
        return now_ns // 1_000_000

    async def sleep(self, seconds: float) -> None:
        """Wait for `seconds` of this clock's time."""
        await asyncio.sleep(seconds / self.scale)


def monotonic_us() -> int:
    """Return microseconds of the clock service managers count in."""
    return time.clock_gettime_ns(time.CLOCK_MONOTONIC) // 1000  # noqa: TID251 # this is the clock others ask


def time_quality() -> TimeQuality:
    """Ask the kernel whether something keeps UTC right; it knows of any time service."""
    adjtimex = _adjtimex()
    state = -1 if adjtimex is None else adjtimex(ctypes.create_string_buffer(_TIMEX_BYTES))
    if state < 0:
        return "not-known"
    return "not-synchronised" if state == _TIME_ERROR else "synchronised"


@cache
def _adjtimex() -> Callable[[ctypes.Array[ctypes.c_char]], int] | None:
    """Return the C library's function, where it has one; the library is already in this process."""
    return getattr(ctypes.CDLL(None), "adjtimex", None)
