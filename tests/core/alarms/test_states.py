"""The table of alarm states, walked completely."""

from dataclasses import replace

import pytest

from quietcell.core.alarms.engine import AlarmEngine, AlarmRefusedError
from quietcell.core.alarms.moment import Moment
from quietcell.core.alarms.states import TRANSITIONS, AlarmEvent, AlarmState
from tests.core.alarms.alarm_builders import SOMEONE, UTC_MS, at, engine, rule, see

S, E = AlarmState, AlarmEvent
BY_PERSON = {E.ACKNOWLEDGED, E.SHELVED, E.UNSHELVED}
"""Only a person can bring these about; where the table lacks them they are refused."""


def test_only_what_people_or_a_shelf_do_can_be_out_of_place() -> None:
    missing = {(state, event) for state in S for event in E} - set(TRANSITIONS)
    assert {event for _, event in missing} <= BY_PERSON | {E.SHELF_ENDED}
    assert {state for state, event in missing if event is E.ACKNOWLEDGED} == {
        S.NORMAL, S.ACKNOWLEDGED, S.SHELVED, S.SUPPRESSED,
    }  # fmt: skip
    for event in (E.UNSHELVED, E.SHELF_ENDED):
        assert {state for state, other in missing if other is event} == set(S) - {S.SHELVED}


def test_every_state_is_reached_and_left() -> None:
    moves = {(before, after) for (before, _), after in TRANSITIONS.items() if before is not after}
    assert {before for before, _ in moves} == {after for _, after in moves} == set(S)


def in_state(state: AlarmState) -> AlarmEngine:
    """Bring an alarm into a state by what happens to it."""
    alarms = engine(rule("cause"), rule("x", suppressed_by=("cause",)))
    if state is S.NORMAL:
        return alarms
    see(alarms, at(0), "x", holds=True)
    if state is S.ACKNOWLEDGED:
        alarms.acknowledge(at(0), "x", SOMEONE)
    if state is S.RETURNED:
        see(alarms, at(0), "x", holds=False)
    if state is S.SHELVED:
        alarms.shelve(at(0), "x", SOMEONE, until_utc_ms=UTC_MS + 60_000)
    if state is S.SUPPRESSED:
        see(alarms, at(0), "cause", holds=True)
    return alarms


def state_of(alarms: AlarmEngine) -> AlarmState:
    return alarms.states()["x"]


def happen(alarms: AlarmEngine, event: AlarmEvent) -> None:
    if event in (E.RAISED, E.RETURNED):
        see(alarms, at(1), "x", holds=event is E.RAISED)
    elif event in (E.SUPPRESSED, E.RELEASED):
        see(alarms, at(1), "cause", holds=event is E.SUPPRESSED)
    elif event is E.ACKNOWLEDGED:
        alarms.acknowledge(at(1), "x", SOMEONE)
    elif event is E.SHELVED:
        alarms.shelve(at(1), "x", SOMEONE, until_utc_ms=UTC_MS + 90_000)
    elif event is E.UNSHELVED:
        alarms.unshelve(at(1), "x", SOMEONE)
    else:
        alarms.advance(at(60))


@pytest.mark.parametrize("state", S)
@pytest.mark.parametrize("event", E)
def test_the_engine_follows_the_table(state: AlarmState, event: AlarmEvent) -> None:
    alarms = in_state(state)
    assert state_of(alarms) is state
    expected = TRANSITIONS.get((state, event))
    if expected is None and event in BY_PERSON:
        with pytest.raises(AlarmRefusedError, match="live-feed-room/x"):
            happen(alarms, event)
        assert state_of(alarms) is state
        return
    happen(alarms, event)
    holds = event is E.RAISED or (
        state in (S.UNACKNOWLEDGED, S.ACKNOWLEDGED, S.SHELVED, S.SUPPRESSED) and event is not E.RETURNED
    )
    if event is E.SUPPRESSED and not holds:
        expected = state  # nothing to hide
    if event in (E.UNSHELVED, E.SHELF_ENDED, E.RELEASED) and state in (S.SHELVED, S.SUPPRESSED) and holds:
        # What left the shelf or its cause with the condition still there is raised in the same breath.
        expected = S.SHELVED if (state, event) == (S.SHELVED, E.RELEASED) else S.UNACKNOWLEDGED
        expected = S.SUPPRESSED if state is S.SUPPRESSED and event is not E.RELEASED else expected
    if state is S.SUPPRESSED and event is E.RAISED:
        expected = S.SUPPRESSED
    assert state_of(alarms) is (expected or state)


def test_the_shelf_ends_at_its_time_and_not_before() -> None:
    alarms = in_state(S.SHELVED)
    assert alarms.advance(at(59.999)) == []
    ended, raised = alarms.advance(at(60))
    assert (ended.event, ended.state, ended.at) == (E.SHELF_ENDED, S.NORMAL, "2026-09-21T14:14:20.000Z")
    assert (raised.event, raised.state) == (E.RAISED, S.UNACKNOWLEDGED)


@pytest.mark.parametrize("step_s", [-86_400, 86_400])
def test_the_shelf_lasts_as_long_as_was_said_whatever_utc_does(step_s: int) -> None:
    def then(seconds: float) -> Moment:
        return replace(at(seconds), utc_ms=at(seconds).utc_ms + step_s * 1000)

    alarms = in_state(S.SHELVED)
    assert alarms.advance(then(59.999)) == []
    assert alarms.advance(then(60))[0].event is E.SHELF_ENDED


@pytest.mark.parametrize("step_s", [-86_400, 86_400])
def test_an_engine_that_takes_the_place_of_another_goes_on_with_its_shelves(step_s: int) -> None:
    before, alarms = engine(rule("x")), engine(rule("x"))
    shelved = before.shelve(at(0), "x", SOMEONE, until_utc_ms=UTC_MS + 60_000)
    then = replace(at(30), utc_ms=UTC_MS + step_s * 1000)
    alarms.restore([body.as_json() for body in shelved], then, before=before)
    assert alarms.advance(replace(then, ms=at(59.999).ms)) == []
    assert alarms.advance(replace(then, ms=at(60).ms))[0].event is E.SHELF_ENDED


def test_a_clock_set_back_over_a_restart_makes_a_shelf_no_longer_than_it_was_to_be() -> None:
    before, alarms = engine(rule("x")), engine(rule("x"))
    shelved = before.shelve(at(0), "x", SOMEONE, until_utc_ms=UTC_MS + 60_000)
    alarms.restore([body.as_json() for body in shelved], Moment(ms=0, utc_ms=0))
    assert alarms.advance(Moment(ms=59_999, utc_ms=59_999)) == []
    assert alarms.advance(Moment(ms=60_000, utc_ms=60_000))[0].event is E.SHELF_ENDED


@pytest.mark.parametrize("seconds", [-1, 0, 7 * 86_400 + 1])
def test_a_shelf_ends_within_a_week(seconds: int) -> None:
    alarms = in_state(S.UNACKNOWLEDGED)
    with pytest.raises(AlarmRefusedError, match="Name an end within the next seven days"):
        alarms.shelve(at(0), "x", SOMEONE, until_utc_ms=UTC_MS + seconds * 1000)


def test_an_unknown_alarm_is_refused_with_the_known_ones() -> None:
    with pytest.raises(AlarmRefusedError, match=r"no alarm 'y'\. Its alarms are cause, x"):
        in_state(S.NORMAL).acknowledge(at(0), "y", SOMEONE)
