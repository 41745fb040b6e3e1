"""Delays, deadband, causes, shelves and restarts of the alarm engine."""

import random

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition
from hypothesis.stateful import rule as step

from quietcell.core.alarms.body import AlarmBody
from quietcell.core.alarms.engine import AlarmRefusedError
from quietcell.core.alarms.rule import Priority
from quietcell.core.alarms.states import SHOWN, AlarmEvent, AlarmState
from quietcell.core.electrode.condition import Signal
from quietcell.core.records import Json
from quietcell.errors import QuietcellError
from tests.core.alarms.alarm_builders import SOMEONE, UTC_MS, at, engine, rule, see


def test_a_condition_must_last_before_it_counts_and_be_gone_before_it_returns() -> None:
    alarms = engine(rule("x", on_delay_s=10, off_delay_s=5))
    assert see(alarms, at(0), "x", holds=True) == []
    assert alarms.advance(at(9.999)) == []
    (raised,) = alarms.advance(at(10))
    assert (raised.state, raised.at) == (AlarmState.UNACKNOWLEDGED, "2026-09-21T14:13:30.000Z")
    assert see(alarms, at(20), "x", holds=False) == []
    assert see(alarms, at(24), "x", holds=True) == []
    assert see(alarms, at(30), "x", holds=False) == []
    (returned,) = alarms.advance(at(35))
    assert returned.state is AlarmState.RETURNED


@pytest.mark.parametrize("seed", range(5))
def test_chatter_shorter_than_the_delays_raises_nothing_and_returns_nothing(seed: int) -> None:
    rng = random.Random(seed)
    alarms = engine(rule("x", on_delay_s=10, off_delay_s=10))
    now, holds, bodies = 0.0, False, []
    for _ in range(500):
        holds = not holds
        bodies += see(alarms, at(now), "x", holds=holds)
        now += rng.uniform(0.01, 9.9)
    assert bodies == []
    bodies += see(alarms, at(now), "x", holds=True)
    bodies += alarms.advance(at(now + 10))
    assert [body.state for body in bodies] == [AlarmState.UNACKNOWLEDGED]
    now += 10
    for _ in range(500):
        holds = not holds
        bodies += see(alarms, at(now), "x", holds=holds)
        now += rng.uniform(0.01, 9.9)
    assert len(bodies) == 1


@pytest.mark.parametrize("seed", range(5))
def test_noise_within_the_deadband_raises_once(seed: int) -> None:
    rng = random.Random(seed)
    alarms = engine(rule("x", deadband=0.5))
    bodies = []
    for second in range(1000):
        level = 9.6 + 0.001 * second + rng.uniform(-0.24, 0.24)  # creeps across the limit of 10
        alarms.observe_level(at(second), "x", level, high=10.0)
        bodies += alarms.advance(at(second))
    assert [body.event for body in bodies] == [AlarmEvent.RAISED]
    for second in range(1000, 2500):
        level = 10.6 - 0.001 * (second - 1000) + rng.uniform(-0.24, 0.24)
        alarms.observe_level(at(second), "x", level, high=10.0)
        bodies += alarms.advance(at(second))
    assert [body.event for body in bodies] == [AlarmEvent.RAISED, AlarmEvent.RETURNED]


def test_one_cause_gives_one_alarm() -> None:
    followers = [rule(f"follower-{i}", on_delay_s=1, suppressed_by=("silent",)) for i in range(5)]
    alarms = engine(*followers, rule("silent", on_delay_s=10))
    bodies = see(alarms, at(0), "silent", holds=True)
    for follower in followers:
        bodies += see(alarms, at(0), follower.name, holds=True)
    for second in range(1, 60):
        bodies += alarms.advance(at(second))
    assert [body.alarm for body in bodies] == ["silent"]
    bodies = see(alarms, at(60), "silent", holds=False)
    assert [body.alarm for body in bodies] == ["silent"]
    for follower in followers[:2]:
        bodies += see(alarms, at(60.5), follower.name, holds=False)
    bodies += alarms.advance(at(61))
    assert [body.alarm for body in bodies[1:]] == ["follower-2", "follower-3", "follower-4"]


def test_a_cause_seen_later_takes_over_what_was_raised_before_it() -> None:
    alarms = engine(rule("cause"), rule("x", suppressed_by=("cause",)))
    see(alarms, at(0), "x", holds=True)
    raised, hidden = see(alarms, at(1), "cause", holds=True)
    assert (raised.alarm, hidden.alarm) == ("cause", "x")
    assert (hidden.state, hidden.suppressed_by) == (AlarmState.SUPPRESSED, "cause")
    assert [alarm["alarm"] for alarm in alarms.shown()] == ["cause"]


def test_shelving_a_cause_does_not_let_its_followers_sound() -> None:
    alarms = engine(rule("cause"), rule("x", suppressed_by=("cause",)))
    see(alarms, at(0), "cause", holds=True)
    alarms.shelve(at(1), "cause", SOMEONE, until_utc_ms=UTC_MS + 60_000)
    assert see(alarms, at(2), "x", holds=True) == []


def test_alarms_that_suppress_each_other_are_refused() -> None:
    with pytest.raises(QuietcellError, match="a: alarms suppress each other in a circle"):
        engine(rule("a", suppressed_by=("b",)), rule("b", suppressed_by=("a",)))


def test_what_happened_and_is_over_waits_to_be_acknowledged() -> None:
    alarms = engine(rule("x"))
    bodies = alarms.pulse(at(0), "x", text="stepped by 3600 s", about="daemon.1.7")
    assert [body.state for body in bodies] == [AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED]
    (known,) = alarms.acknowledge(at(5), "x", SOMEONE)
    assert (known.state, known.operator, known.reason, known.via) == (
        AlarmState.NORMAL, "M. Tarn", "seen on the round", "page",
    )  # fmt: skip


def test_what_happens_again_before_anyone_saw_it_is_told_and_recorded_once() -> None:
    alarms = engine(rule("x"))
    assert len(alarms.pulse(at(0), "x", text="record 4 refused")) == 2
    assert alarms.pulse(at(1), "x", text="record 5 refused") == []
    assert [alarm["text"] for alarm in alarms.shown()] == ["record 5 refused"]
    alarms.acknowledge(at(5), "x", SOMEONE)
    assert len(alarms.pulse(at(6), "x", text="record 6 refused")) == 2


def test_the_most_urgent_comes_first_and_the_worst_signal_counts() -> None:
    alarms = engine(
        rule("low", priority=Priority.LOW, condition=Signal.FAILURE),
        rule("high", priority=Priority.HIGH),
        rule("known", priority=Priority.HIGH),
        rule("over", priority=Priority.HIGH),
    )
    for name in ("over", "low", "high", "known"):
        see(alarms, at(0), name, holds=True)
    alarms.acknowledge(at(1), "known", SOMEONE)
    see(alarms, at(2), "over", holds=False)
    assert [alarm["alarm"] for alarm in alarms.shown()] == ["high", "low", "over", "known"]
    assert alarms.condition() is Signal.FAILURE


def test_an_unknown_condition_changes_nothing() -> None:
    alarms = engine(rule("x"))
    see(alarms, at(0), "x", holds=True)
    assert see(alarms, at(1), "x", holds=None) == []
    assert alarms.present("x")


def test_a_disabled_alarm_is_not_there() -> None:
    alarms = engine(rule("x", enabled=False))
    assert see(alarms, at(0), "x", holds=True) == []
    with pytest.raises(AlarmRefusedError, match="no alarm"):
        alarms.acknowledge(at(0), "x", SOMEONE)


def test_what_stood_when_it_was_disabled_returns_and_can_be_acknowledged() -> None:
    before = engine(rule("x"))
    raised = see(before, at(0), "x", holds=True)
    alarms = engine(rule("x", enabled=False))
    alarms.restore([body.as_json() for body in raised], at(1))
    (returned,) = see(alarms, at(1), "x", holds=True)
    assert (returned.event, returned.state) == (AlarmEvent.RETURNED, AlarmState.RETURNED)
    (known,) = alarms.acknowledge(at(2), "x", SOMEONE)
    assert known.state is AlarmState.NORMAL
    with pytest.raises(AlarmRefusedError, match="no alarm"):
        alarms.shelve(at(3), "x", SOMEONE, until_utc_ms=UTC_MS + 60_000)


class AlarmLife(RuleBasedStateMachine):
    """Anything may happen in any order; what people see stays sound, and records tell all of it."""

    names = ("cause", "x", "y")

    def __init__(self) -> None:
        super().__init__()
        self.now = 0.0
        self.table = [
            rule("cause", on_delay_s=2, off_delay_s=1),
            rule("x", on_delay_s=1, off_delay_s=3, suppressed_by=("cause",)),
            rule("y"),
        ]
        self.alarms = engine(*self.table)
        self.holds = dict.fromkeys(self.names, False)
        self.bodies: list[dict[str, Json]] = []

    def note(self, bodies: list[AlarmBody]) -> None:
        self.bodies += [body.as_json() for body in bodies]

    @step(seconds=st.sampled_from([0.0, 0.5, 1.0, 2.0, 30.0]))
    def time_passes(self, seconds: float) -> None:
        self.now += seconds
        self.note(self.alarms.advance(at(self.now)))

    @step(name=st.sampled_from(names), holds=st.booleans())
    def observe(self, name: str, holds: bool) -> None:
        self.holds[name] = holds
        self.note(see(self.alarms, at(self.now), name, holds=holds))

    @step(name=st.sampled_from(names), act=st.sampled_from(["acknowledge", "shelve", "unshelve"]))
    def someone_acts(self, name: str, act: str) -> None:
        more = {"until_utc_ms": UTC_MS + round(self.now * 1000) + 5000} if act == "shelve" else {}
        before = self.alarms.states()
        try:
            self.note(getattr(self.alarms, act)(at(self.now), name, SOMEONE, **more))
        except AlarmRefusedError:
            assert self.alarms.states() == before

    @precondition(lambda self: self.bodies)
    @step()
    def restart(self) -> None:
        """Records alone bring back everything people see."""
        seen = [(a["alarm"], a["state"]) for a in self.alarms.shown()]
        self.alarms = engine(*self.table)
        self.alarms.restore(self.bodies, at(self.now))
        assert [(a["alarm"], a["state"]) for a in self.alarms.shown()] == seen
        for name, holds in self.holds.items():
            self.note(see(self.alarms, at(self.now), name, holds=holds))

    @invariant()
    def records_tell_the_state(self) -> None:
        last = {body["alarm"]: body["state"] for body in self.bodies}
        shown = {alarm["alarm"]: alarm["state"] for alarm in self.alarms.shown()}
        assert shown == {name: state for name, state in last.items() if state in SHOWN}

    @invariant()
    def steps_are_joined(self) -> None:
        left: dict[str, str] = {}
        for body in self.bodies:
            # Between two records an alarm may only have gone between normal and suppressed unseen.
            before = left.get(body["alarm"], "normal")
            assert body["before"] == before or {body["before"], before} <= {"normal", "suppressed"}
            left[body["alarm"]] = body["state"]

    @invariant()
    def a_follower_is_not_raised_beside_its_cause(self) -> None:
        if self.alarms.present("cause"):
            states = {alarm["alarm"]: alarm["state"] for alarm in self.alarms.shown()}
            assert states.get("x") not in {"unacknowledged", "acknowledged"}


TestAlarmLife = AlarmLife.TestCase
TestAlarmLife.settings = settings(deadline=None)
