"""What meters send that is no reading: a new kind of trouble at once, all counts once an hour.

Single readings and single bad lines are never logged: a meter sends ten a second.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import structlog

from quietcell.contracts import Clock, LineCounts

LOOK_S = 10.0
TOLD_EVERY_S = 3600.0


@dataclass(slots=True)
class _Seen:
    """Of one cell: what its driver had counted at the last look, and the sums of the hour."""

    readings: int = 0
    discarded_bytes: int = 0
    reasons: dict[str, int] = field(default_factory=dict)
    hour: dict[str, int] = field(default_factory=dict)
    known: set[str] = field(default_factory=set)
    """Reasons told within the hour and the one before."""

    def add(self, counts: LineCounts) -> list[str]:
        """Add what came since the last look and return the reasons that are new."""
        if counts.readings < self.readings or counts.discarded_bytes < self.discarded_bytes:
            self.readings, self.discarded_bytes, self.reasons = 0, 0, {}  # opened again: counts began anew
        self._sum("readings", counts.readings - self.readings)
        self._sum("discarded bytes", counts.discarded_bytes - self.discarded_bytes)
        for reason, times in counts.reasons.items():
            self._sum(reason, times - self.reasons.get(reason, 0))
        self.readings, self.discarded_bytes = counts.readings, counts.discarded_bytes
        self.reasons = dict(counts.reasons)
        new = [reason for reason in counts.reasons if reason in self.hour and reason not in self.known]
        self.known.update(new)
        return new

    def _sum(self, what: str, more: int) -> None:
        if more > 0:
            self.hour[what] = self.hour.get(what, 0) + more


class LineWatch:
    """Logs the line counts of all cells."""

    def __init__(self) -> None:
        self._seen: dict[str, _Seen] = {}
        self._log = structlog.get_logger()

    def look(self, counts: Mapping[str, LineCounts]) -> None:
        """Take the counts as they are now; tell of every kind of trouble that is new."""
        self._seen = {name: self._seen.get(name, _Seen()) for name in counts}
        for name, now in counts.items():
            for reason in self._seen[name].add(now):
                self._log.warning("line not read", cell=name, reason=reason, line=now.last_bad_line)

    def tell(self) -> None:
        """Tell the counts of the hour and begin anew."""
        for name, seen in self._seen.items():
            self._log.info("lines of the hour", cell=name, **dict(sorted(seen.hour.items())))
            seen.known = {reason for reason in seen.known if reason in seen.hour}
            seen.hour = {}


async def watch_lines(clock: Clock, counts: Callable[[], Mapping[str, LineCounts]]) -> None:
    """Look and tell until cancelled."""
    watch = LineWatch()
    while True:
        for _ in range(round(TOLD_EVERY_S / LOOK_S)):
            await clock.sleep(LOOK_S)
            watch.look(counts())
        watch.tell()
