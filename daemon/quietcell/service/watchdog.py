"""Feed the service manager's watchdog only when everything that should move has moved.

That this code runs shows that the event loop turns; the ledger's writer answers a question of its own;
each cell's count of steps must have grown.
"""

from collections.abc import Awaitable, Callable, Mapping

import structlog

from quietcell.contracts import Clock
from quietcell.service.notify import Notifier

ROUNDS = 4
"""Looks within the manager's patience, so that one slow commit does not end the daemon."""


async def feed_watchdog(
    notifier: Notifier,
    clock: Clock,
    *,
    writer_answers: Callable[[], Awaitable[object]],
    steps: Callable[[], Mapping[str, int | None]],
) -> None:
    """Feed until cancelled.

    Parameters
    ----------
    notifier : Notifier
        Tells the manager; without a watchdog this returns at once.
    clock : Clock
        Time.
    writer_answers : callable
        Returns once the ledger's writer thread has come round.
    steps : callable
        For each cell the number of steps it has done, None where none is due.
    """
    if notifier.watchdog_s is None:
        return
    log = structlog.get_logger()
    before = dict(steps())
    stuck_before: list[str] = []
    while True:
        await clock.sleep(notifier.watchdog_s / ROUNDS)
        await writer_answers()  # while it does not, nothing is fed
        now = dict(steps())
        stuck = sorted(name for name, count in now.items() if count is not None and count == before.get(name))
        if not stuck:
            notifier.alive()
        if stuck != stuck_before:
            log.warning("cells stand still", cells=stuck) if stuck else log.info("cells move again")
        stuck_before, before = stuck, now
