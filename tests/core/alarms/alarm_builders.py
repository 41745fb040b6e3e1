"""Builders for alarm tests."""

from itertools import count
from typing import Any

from quietcell.core.alarms.body import AlarmBody
from quietcell.core.alarms.engine import AlarmEngine, Person
from quietcell.core.alarms.moment import Moment
from quietcell.core.alarms.rule import AlarmRule, Priority
from quietcell.core.electrode.condition import Signal

UTC_MS = 1_790_000_000_000
SOMEONE = Person(operator="M. Tarn", reason="seen on the round", via="page")


def rule(name: str, **changes: Any) -> AlarmRule:
    """Return a row of the table with nothing special about it."""
    plain: dict[str, Any] = dict.fromkeys(("title", "cause", "consequence", "what_to_do"), name)
    plain |= {"priority": Priority.MEDIUM, "condition": Signal.OUT_OF_SPECIFICATION}
    return AlarmRule(name=name, **{**plain, "respond_within_s": 60.0, **changes})


def engine(*rules: AlarmRule) -> AlarmEngine:
    """Return an engine whose ids count up."""
    ids = count(1)
    return AlarmEngine("live-feed-room", rules, lambda: f"daemon.1.{next(ids)}")


def at(seconds: float) -> Moment:
    """Return a moment so long after the beginning."""
    return Moment(ms=round(seconds * 1000), utc_ms=UTC_MS + round(seconds * 1000))


def see(alarms: AlarmEngine, now: Moment, name: str, *, holds: bool | None) -> list[AlarmBody]:
    """Let an engine observe one condition and act on it."""
    alarms.observe(now, name, holds=holds)
    return alarms.advance(now)
