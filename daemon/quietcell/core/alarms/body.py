"""The record of a step of an alarm."""

from dataclasses import dataclass
from typing import ClassVar

from quietcell.core.alarms.rule import Priority
from quietcell.core.alarms.states import AlarmEvent, AlarmState
from quietcell.core.electrode.condition import Signal
from quietcell.core.records import ABSENT, Absent, Body, decimals


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmBody(Body):
    """An alarm went from one state to another."""

    kind: ClassVar[str] = "alarm"

    alarm: str
    """Name in the alarm table."""
    title: str
    event: AlarmEvent
    state: AlarmState
    before: AlarmState
    priority: Priority
    condition: Signal
    since: str
    """When it was last raised; for one never raised, when it left normal."""
    text: str
    """What was seen, with value and limit."""
    cause: str
    consequence: str
    what_to_do: str
    respond_within_s: float = decimals(0, "s")
    about: str | None
    """Id of the record it rests on; null where live state was seen."""
    suppressed_by: str | Absent = ABSENT
    """The alarm that already tells the cause."""
    shelved_until: str | Absent = ABSENT
    ends: str | Absent = ABSENT
    """When what was begun for a stated time ends by itself."""
    operator: str | Absent | None = ABSENT
    """Who did it, for what people do; null where the way they came by doesn't tell."""
    reason: str | Absent = ABSENT
    """Why, in their words."""
    via: str | Absent = ABSENT
    """How they did it: socket, mqtt or page."""
