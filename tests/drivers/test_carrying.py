"""Quantities that come in lines of their own."""

from quietcell.core.readings import NO_FLAG, Flag, Reading
from quietcell_drivers.framing import DAMAGED, Discarded, Line
from quietcell_drivers.line_reader import LineReader
from quietcell_drivers.line_stream import LineStreamSettings

APART = r"E (?P<mv>.+) mV|T (?P<temperature_c>.+) C|K (?P<conductivity_us_cm>.+) uS/cm"


def readings(*said: tuple[float, str | Discarded], carry_s: float | None) -> list[Reading]:
    settings = LineStreamSettings(port="p", pattern=APART, carry_s=carry_s, status={"OL": "meter-overrange"})
    reader = LineReader(settings, settings.carry_s)
    items = ((Line(what.encode()) if isinstance(what, str) else what, at_s) for at_s, what in said)
    found = [reader.reading(item, round(1000 * at_s)) for item, at_s in items]
    assert reader.counts.readings == len([reading for reading in found if reading is not None])
    return [reading for reading in found if reading is not None]


def test_each_line_with_mv_is_a_reading_with_what_came_shortly_before() -> None:
    found = readings(
        (0, "E 41.1 mV"), (1, "T 21.5 C"), (2, "E 41.2 mV"), (3, "K 0.18 uS/cm"), (4, "E 41.3 mV"),
        (12, "E 41.4 mV"), (40, "E 41.5 mV"), carry_s=10.0,
    )  # fmt: skip
    assert [(r.mv, r.temperature_c, r.conductivity_us_cm) for r in found] == [
        (41.1, None, None),
        (41.2, 21.5, None),
        (41.3, 21.5, 0.18),
        (41.4, None, 0.18),  # 11 s after the temperature, 9 s after the conductivity
        (41.5, None, None),
    ]
    assert [r.boot_ms for r in found] == [0, 2000, 4000, 12000, 40000]
    assert all(r.flags == NO_FLAG for r in found)


def test_nothing_is_carried_beyond_a_line_the_meter_speaks_against() -> None:
    said = ((0, "T 21.5 C"), (1, "E 41.1 mV"), (2, "T OL C"), (3, "E 41.2 mV"), (4, "E 41.3 mV"))
    assert [(r.temperature_c, r.flags) for r in readings(*said, carry_s=10.0)] == [
        (21.5, NO_FLAG),
        (None, Flag.METER_OVERRANGE),
        (None, NO_FLAG),
    ]


def test_what_was_damaged_flags_the_next_reading_whichever_line_it_was() -> None:
    said = ((0, "T 21.5 C"), (1, Discarded(DAMAGED, 9)), (2, "T 21.6 C"), (3, "E 41.2 mV"), (4, "E 41.3 mV"))
    found = readings(*said, carry_s=10.0)
    assert [(r.temperature_c, r.flags) for r in found] == [(21.6, Flag.AFTER_ERROR), (21.6, NO_FLAG)]


def test_without_the_setting_each_line_stands_for_itself() -> None:
    found = readings((0, "T 21.5 C"), (1, "E 41.1 mV"), carry_s=None)
    assert [(r.mv, r.temperature_c) for r in found] == [(None, 21.5), (41.1, None)]
