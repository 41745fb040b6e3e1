"""Recordings as loggers leave them: what stands around the readings, times and units of their own, damage."""

import math
from collections.abc import Iterator, Sequence
from zoneinfo import ZoneInfo

import pytest

from quietcell.core.recording import Chunk, Layout, Mark, Remarks
from quietcell.core.recording_reader import read_recording
from quietcell.core.times import rfc3339, utc_ms
from quietcell.errors import RecordingError

HEADER = "time,mv,temperature_c"
ROWS = [f"2026-03-01T08:00:{s:02d}.000Z,{25 + s / 100},21.0" for s in range(10)]


def read(
    lines: Sequence[str], layout: Layout | None = None, remarks: Remarks | None = None
) -> tuple[list[str], list[float]]:
    """Return times and potentials of a recording."""
    text = (line + "\n" for line in lines)
    chunks = [
        piece
        for piece in read_recording(text, name="loop.csv", layout=layout, remarks=remarks)
        if isinstance(piece, Chunk)
    ]
    times = [rfc3339(at) for chunk in chunks for at in chunk.utc_ms.tolist()]
    return times, [mv for chunk in chunks for mv in chunk.columns["mv"].tolist()]


HALIFAX = "America/Halifax"
PLAIN = read([HEADER, *ROWS])


@pytest.mark.parametrize(
    "lines",
    [
        ["Merrow Sound hatchery", "Header tank, from 1 March", "", HEADER, *ROWS],
        [HEADER, ",mV,°C", *ROWS],
        ["# larval hall", HEADER, *ROWS[:4], "# probe rinsed", *ROWS[4:]],
        [HEADER, *ROWS[:4], HEADER, *ROWS[4:]],
        ["\ufeff" + HEADER, *ROWS[:4], "\ufeff" + HEADER, ",mV,°C", *ROWS[4:]],
        [HEADER, *(f"{row}," for row in ROWS)],
        [HEADER, *ROWS[:4], ",,", "", *ROWS[4:]],
        [HEADER, *ROWS[:4], "\0" * 512 + ROWS[4], *ROWS[5:], "\0" * 99],
        ["mv,temperature_c,time", *(",".join([*row.split(",")[1:], row.split(",")[0]]) for row in ROWS)],
        [HEADER, *ROWS[:4], "mv,temperature_c,time",
         *(",".join([*row.split(",")[1:], row.split(",")[0]]) for row in ROWS[4:])],
        [",".join(f'"{cell}"' for cell in line.split(",")) for line in [HEADER, *ROWS]],
    ],
    ids=["titles", "units", "comments", "again", "again with mark", "trailing", "empty", "nul", "order",
         "other order", "quoted"],
)  # fmt: skip
def test_what_stands_around_the_readings_changes_none_of_them(lines: Sequence[str]) -> None:
    assert read(lines) == PLAIN


@pytest.mark.parametrize(
    ("damaged", "told"),
    [
        ("2026-03-01T08:00:04.000Z,25.", "loop.csv:6: temperature_c: the row has only 2 cells"),
        ("2026-03-01T08:00:04.000Z,25.04,2" + "\0" * 64, "loop.csv:6: NUL bytes cut the row short"),
        ("2026-03-01T08:00:04.000Z,25.042026-03-01T08:00:04.000Z,25.04,21.0", "loop.csv:6: "),
        ("logger restarted", "loop.csv:6: time: 'logger restarted' is no time"),
        ("2026-03-01T08:00:04.000Z,OVER,21.0", "loop.csv:6: mv: 'OVER' is no number"),
    ],
)
def test_a_damaged_row_is_told_or_left_out_and_counted(damaged: str, told: str) -> None:
    lines = [HEADER, *ROWS[:4], damaged, *ROWS[5:]]
    with pytest.raises(RecordingError, match=r"leave_out_unreadable = true") as caught:
        read(lines)
    assert told in str(caught.value)
    remarks = Remarks()
    times, _ = read(lines, Layout(leave_out_unreadable=True), remarks)
    assert times == [time for time in PLAIN[0] if ":04" not in time]
    assert (remarks.rows, remarks.left_out) == (9, 1)
    assert told in remarks.first_left_out


def test_a_last_line_that_was_cut_off_is_not_taken_for_a_row() -> None:
    cut = ["time,mv,note\n", "2026-03-01T08:00:00Z,25.13,\n", "2026-03-01T08:00:01Z,2"]
    with pytest.raises(RecordingError, match=r"loop.csv:3: the last line ends in its cell 2, others have 3"):
        list(read_recording(cut, name="loop.csv"))


def test_what_was_read_before_the_lines_break_off_comes_before_that() -> None:
    def breaking() -> Iterator[str]:
        yield from (line + "\n" for line in [HEADER, *ROWS])
        raise RecordingError("the packed file is damaged", subject="loop.csv.gz")

    pieces = read_recording(breaking(), name="loop.csv.gz")
    first = next(pieces)
    assert isinstance(first, Chunk)
    assert first.columns["mv"].tolist() == PLAIN[1]
    with pytest.raises(RecordingError, match="damaged"):
        next(pieces)


def test_what_was_read_before_a_fault_comes_before_it() -> None:
    pieces = read_recording([HEADER, "", *ROWS[:5], "logger restarted", *ROWS[5:]], name="loop.csv")
    chunk = next(pieces)
    assert isinstance(chunk, Chunk)
    assert len(chunk.utc_ms) == 5
    with pytest.raises(RecordingError, match=r"loop.csv:8: time"):
        next(pieces)


def test_a_recording_of_which_no_row_can_be_read_is_an_error_all_the_same() -> None:
    layout = Layout(leave_out_unreadable=True)
    with pytest.raises(RecordingError, match=r"loop.csv: no row can be read; 2: time: '01.03.26' is no time"):
        read([HEADER, "01.03.26,25,21"], layout)


def local(form: str, zone: str = "Europe/Oslo") -> Layout:
    return Layout(time="local", time_format=form, zone=ZoneInfo(zone), required=frozenset({"time", "mv"}))


@pytest.mark.parametrize(
    ("layout", "text", "meant"),
    [
        (local("%d.%m.%Y %H:%M:%S"), "01.03.2026 09:00:00", "2026-03-01T08:00:00.000Z"),
        (local("%m/%d/%y %I:%M:%S %p", HALIFAX), "03/01/26 12:00:00 AM", "2026-03-01T04:00:00.000Z"),
        (local("%m/%d/%y %I:%M:%S %p", HALIFAX), "07/01/26 12:00:00 PM", "2026-07-01T15:00:00.000Z"),
        (local("%Y-%m-%d %H:%M:%S.%f", "UTC"), "2026-03-01 08:00:00.25", "2026-03-01T08:00:00.250Z"),
        (local("%d %b %Y %H:%M:%S %z"), "01 Mar 2026 08:00:00 +0200", "2026-03-01T06:00:00.000Z"),
        (local("%Y-%m-%d %H:%M:%S.%f", "UTC"), "2026-03-01 08:00:00", "2026-03-01T08:00:00.000Z"),
        (Layout(time="elapsed-s", start_utc_ms=utc_ms("2026-03-01T00:00:00Z")), "08:00:00.5",
         "2026-03-01T08:00:00.500Z"),
        (Layout(time="elapsed-s", start_utc_ms=utc_ms("2026-02-28T00:00:00Z")), "32:01:00",
         "2026-03-01T08:01:00.000Z"),
        (Layout(time="elapsed-s"), "1772352000.5", "2026-03-01T08:00:00.500Z"),
        (Layout(time="elapsed-ms"), "1772352000500", "2026-03-01T08:00:00.500Z"),
        (Layout(time="elapsed-d", start_utc_ms=utc_ms("1899-12-30T00:00:00+01:00")), "46082.375",
         "2026-03-01T08:00:00.000Z"),
        (Layout(time="elapsed-h", start_utc_ms=utc_ms("2026-03-01T00:00:00Z")), "8.0001",
         "2026-03-01T08:00:00.360Z"),
        (Layout(time="elapsed-min", start_utc_ms=utc_ms("2026-03-01T00:00:00Z")), "480",
         "2026-03-01T08:00:00.000Z"),
    ],
)  # fmt: skip
def test_times_are_read_in_the_form_the_layout_states(layout: Layout, text: str, meant: str) -> None:
    for quoted in (text, f'"{text}"'):  # in bulk, and row by row
        assert read(["time,mv", f"{quoted},1"], layout)[0] == [meant]


def test_the_hour_a_clock_goes_through_twice_counts_twice() -> None:
    """Both passes of 02:00 to 03:00 as summer time ends, Oslo, 25 October 2026."""
    utc = [utc_ms("2026-10-24T23:00:00Z") + 600_000 * n for n in range(18)]
    hours = [(at // 3_600_000 + (2 if at < utc_ms("2026-10-25T01:00:00Z") else 1)) % 24 for at in utc]
    rows = [f"25.10.2026 {hour:02d}:{rfc3339(at)[14:19]},1" for hour, at in zip(hours, utc, strict=True)]
    assert sum(" 02:" in row for row in rows) == 12
    times, _ = read(["time,mv", *rows], local("%d.%m.%Y %H:%M:%S"))
    assert times == list(map(rfc3339, utc))


def test_date_and_time_may_stand_in_two_columns_and_columns_be_told_by_number() -> None:
    layout = Layout(
        columns={"time": (1, 2), "mv": 4, "temperature_c": 5},
        time="local", time_format="%d.%m.%Y %H:%M:%S", zone=ZoneInfo("UTC"), delimiter=";",
        decimal_comma=True, required=frozenset({"time", "mv", "temperature_c"}),
    )  # fmt: skip
    rows = [
        f"01.03.2026;08:00:{s:02d};{s};{25 + s / 100:.2f}".replace(".", ",").replace(",03,", ".03.")
        for s in range(10)
    ]
    rows = [f"{row};21,0" for row in rows]
    assert read(rows, layout) == PLAIN
    assert read(["Header tank", "Date;Time;No;E;T", *rows], layout) == PLAIN


def test_columns_that_share_a_heading_are_told_apart_by_number() -> None:
    lines = ["time,pH,mv,pH,mv", *(f"{row.split(',')[0]},7,1,7,{row.split(',')[1]}" for row in ROWS)]
    with pytest.raises(RecordingError, match=r"share the name 'mv'. Give one by its number .*: mv = 3 or 5"):
        read(lines)
    assert read(lines, Layout(columns={"time": "time", "mv": 5})) == PLAIN


def test_units_are_turned_into_those_of_readings() -> None:
    layout = Layout(
        columns={
            "time": "time",
            "mv": "E",
            "conductivity_us_cm": "R",
            "temperature_c": "T",
            "flow_ml_min": "Q",
        },
        units={"mv": "V", "conductivity_us_cm": "MΩ·cm", "temperature_c": "°F", "flow_ml_min": "L/h"},
    )
    lines = (
        line + "\n"
        for line in ("time,E,R,T,Q", "2026-03-01T08:00:00Z,0.0251,18.18,77,6", "2026-03-01T08:00:01Z,,0,,")
    )
    (chunk,) = read_recording(lines, name="loop.csv", layout=layout)
    assert isinstance(chunk, Chunk)
    first = {name: values[0] for name, values in chunk.columns.items()}
    # 18.18 MΩ·cm is 0.0550 µS/cm; 77 °F are 25 °C; 6 L/h are 100 mL/min.
    assert first == pytest.approx(
        {"mv": 25.1, "conductivity_us_cm": 0.055006, "temperature_c": 25.0, "flow_ml_min": 100.0}, rel=1e-5
    )
    assert all(math.isnan(values[1]) for values in chunk.columns.values())


@pytest.mark.parametrize("text", ["---", "OVER", "9999", "9999.00", "NaN", "nan", ""])
def test_what_stands_for_no_value_is_not_measured(text: str) -> None:
    layout = Layout(not_measured=frozenset({"---", "OVER", "9999"}))
    for cell in (text, f'"{text}"'):
        _, mv = read([HEADER, f"2026-03-01T08:00:00Z,{cell},21"], layout)
        assert math.isnan(mv[0])


def test_where_time_goes_back_a_segment_begins_and_is_told() -> None:
    remarks = Remarks()
    lines = [HEADER, *ROWS[:8], *ROWS[5:]]
    pieces = list(read_recording((line + "\n" for line in lines), name="loop.csv", remarks=remarks))
    marks = [(rfc3339(piece.utc_ms), *piece.labels) for piece in pieces if isinstance(piece, Mark)]
    assert marks == [
        ("2026-03-01T08:00:07.000Z", "ended-clock-step"),
        ("2026-03-01T08:00:05.000Z", "began-clock-step", "time-not-known"),
    ]
    assert (remarks.steps_back, remarks.rows) == (1, 13)
    assert "loop.csv:10: time: time goes back" in remarks.first_step_back


def test_rows_in_no_order_are_refused() -> None:
    rows = [f"2026-03-01T08:00:{s:02d}.000Z,25,21" for s in range(59, -1, -1)]
    with pytest.raises(RecordingError, match=r"again and again. Sort the rows"):
        read([HEADER, *rows])


def test_behind_hours_without_a_row_a_segment_begins() -> None:
    """Nine years of a logger that was off are no outage of a meter: no determination waits through them."""
    lines = [HEADER, *ROWS, *(row.replace("2026", "2035") for row in ROWS)]
    pieces = list(read_recording((line + "\n" for line in lines), name="loop.csv"))
    marks = [(rfc3339(piece.utc_ms), *piece.labels) for piece in pieces if isinstance(piece, Mark)]
    assert marks == [
        ("2026-03-01T08:00:09.000Z", "ended-interrupted"),
        ("2035-03-01T08:00:00.000Z", "began-started", "time-not-known"),
    ]
    within = [HEADER, *ROWS, *(row.replace("T08", "T09") for row in ROWS[:1])]
    assert not [piece for piece in read_recording(within, name="loop.csv") if isinstance(piece, Mark)]
