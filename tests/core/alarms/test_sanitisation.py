"""Sanitisation of a cell: announced, silent for a stated time, over by itself or by a word."""

from dataclasses import replace
from typing import Any

import pytest

from quietcell.core.alarms.cell_watch import CellWatch
from quietcell.core.alarms.engine import AlarmEngine, AlarmRefusedError
from quietcell.core.alarms.moment import Span
from quietcell.core.alarms.shipped import CELL_ALARMS
from quietcell.core.electrode.condition import Signal
from quietcell.core.times import rfc3339
from tests.core.alarms.alarm_builders import SOMEONE, UTC_MS, at
from tests.core.alarms.watched_cell import CELL, Watched


def test_sanitisation_silences_the_cell_for_a_stated_time_and_says_function_check() -> None:
    watched = Watched(temperature_high_c=30.0, no_result_after_s=60.0)
    watched.run(5)
    watched.bodies += watched.watch.begin_sanitisation(at(5), SOMEONE, until_utc_ms=UTC_MS + 600_000)
    assert watched.run(594, temperature_c=85.0, flow_ml_min=0.0) == []
    assert watched.watch.engine.condition() is Signal.FUNCTION_CHECK
    assert watched.run(5, temperature_c=25.0, flow_ml_min=100.0) == ["sanitisation returned"]
    with pytest.raises(AlarmRefusedError, match="is not under way"):
        watched.watch.end_sanitisation(at(605), SOMEONE)


def test_sanitisation_that_takes_longer_goes_on_until_the_time_said_last() -> None:
    watched = Watched(no_result_after_s=60.0)
    watched.bodies += watched.watch.begin_sanitisation(at(0), SOMEONE, until_utc_ms=UTC_MS + 600_000)
    told = watched.watch.begin_sanitisation(at(590), SOMEONE, until_utc_ms=UTC_MS + 900_000)
    watched.bodies += told
    (body,) = [each.as_json() for each in told]
    assert (body["state"], body["since"], body["ends"]) == (
        "acknowledged",
        rfc3339(UTC_MS),
        rfc3339(UTC_MS + 900_000),
    )
    assert (body["operator"], body["reason"]) == (SOMEONE.operator, SOMEONE.reason)
    after = Watched()
    after.watch.restore([body.as_json() for body in watched.bodies], at(650))
    assert after.watch.sanitisation == Span(ends_ms=at(900).ms, until=rfc3339(UTC_MS + 900_000))
    watched.bodies += watched.watch.begin_sanitisation(at(700), SOMEONE, until_utc_ms=UTC_MS + 710_000)
    assert watched.run(720) == ["sanitisation returned"]


def test_sanitisation_lasts_as_long_as_was_said_whatever_utc_does() -> None:
    watched = Watched()
    watched.run(5)
    watched.watch.begin_sanitisation(at(5), SOMEONE, until_utc_ms=UTC_MS + 600_000)
    watched.set_back_ms = 86_400_000
    assert watched.run(594) == []
    assert watched.run(5) == ["sanitisation returned"]


def test_sanitisation_goes_on_over_a_restart_on_the_shelf_too_until_someone_ends_it() -> None:
    def taken_up(second: int) -> CellWatch:
        after = Watched()
        after.watch.restore([body.as_json() for body in watched.bodies], at(second))
        return after.watch

    watched = Watched()
    watched.bodies += watched.watch.begin_sanitisation(at(0), SOMEONE, until_utc_ms=UTC_MS + 600_000)
    shelf: dict[str, Any] = {"until_utc_ms": UTC_MS + 300_000}
    watched.bodies += watched.watch.engine.shelve(at(1), "sanitisation", SOMEONE, **shelf)
    assert taken_up(2).sanitisation == Span(ends_ms=at(600).ms, until=rfc3339(UTC_MS + 600_000))
    watched.bodies += watched.watch.end_sanitisation(at(3), SOMEONE)
    assert taken_up(4).sanitisation is None
    watched.bodies += watched.watch.engine.shelve(at(5), "sanitisation", SOMEONE, **shelf)
    assert taken_up(6).sanitisation is None


@pytest.mark.parametrize("seconds", [0, 86_401])
def test_sanitisation_ends_within_a_day(seconds: int) -> None:
    with pytest.raises(AlarmRefusedError, match="Name an end within the next 24 hours"):
        Watched().watch.begin_sanitisation(at(0), SOMEONE, until_utc_ms=UTC_MS + seconds * 1000)


def test_sanitisation_that_nobody_would_see_is_refused_and_hides_nothing() -> None:
    watched = Watched()
    watched.run(70, flow_ml_min=0.0)
    watched.watch.engine.shelve(at(70), "sanitisation", SOMEONE, until_utc_ms=UTC_MS + 900_000)
    with pytest.raises(AlarmRefusedError, match="nobody would see it: it is shelved"):
        watched.watch.begin_sanitisation(at(70), SOMEONE, until_utc_ms=UTC_MS + 600_000)
    assert watched.run(5) == []
    assert "flow-stopped" in {alarm["alarm"] for alarm in watched.watch.engine.shown()}


def test_sanitisation_begins_at_once_whatever_delay_the_table_gives_it() -> None:
    watched = Watched()
    rows = [replace(row, on_delay_s=30.0) if row.name == "sanitisation" else row for row in CELL_ALARMS]
    watched.watch.engine = AlarmEngine(CELL, rows, lambda: "daemon.1.1")
    begun = watched.watch.begin_sanitisation(at(0), SOMEONE, until_utc_ms=UTC_MS + 600_000)
    assert [body.event for body in begun] == ["raised", "acknowledged"]
