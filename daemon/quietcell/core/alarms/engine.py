"""The alarms of one owner, a cell or the daemon: observations and time in, record bodies out.

Pure: the same calls give the same bodies. Delays and shelves run on a clock that never steps; records are
dated in UTC. The bodies are enough to restore the alarms after a restart.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field

from quietcell.core.alarms.body import AlarmBody
from quietcell.core.alarms.delay import Delay, beyond
from quietcell.core.alarms.moment import Moment, Span
from quietcell.core.alarms.rule import AlarmRule, Priority, causes_first
from quietcell.core.alarms.states import SHOWN, TRANSITIONS, AlarmEvent, AlarmState
from quietcell.core.electrode.condition import SEVERITY, Signal
from quietcell.core.records import ABSENT, Json
from quietcell.core.times import DAY_MS, rfc3339
from quietcell.errors import QuietcellError

LONGEST_SHELF_MS = 7 * DAY_MS
"""A week; what should never sound again is disabled in the configuration, where others see it."""
_ORDER = (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED, AlarmState.ACKNOWLEDGED, AlarmState.SHELVED)
"""In which people see them, whatever the priority."""


class AlarmRefusedError(QuietcellError):
    """What someone asked of an alarm makes no sense in its state."""


class AlarmUnknownError(AlarmRefusedError):
    """There is no alarm of this name here."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    """Who does something to an alarm, and why."""

    operator: str | None
    reason: str
    via: str


@dataclass(slots=True, kw_only=True)
class Alarm:
    """One alarm at work."""

    rule: AlarmRule
    delay: Delay
    state: AlarmState = AlarmState.NORMAL
    since: str | None = None
    text: str = ""
    about: str | None = None
    shelf: Span | None = None
    lasts: Span | None = None
    """Of a condition that was begun for a stated time."""
    last: AlarmBody | None = field(default=None, repr=False)
    """The record of its last step."""


class AlarmEngine:
    """All alarms of one owner.

    Parameters
    ----------
    owner : str
        The cell, or ``daemon``.
    rules : iterable of AlarmRule
        The table; of disabled rows nothing is observed, but what was raised before returns.
    next_id : callable
        Gives the id of the next body.

    Raises
    ------
    QuietcellError
        If alarms would suppress each other in a circle.
    """

    def __init__(self, owner: str, rules: Iterable[AlarmRule], next_id: Callable[[], str]) -> None:
        self._owner = owner
        self._next_id = next_id
        self._alarms = {
            rule.name: Alarm(
                rule=rule,
                delay=Delay(on_ms=round(rule.on_delay_s * 1000), off_ms=round(rule.off_delay_s * 1000)),
            )
            for rule in rules
        }
        self._awake: set[str] = set()
        """Alarms with anything to follow: nearly none, nearly always."""
        self._order = causes_first({name: alarm.rule.suppressed_by for name, alarm in self._alarms.items()})

    # --- what is seen: taken at once, acted on by the next `advance` ---------------------------

    def observe(
        self,
        now: Moment,
        name: str,
        *,
        holds: bool | None,
        text: str | Callable[[], str] = "",
        about: str | None = None,
        lasts: Span | None = None,
        over: str = "",
    ) -> None:
        """Take whether an alarm's condition holds; None is not known and changes nothing.

        A text that mostly nobody needs may be given as what makes it. `over` is the one once it holds no
        longer, where the last would mislead.
        """
        alarm = self._watched(name)
        if alarm is None or holds is None:
            return
        if not holds and name not in self._awake:
            return
        self._awake.add(name)
        alarm.delay.see(now.ms, holds=holds)
        if holds:  # what is told of an alarm follows what is seen
            alarm.text = text if isinstance(text, str) else text()
            alarm.about, alarm.lasts = about, lasts
        elif over:
            alarm.text = over

    def observe_level(
        self,
        now: Moment,
        name: str,
        value: float | None,
        *,
        low: float | None = None,
        high: float | None = None,
        text: str | Callable[[], str] = "",
        about: str | None = None,
    ) -> None:
        """Take a level and hold it against limits, with the deadband of the table."""
        alarm = self._watched(name)
        if alarm is None or value is None:
            return
        already = alarm.delay.seen
        holds = beyond(value, low=low, high=high, deadband=alarm.rule.deadband, already=already)
        self.observe(now, name, holds=holds, text=text, about=about)

    def pulse(self, now: Moment, name: str, *, text: str, about: str | None = None) -> list[AlarmBody]:
        """Take something that happened and is over: it waits to be acknowledged.

        While it waits, more of the same only changes what is said of it: a cause that goes on, such as a
        broker that refuses this very alarm, must not fill the journal.
        """
        alarm = self._watched(name)
        if alarm is None:
            return self.advance(now)
        alarm.text, alarm.about = text, about
        if alarm.state is AlarmState.RETURNED:
            return self.advance(now)
        hidden = any(self._alarms[cause].delay.counts for cause in self._causes(alarm))
        bodies = [] if hidden else self._step(alarm, AlarmEvent.RAISED, now)
        return [*bodies, *self._step(alarm, AlarmEvent.RETURNED, now), *self.advance(now)]

    def advance(self, now: Moment, *, by: Mapping[str, Person] | None = None) -> list[AlarmBody]:
        """Let time pass: delays run out, shelves end, causes hide what follows from them.

        `by` names who ended the condition of an alarm, where a person did.
        """
        bodies: list[AlarmBody] = []
        for name in [each for each in self._order if each in self._awake] if self._awake else ():
            alarm = self._alarms[name]
            if alarm.state is AlarmState.NORMAL and not (alarm.delay.seen or alarm.delay.counts):
                self._awake.discard(name)
                continue
            alarm.delay.advance(now.ms)
            if alarm.shelf is not None and now.ms >= alarm.shelf.ends_ms:
                alarm.shelf = None
                bodies += self._step(alarm, AlarmEvent.SHELF_ENDED, now)
            bodies += self._settle(alarm, now, (by or {}).get(name))
        return bodies

    def _watched(self, name: str) -> Alarm | None:
        alarm = self._alarms.get(name)
        return alarm if alarm is not None and alarm.rule.enabled else None

    def _causes(self, alarm: Alarm) -> Iterator[str]:
        return (cause for cause in alarm.rule.suppressed_by if cause in self._alarms)

    def _settle(self, alarm: Alarm, now: Moment, by: Person | None) -> Iterator[AlarmBody]:
        """Bring an alarm's state in line with its condition and its causes."""
        causes = [self._alarms[cause] for cause in self._causes(alarm)]
        cause = next((c.rule.name for c in causes if c.delay.counts), None)
        if not alarm.delay.counts:
            yield from self._step(alarm, AlarmEvent.RETURNED, now, by=by)
            alarm.lasts = None
        elif cause is not None:
            yield from self._step(alarm, AlarmEvent.SUPPRESSED, now, suppressed_by=cause)
        elif alarm.state is AlarmState.SUPPRESSED:
            yield from self._step(alarm, AlarmEvent.RELEASED, now)
            alarm.delay.begin_anew(now.ms)
            alarm.delay.advance(now.ms)
            if alarm.delay.counts:
                yield from self._step(alarm, AlarmEvent.RAISED, now)
        elif not any(c.delay.seen for c in causes):  # a cause that may yet count goes first
            yield from self._step(alarm, AlarmEvent.RAISED, now)

    # --- what people do ------------------------------------------------------------------------

    def acknowledge(self, now: Moment, name: str, by: Person) -> list[AlarmBody]:
        """Note that someone knows of an alarm.

        Raises
        ------
        AlarmRefusedError
            If there is no such alarm, or nothing of it to acknowledge.
        """
        return list(self._step(self._named(name), AlarmEvent.ACKNOWLEDGED, now, by=by))

    def begin(self, now: Moment, name: str, by: Person, *, text: str, lasts: Span) -> list[AlarmBody]:
        """Take a condition that someone brings about for a stated time, and therefore knows of.

        One that goes on already lasts until the time stated now.

        Raises
        ------
        AlarmRefusedError
            If there is no such alarm, or nobody would see it; nothing has changed then.
        """
        alarm = self._named(name)
        hidden = any(self._alarms[cause].delay.counts for cause in self._causes(alarm))
        if hidden or alarm.state is AlarmState.SHELVED:
            raise AlarmRefusedError(
                f"nobody would see it: it is {'suppressed' if hidden else 'shelved'}",
                subject=f"{self._owner}/{name}",
                hint="End what hides it first",
            )
        self.observe(now, name, holds=True, text=text, lasts=lasts)
        alarm.delay.counts = True  # who brings it about need not wait for it
        if alarm.state is not AlarmState.ACKNOWLEDGED:
            return [*self.advance(now), *self.acknowledge(now, name, by)]
        body_id, stays = self._next_id(), AlarmState.ACKNOWLEDGED
        alarm.last = self._body(
            alarm, body_id, rfc3339(now.utc_ms), AlarmEvent.ACKNOWLEDGED, stays, alarm.since, by
        )
        return [alarm.last, *self.advance(now)]

    def shelve(self, now: Moment, name: str, by: Person, *, until_utc_ms: int) -> list[AlarmBody]:
        """Put an alarm aside until a stated time.

        Raises
        ------
        AlarmRefusedError
            If there is no such alarm, or the time is past or more than a week off.
        """
        alarm = self._named(name)
        if not now.utc_ms < until_utc_ms <= now.utc_ms + LONGEST_SHELF_MS:
            raise AlarmRefusedError(
                f"the shelf would end at {rfc3339(until_utc_ms)}",
                subject=f"{self._owner}/{name}",
                hint="Name an end within the next seven days",
            )
        alarm.shelf = Span.beginning(now, until_utc_ms)
        return list(self._step(alarm, AlarmEvent.SHELVED, now, by=by))

    def unshelve(self, now: Moment, name: str, by: Person) -> list[AlarmBody]:
        """Take an alarm from the shelf; it is raised anew if its condition holds.

        Raises
        ------
        AlarmRefusedError
            If there is no such alarm or it is not shelved.
        """
        alarm = self._named(name)
        bodies = list(self._step(alarm, AlarmEvent.UNSHELVED, now, by=by))
        alarm.shelf = None
        return [*bodies, *self.advance(now)]

    def _named(self, name: str) -> Alarm:
        alarm = self._alarms.get(name)
        if alarm is None or not (alarm.rule.enabled or alarm.state in SHOWN):
            names = sorted(each for each in self._alarms if self._watched(each))
            raise AlarmUnknownError(
                f"no alarm {name!r}", subject=self._owner, hint=f"Its alarms are {', '.join(names)}"
            )
        return alarm

    # --- steps ---------------------------------------------------------------------------------

    def _step(
        self,
        alarm: Alarm,
        event: AlarmEvent,
        now: Moment,
        *,
        by: Person | None = None,
        suppressed_by: str | None = None,
    ) -> list[AlarmBody]:
        """Move an alarm; a step that people can see gives a body."""
        before = alarm.state
        after = TRANSITIONS.get((before, event))
        if after is None:
            raise AlarmRefusedError(
                f"is {before.value}; it can't be {event.value} now",
                subject=f"{self._owner}/{alarm.rule.name}",
            )
        if after is before and by is None:
            return []
        at = rfc3339(now.utc_ms)
        if event is AlarmEvent.RAISED or alarm.since is None:
            alarm.since = at
        since, alarm.since = alarm.since, None if after is AlarmState.NORMAL else alarm.since
        alarm.state = after
        self._awake.add(alarm.rule.name)
        if not {before, after} & SHOWN:
            return []
        alarm.last = self._body(alarm, self._next_id(), at, event, before, since, by, suppressed_by)
        return [alarm.last]

    def _body(
        self,
        alarm: Alarm,
        body_id: str,
        at: str,
        event: AlarmEvent,
        before: AlarmState,
        since: str | None,
        by: Person | None = None,
        suppressed_by: str | None = None,
    ) -> AlarmBody:
        rule, shelf = alarm.rule, alarm.shelf
        return AlarmBody(
            id=body_id,
            cell=self._owner,
            at=at,
            alarm=rule.name,
            title=rule.title,
            event=event,
            state=alarm.state,
            before=before,
            priority=rule.priority,
            condition=rule.condition,
            since=since or at,
            text=alarm.text,
            cause=rule.cause,
            consequence=rule.consequence,
            what_to_do=rule.what_to_do,
            respond_within_s=rule.respond_within_s,
            about=alarm.about,
            suppressed_by=ABSENT if suppressed_by is None else suppressed_by,
            shelved_until=ABSENT if shelf is None or alarm.state is not AlarmState.SHELVED else shelf.until,
            ends=ABSENT if alarm.lasts is None else alarm.lasts.until,
            operator=ABSENT if by is None else by.operator,
            reason=ABSENT if by is None else by.reason,
            via=ABSENT if by is None else by.via,
        )

    # --- views and restarts --------------------------------------------------------------------

    def shown(self) -> list[dict[str, Json]]:
        """Return what people should see, the most urgent first."""
        shown = [
            {**alarm.last.as_json(), "text": alarm.text, "about": alarm.about}
            for alarm in self._alarms.values()
            if alarm.state in SHOWN and alarm.last is not None
        ]
        return sorted(shown, key=urgency)

    def present(self, name: str) -> bool:
        """Tell whether an alarm's condition holds after its delays, shown or not."""
        return name in self._alarms and self._alarms[name].delay.counts

    def lasts(self, name: str) -> Span | None:
        """Return how long a condition begun for a stated time lasts."""
        return self._named(name).lasts

    def condition(self) -> Signal:
        """Return the worst signal of what is present, after NAMUR NE 107; shelving doesn't better it."""
        signals = [alarm.rule.condition for alarm in self._alarms.values() if alarm.delay.counts]
        return max(signals, key=SEVERITY.index, default=Signal.NONE)

    def states(self) -> dict[str, AlarmState]:
        """Return where each alarm stands, also those nobody sees."""
        return {name: alarm.state for name, alarm in self._alarms.items()}

    def restore(
        self, bodies: Iterable[Mapping[str, Json]], now: Moment, *, before: "AlarmEngine | None" = None
    ) -> None:
        """Take up where records left off: `bodies` are those of this owner, in order.

        What runs for a stated time goes on as in the engine before, where this one takes its place.

        What was raised is taken to hold still until it is observed again, and what was begun for a stated
        time to hold on the shelf, too; what was hidden behind a cause waits out its delay anew.
        """
        last = {body["alarm"]: body for body in bodies}
        for name, body in last.items():
            alarm, state = self._alarms.get(name), AlarmState(body["state"])
            if alarm is None or state not in SHOWN:
                continue
            self._awake.add(name)
            alarm.state = state
            alarm.since, alarm.text, alarm.about = body["since"], body["text"], body["about"]
            old = None if before is None else before._alarms.get(name)  # noqa: SLF001 # of its own kind
            if (until := body.get("shelved_until")) is not None:
                shelf = None if old is None else old.shelf
                alarm.shelf = Span.going_on(now, began=body["at"], until=until, known=shelf)
            if (ends := body.get("ends")) is not None:
                known = None if old is None else old.lasts
                alarm.lasts = Span.going_on(now, began=body["since"], until=ends, known=known)
            lasts = "ends" in body and body["event"] != AlarmEvent.RETURNED
            holds = state in {AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED}
            holds = holds or (state is AlarmState.SHELVED and lasts)
            alarm.delay.seen = alarm.delay.counts = holds and alarm.rule.enabled
            alarm.delay.since_ms = now.ms
            # For views only; it never becomes a record.
            alarm.last = self._body(
                alarm, "", rfc3339(now.utc_ms), AlarmEvent.RAISED, alarm.state, alarm.since
            )


def urgency(alarm: Mapping[str, Json]) -> tuple[int, int, str]:
    """Return what alarms that are shown are sorted by, the most urgent first."""
    priorities = [each.value for each in Priority]
    return _ORDER.index(alarm["state"]), priorities.index(alarm["priority"]), alarm["since"]
