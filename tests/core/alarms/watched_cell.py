"""A cell that is watched for its alarms, second by second."""

from dataclasses import replace
from itertools import count
from typing import Any

from quietcell.core.alarms.body import AlarmBody
from quietcell.core.alarms.cell_watch import CellWatch
from quietcell.core.alarms.engine import AlarmEngine
from quietcell.core.alarms.limits import CellLimits
from quietcell.core.alarms.moment import Moment
from quietcell.core.alarms.shipped import CELL_ALARMS
from quietcell.core.indication import Indication
from quietcell.core.times import rfc3339
from tests.core.alarms.alarm_builders import UTC_MS, at

CELL = "live-feed-room"


class Watched:
    """A cell whose meter sends every second unless told otherwise."""

    def __init__(self, **limits: Any) -> None:
        ids = count(1)
        alarms = AlarmEngine(CELL, CELL_ALARMS, lambda: f"daemon.1.{next(ids)}")
        self.watch = CellWatch(CELL, alarms, CellLimits(**limits), UTC_MS)
        self.bodies: list[AlarmBody] = []
        self.second = 0
        self.heard = 0
        self.set_back_ms = 0
        """By how much UTC was set back."""
        self.live = Indication(
            cell=CELL, at=None, age_s=None, mv=25.0, temperature_c=25.0, conductivity_us_cm=0.1,
            flow_ml_min=100.0, ph=6.6, phase="judging", waits_for="drift",
        )  # fmt: skip

    def run(self, seconds: int, *, silent: bool = False, **live: Any) -> list[str]:
        """Let time pass and return what happened as ``alarm event``."""
        self.live = replace(self.live, **live)
        before = len(self.bodies)
        for _ in range(seconds):
            self.second += 1
            self.heard = self.heard if silent else self.second
            heard_at = rfc3339(UTC_MS + self.heard * 1000 - self.set_back_ms)
            live_now = replace(self.live, at=heard_at, age_s=float(self.second - self.heard))
            self.bodies += self.watch.look(self.now, live_now)
        return [f"{body.alarm} {body.event}" for body in self.bodies[before:]]

    @property
    def now(self) -> Moment:
        moment = at(self.second)
        return replace(moment, utc_ms=moment.utc_ms - self.set_back_ms)

    def determination(self, verdict: str, *reasons: str, **more: Any) -> None:
        ended = rfc3339(self.now.utc_ms)
        body = {
            "record": "determination", "id": "live-feed-room.1.9", "verdict": verdict,
            "reasons": list(reasons), "ended": ended,
            "ph": 6.6, "ph_25c": 6.6, "ph_allowed_low": 6.7, "ph_allowed_high": 7.3,
            "rejected_readings": {}, **more,
        }  # fmt: skip
        self.watch.learn(body)

    def episode(
        self, diagnosis: str, state: str, *, began: int = 0, text: str = "Carbon dioxide is suspected."
    ) -> None:
        self.watch.learn({
            "record": "episode", "episode": "live-feed-room.1.7", "diagnosis": diagnosis, "state": state,
            "began": rfc3339(UTC_MS + 1000 * began), "at": rfc3339(UTC_MS + 1000 * self.second),
            "text": text,
        })  # fmt: skip

    def learn(self, body: dict[str, Any], **more: Any) -> None:
        self.watch.learn({**body, **more})

    def current(self) -> bool:
        """Whether the last result may be taken for what the water is now."""
        return self.watch.has_current_result(self.now)

    @property
    def shown(self) -> list[str]:
        return [alarm["alarm"] for alarm in self.watch.engine.shown()]


FAILED_CHECK = {
    "record": "check", "id": "daemon.1.8", "at": rfc3339(UTC_MS + 1000), "method": "buffer",
    "verdict": "failed",
}  # fmt: skip


def with_electrode(name: str | None) -> dict[str, Any]:
    settings = {"calibration_expires_utc_ms": None, "mode": "continuous", "electrode": name}
    return {"record": "configuration", "settings": settings}
