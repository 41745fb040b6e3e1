"""Alarms, limits and the local page in the configuration."""

import pytest

from quietcell.config import parse_config
from quietcell.config.alarms import alarm_table
from quietcell.core.alarms.rule import Priority
from quietcell.core.alarms.shipped import CELL_ALARMS, DAEMON_ALARMS
from quietcell.core.electrode.condition import Signal
from quietcell.errors import ConfigError
from tests.config.fake_drivers import DRIVERS


def test_without_a_table_the_shipped_one_counts() -> None:
    assert alarm_table({}) == (CELL_ALARMS, DAEMON_ALARMS)


def test_a_row_changes_what_it_names_and_nothing_else() -> None:
    text = """
    [cells.a]
    [alarms.meter-silent]
    priority = "low"
    condition = "none"
    on_delay_s = 30.0
    what_to_do = "Call the duty technician."
    [alarms.broker-away]
    enabled = false
    """
    cell, daemon = alarm_table(parse_config(text, "a.toml", DRIVERS).alarms)
    shipped = {row.name: row for row in CELL_ALARMS}
    changed = [row for row in cell if row != shipped[row.name]]
    assert [row.name for row in changed] == ["meter-silent"]
    assert (changed[0].priority, changed[0].condition) == (Priority.LOW, Signal.NONE)
    assert (changed[0].on_delay_s, changed[0].off_delay_s) == (30.0, 5.0)
    assert [row.enabled for row in daemon if row.name == "broker-away"] == [False]


def test_every_shipped_row_says_cause_consequence_and_what_to_do() -> None:
    for row in (*CELL_ALARMS, *DAEMON_ALARMS):
        assert all(text.endswith(".") for text in (row.cause, row.consequence, row.what_to_do)), row.name
        assert row.respond_within_s > 0
        known = {other.name for other in (CELL_ALARMS if row in CELL_ALARMS else DAEMON_ALARMS)}
        assert set(row.suppressed_by) < known, row.name


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("[alarms.fire]\npriority = 'high'", "fire"),
        ("[alarms.meter-silent]\npriority = 'urgent'", "alarms.meter-silent.priority"),
        ("[alarms.meter-silent]\non_delay_s = -1.0", "alarms.meter-silent.on_delay_s"),
        ("[alarms.meter-silent]\nsuppressed_by = ['sensor-fault']", "suppresses itself in a circle"),
        ("[cells.b.limits]\nph_low = 7.0\nph_high = 6.0", "is 7; must be less than ph_high = 6"),
        ("[panel]\nhost = '0.0.0.0'", "other addresses need a token"),
        ("[panel]\nnames = ['a.example']", "they need a token"),
        ("[panel]\ntoken = 'open sesame'", 'token = { credential = "NAME" }'),
    ],
)
def test_a_fault_names_its_place_and_what_is_allowed(text: str, fault: str) -> None:
    with pytest.raises(ConfigError) as caught:
        parse_config(f"[cells.a]\n{text}", "a.toml", DRIVERS)
    assert fault in str(caught.value)
    assert "open sesame" not in str(caught.value)
