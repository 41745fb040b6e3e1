"""Readings are given up by the month once they are old enough; the journal says so first."""

import sqlite3
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from typing import ClassVar, Final

from quietcell.contracts import Clock
from quietcell.core.records import Body
from quietcell.core.times import rfc3339
from quietcell.errors import LedgerError
from quietcell.ledger.journal import Journal
from quietcell.ledger.ledger import Ledger
from quietcell.ledger.readings_files import month_of
from quietcell.ledger.verify import READINGS_EXPIRED
from quietcell.service.records import DaemonIds

LOOK_S: Final = 3600.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingsExpiredBody(Body):
    """Readings that retention gives up; what rests on them can't be recomputed any more."""

    kind: ClassVar[str] = READINGS_EXPIRED

    months: tuple[str, ...]
    """UTC months, as the file names write them."""
    readings: int
    """As far as the files can be read."""


def old_months(months: list[str], *, keep: int, utc_ms: int) -> list[str]:
    """Return the months that are older than `keep` whole months before now.

    The newest `keep` files stay whatever the clock says: one that jumps ahead must not empty a ledger.

    Examples
    --------
    >>> old_months(["2026-06", "2026-07", "2026-08", "2026-09"], keep=2, utc_ms=1_790_000_000_000)
    ['2026-06']
    """
    oldest_kept = _oldest_kept(keep, utc_ms)
    return [each for each in sorted(months)[:-keep] if each < oldest_kept]


def _oldest_kept(keep: int, utc_ms: int) -> str:
    year, month = (int(part) for part in month_of(utc_ms).split("-"))
    count = 12 * year + month - 1 - keep
    return f"{count // 12:04d}-{count % 12 + 1:02d}"


def _is_over(journal: Journal, month: str, *, oldest_kept: str) -> bool:
    """Return whether a month is as old as its name says, by what came behind it.

    What a clock that was not set yet dated 1970 was measured today, and a jump ahead makes nothing old.
    """
    behind = journal.month_behind(month)
    return behind is None or behind <= oldest_kept


async def expire(ledger: Ledger, ids: DaemonIds, *, keep: int, utc_ms: int) -> None:
    """Give up the months that are old enough: say so, then remove their files."""

    def over() -> list[str]:
        oldest_kept = _oldest_kept(keep, utc_ms)
        named = old_months(ledger.readings.months(), keep=keep, utc_ms=utc_ms)
        return [month for month in named if _is_over(ledger.journal, month, oldest_kept=oldest_kept)]

    months = await ledger.run(over)
    if not months:
        return
    count = 0
    for month in months:
        with suppress(LedgerError, sqlite3.DatabaseError):  # a damaged file must not keep the rest for ever
            count += await ledger.run(partial(ledger.readings.total, [month]))
    at = rfc3339(utc_ms)
    await ledger.record(
        [ReadingsExpiredBody(id=ids.next(), cell="daemon", at=at, months=tuple(months), readings=count)]
    )
    for month in months:
        await ledger.run(partial(ledger.readings.remove, month))


async def expire_hourly(
    ledger: Ledger, ids: DaemonIds, clock: Clock, *, keep: Callable[[], int | None]
) -> None:
    """Look every hour for months to give up; `keep` tells how many stay, None for all."""
    while True:
        months = keep()
        if months is not None:
            await expire(ledger, ids, keep=months, utc_ms=clock.utc_ms())
        await clock.sleep(LOOK_S)
