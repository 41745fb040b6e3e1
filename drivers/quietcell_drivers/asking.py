"""What drivers that ask have in common: a task that owns the exchange, and waiting for silence."""

import asyncio
from collections.abc import Awaitable, Callable

from quietcell.errors import DriverError, ReplyTimeoutError
from quietcell_drivers.waiting_readings import WaitingReadings

_NEVER_SILENT_S = 15.0
"""A line that has not been silent by then belongs to a meter that sends by itself, or to another master."""


class Asking:
    """The task that owns the exchange of one driver; whatever ends it reaches whoever reads."""

    def __init__(self) -> None:
        self._owner: asyncio.Task[None] | None = None

    def begin(self, exchange: Callable[[], Awaitable[None]], waiting: WaitingReadings, *, port: str) -> None:
        """Let `exchange` ask for ever."""
        self._owner = asyncio.create_task(_until_it_breaks(exchange, waiting, port), name=f"{port} asking")

    async def end(self) -> None:
        """Ask no more."""
        owner, self._owner = self._owner, None
        if owner is not None:
            owner.cancel()
            await asyncio.wait({owner})  # unlike awaiting it, leaves a cancellation of our caller alone


async def _until_it_breaks(
    exchange: Callable[[], Awaitable[None]], waiting: WaitingReadings, port: str
) -> None:
    try:
        await exchange()
    except DriverError as error:
        waiting.fail(error)
    except Exception as error:  # noqa: BLE001 # whoever reads must not wait for ever
        broken = DriverError(f"asking broke: {type(error).__name__}: {error}", subject=port)
        broken.__cause__ = error
        waiting.fail(broken)


async def until_silent(
    heard: Callable[[], Awaitable[object]], silent_s: float, *, port: str, hint: str
) -> None:
    """Wait until nothing was heard for `silent_s`.

    Parameters
    ----------
    heard : callable
        Waits until something more comes.
    silent_s : float
        How long.
    port, hint : str
        The line, and what to do where it is never silent.

    Raises
    ------
    ReplyTimeoutError
        If it is never silent.
    """
    try:
        async with asyncio.timeout(max(_NEVER_SILENT_S, 3 * silent_s)):
            while True:
                try:
                    async with asyncio.timeout(silent_s):
                        await heard()
                except TimeoutError:
                    return
    except TimeoutError:
        raise ReplyTimeoutError("the line is never silent", subject=port, hint=hint) from None
