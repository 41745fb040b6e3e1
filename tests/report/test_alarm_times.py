"""How often alarms came up in a span and how long they stood."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietcell.core.alarms.body import AlarmBody
from quietcell.core.alarms.states import TRANSITIONS, AlarmState
from quietcell.core.records import Json
from quietcell.core.times import rfc3339
from quietcell.report.alarm_times import alarm_times
from quietcell.report.material import Span
from tests.core.alarms.alarm_builders import SOMEONE, UTC_MS, at, engine, rule, see


def span(from_s: float, to_s: float) -> Span:
    return Span(from_ms=UTC_MS + round(from_s * 1000), to_ms=UTC_MS + round(to_s * 1000))


@pytest.fixture(scope="module")
def bodies() -> list[dict[str, Json]]:
    """An alarm raised at 10 s, acknowledged at 40, over at 100, back at 130, put aside from 150 to 210."""
    alarms = engine(rule("leak"))
    made: list[AlarmBody] = []
    made += see(alarms, at(10), "leak", holds=True)
    made += alarms.acknowledge(at(40), "leak", SOMEONE)
    made += see(alarms, at(100), "leak", holds=False)
    made += see(alarms, at(130), "leak", holds=True)
    made += alarms.shelve(at(150), "leak", SOMEONE, until_utc_ms=UTC_MS + 210_000)
    made += alarms.advance(at(211))
    return [body.as_json() for body in made]


@pytest.mark.parametrize(
    ("whole", "raised", "unacknowledged_s", "acknowledged_s", "shelved_s", "state"),
    [
        (span(0, 300), 3, 30 + 20 + 89, 60, 61, "unacknowledged"),
        (span(20, 140), 1, 20 + 10, 60, 0, "unacknowledged"),
        (span(50, 60), 0, 0, 10, 0, "acknowledged"),
        (span(160, 170), 0, 0, 0, 10, "shelved"),
    ],
)
def test_what_stood_in_a_span_is_told_by_how_people_took_it(
    bodies: list[dict[str, Json]],
    whole: Span,
    raised: int,
    unacknowledged_s: float,
    acknowledged_s: float,
    shelved_s: float,
    state: str,
) -> None:
    by_then = [body for body in bodies if body["at"] < rfc3339(whole.to_ms)]
    (found,) = alarm_times(by_then, whole)
    assert (found.alarm, found.raised, found.state) == ("leak", raised, state)
    assert (found.unacknowledged_s, found.acknowledged_s) == (unacknowledged_s, acknowledged_s)
    assert found.shelved_s == shelved_s


def test_an_alarm_that_nobody_saw_in_a_span_is_left_out(bodies: list[dict[str, Json]]) -> None:
    by_then = [body for body in bodies if body["at"] < rfc3339(UTC_MS + 120_000)]
    assert alarm_times(by_then, span(110, 120)) == ()
    assert alarm_times([], span(0, 10)) == ()


@st.composite
def courses(draw: st.DrawFn) -> list[dict[str, Json]]:
    state, found = AlarmState.NORMAL, []
    for at_s in sorted(draw(st.lists(st.integers(0, 1000), max_size=12))):
        event = draw(st.sampled_from([event for before, event in TRANSITIONS if before is state]))
        state = TRANSITIONS[state, event]
        plain = {"alarm": "leak", "title": "Leak", "priority": "medium", "event": event, "state": state}
        found.append({**plain, "at": rfc3339(UTC_MS + 1000 * at_s)})
    return found


@given(courses(), st.integers(0, 1000), st.integers(0, 1000))
def test_parts_of_a_span_add_up(told: list[dict[str, Json]], a: int, b: int) -> None:
    first, last = sorted((a, b))

    def stood_s(whole: Span) -> float:
        known = [body for body in told if body["at"] < rfc3339(whole.to_ms)]
        return sum(one.unacknowledged_s + one.acknowledged_s for one in alarm_times(known, whole))

    parts = (span(0, first), span(first, last), span(last, 1000))
    assert sum(map(stood_s, parts)) == pytest.approx(stood_s(span(0, 1000)))
    assert 0.0 <= stood_s(span(first, last)) <= last - first
