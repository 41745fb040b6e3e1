"""What the daemon's own state means for its alarms: disk, outlets, clock."""

import shutil
from collections.abc import Callable, Mapping, Sequence

from quietcell.core.alarms.body import AlarmBody
from quietcell.core.alarms.engine import AlarmEngine
from quietcell.core.alarms.moment import Moment
from quietcell.core.records import Json
from quietcell.ledger.ledger import Ledger
from quietcell.outlets.follower import Outlet
from quietcell.service.clock import time_quality

SLOW_LOOK_MS = 10_000
"""Disk and clock are asked so often."""
LEAST_FREE_MB = 200.0
"""A month of one-second readings of one cell takes about as much."""
SAME_STEP_MS = 10_000
"""Every cell records a step of the clock; within so long they mean the same one."""
_PARKED = "publish-parked"


class DaemonWatch:
    """Feeds the daemon's alarms.

    Parameters
    ----------
    engine : AlarmEngine
        Its alarms.
    ledger : Ledger
        Whose disk and commits are watched.
    outlets : callable
        Gives the outlets, looked at for what does not take records.
    """

    def __init__(self, engine: AlarmEngine, ledger: Ledger, outlets: Callable[[], Sequence[Outlet]]) -> None:
        self.engine = engine
        self._ledger = ledger
        self._outlets = outlets
        self._slow_ms: int | None = None
        self._stepped_ms: int | None = None
        self._refused: tuple[str, str | None] = "", None
        """Why a record was set aside last, and the record that says so."""

    def learn(self, now: Moment, body: Mapping[str, Json]) -> list[AlarmBody]:
        """Take in a record of any cell or of the daemon."""
        if body["record"] == "parked" and body.get("state") != "delivered":
            self._refused = (body["text"], body["id"])
            return []
        if body["record"] == "clock-step":
            if self._stepped_ms is not None and now.ms - self._stepped_ms < SAME_STEP_MS:
                return []
            self._stepped_ms = now.ms
            text = f"UTC moved by {body['step_s']:+.0f} s"
            return self.engine.pulse(now, "clock-stepped", text=text, about=body["id"])
        return []

    def look(self, now: Moment) -> list[AlarmBody]:
        """Hold the daemon's state against the table and return what changed."""
        for name, files in (("broker-away", False), ("files-not-written", True)):
            outlets = [o for o in self._outlets() if o.name.startswith("files") is files]
            away = [f"{o.name}: {o.state}" for o in outlets if not o.working]
            self.engine.observe(now, name, holds=bool(away), text="; ".join(away))
        aside = sum(len(outlet.parked) for outlet in self._outlets())
        text, about = self._refused
        told = f"{aside} set aside{text and f'; the last: {text}'}"
        self.engine.observe(now, _PARKED, holds=aside > 0, text=told, about=about)
        if self._slow_ms is None or now.ms - self._slow_ms >= SLOW_LOOK_MS:
            self._slow_ms = now.ms
            self._look_at_machine(now)
        return self.engine.advance(now)

    def _look_at_machine(self, now: Moment) -> None:
        failure = self._ledger.failure
        trouble = self._ledger.trouble if failure is None else str(failure)
        if trouble:
            self.engine.observe(now, "ledger-trouble", holds=True, text=trouble)
        else:
            free_mb = shutil.disk_usage(self._ledger.folder).free / 1e6
            text = f"{free_mb:.0f} MB free where the ledger lies"
            self.engine.observe_level(now, "ledger-trouble", free_mb, low=LEAST_FREE_MB, text=text)
        quality = time_quality()
        self.engine.observe(
            now,
            "clock-unsynchronised",
            holds=None if quality == "not-known" else quality == "not-synchronised",
            text="no time service keeps UTC right",
        )
