"""How often each alarm came up in a span, and how long it stood, from its records."""

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from quietcell.core.alarms.states import AlarmEvent, AlarmState
from quietcell.core.records import Json
from quietcell.core.times import utc_ms
from quietcell.report.material import Span


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmTimes:
    """One alarm in a span."""

    alarm: str
    title: str
    priority: str
    raised: int
    unacknowledged_s: float
    """Its cause held, and nobody had said that they knew."""
    acknowledged_s: float
    """Its cause held, and someone knew."""
    shelved_s: float
    """Someone had put it aside; whether its cause held meanwhile is not told apart."""
    state: str
    """At the end of the span."""


def alarm_times(bodies: Iterable[Mapping[str, Json]], span: Span) -> tuple[AlarmTimes, ...]:
    """Return the alarms that were seen in a span, the one that stood longest first.

    Parameters
    ----------
    bodies : iterable of mapping
        Records of a cell's alarms up to the end of the span, in their order.
    span : Span
        The span, as far as anything is known of it.
    """
    told: dict[str, list[Mapping[str, Json]]] = {}
    for body in bodies:
        told.setdefault(body["alarm"], []).append(body)
    found = [_times(each, span) for each in told.values()]
    seen = [each for each in found if each.raised or _stood_s(each) or each.shelved_s]
    return tuple(sorted(seen, key=lambda each: (-_stood_s(each), each.alarm)))


def _stood_s(times: AlarmTimes) -> float:
    return times.unacknowledged_s + times.acknowledged_s


def _times(bodies: list[Mapping[str, Json]], span: Span) -> AlarmTimes:
    begins_ms = [utc_ms(body["at"]) for body in bodies]
    held_ms: Counter[str] = Counter()
    for body, *ends in zip(bodies, begins_ms, [*begins_ms[1:], span.to_ms], strict=True):
        from_ms, to_ms = span.clipped(*ends)
        held_ms[body["state"]] += max(0, to_ms - from_ms)
    raised = (
        at_ms in span and body["event"] == AlarmEvent.RAISED
        for body, at_ms in zip(bodies, begins_ms, strict=True)
    )
    last = bodies[-1]
    return AlarmTimes(
        alarm=last["alarm"],
        title=last["title"],
        priority=last["priority"],
        raised=sum(raised),
        unacknowledged_s=held_ms[AlarmState.UNACKNOWLEDGED] / 1000,
        acknowledged_s=held_ms[AlarmState.ACKNOWLEDGED] / 1000,
        shelved_s=held_ms[AlarmState.SHELVED] / 1000,
        state=last["state"],
    )
