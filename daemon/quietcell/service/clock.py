"""The only file that asks the machine what time it is."""

import asyncio
import ctypes
import ctypes.util
import time

from quietcell.core.records import TimeQuality

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
        self._boot_origin_ns = _boot_ns()
        self._utc_origin_ns = time.time_ns()  # noqa: TID251 # this is the clock others ask

    def boot_ms(self) -> int:
        """Return whole milliseconds since boot, suspend included."""
        now_ns = _boot_ns()
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


def _boot_ns() -> int:
    """Return nanoseconds since boot; other systems than Linux have no clock that counts suspend."""
    clock = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)
    return time.clock_gettime_ns(clock)  # noqa: TID251 # this is the clock others ask


def time_quality() -> TimeQuality:
    """Ask the kernel whether something keeps UTC right; it knows of any time service."""
    library = ctypes.util.find_library("c")
    if library is None:
        return "not-known"
    adjtimex = getattr(ctypes.CDLL(library), "adjtimex", None)
    if adjtimex is None:
        return "not-known"
    state = adjtimex(ctypes.create_string_buffer(_TIMEX_BYTES))
    if state < 0:
        return "not-known"
    return "not-synchronised" if state == _TIME_ERROR else "synchronised"
