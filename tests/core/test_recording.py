"""Recordings read back what was written, and say where a file is wrong."""

import contextlib
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from quietcell.core.electrode.nernst import Line
from quietcell.core.readings import Flag, ReadingBlock
from quietcell.core.recording import HEADER, Chunk, Layout, Mark, Piece, block_rows, recording_row
from quietcell.core.recording_reader import read_recording
from quietcell.core.times import rfc3339, utc_ms
from quietcell.core.units import QUANTITIES
from quietcell.errors import RecordingError
from tests.support.streams import ANCHOR_UTC_MS


def read(text: str, layout: Layout | None = None) -> list[Piece]:
    return list(read_recording(text.splitlines(keepends=True), name="loop.csv", layout=layout))


def only_chunk(text: str, layout: Layout | None = None) -> Chunk:
    (piece,) = read(text, layout)
    assert isinstance(piece, Chunk)
    return piece


finite = st.floats(-1e6, 1e6, allow_nan=False) | st.just(math.nan)


@given(
    st.lists(st.tuples(st.integers(0, 5000), finite, finite, finite, finite, st.integers(0, 255)), min_size=1)
)
@settings(max_examples=60, deadline=None)
def test_what_is_written_comes_back_bit_for_bit(
    rows: list[tuple[int, float, float, float, float, int]],
) -> None:
    steps, *columns, flags = zip(*rows, strict=True)
    mv, temperature_c, conductivity_us_cm, flow_ml_min = (np.array(column) for column in columns)
    block = ReadingBlock.from_columns(
        np.cumsum(steps), mv, temperature_c, conductivity_us_cm, flow_ml_min, flags=flags
    )
    lines = [",".join(HEADER), *block_rows(block, anchor_utc_ms=ANCHOR_UTC_MS, segment=3)]
    again = only_chunk("\n".join(lines)).block(ANCHOR_UTC_MS)
    for name in ("ms", *QUANTITIES, "flags"):
        np.testing.assert_array_equal(getattr(again, name), getattr(block, name))


def test_long_recordings_come_in_chunks() -> None:
    rows = [
        recording_row(ANCHOR_UTC_MS + n * 1000, [1.0, 2.0, math.nan, math.nan], (), 1) for n in range(12_000)
    ]
    pieces = read("\n".join([",".join(HEADER), *rows]))
    assert [len(piece.utc_ms) for piece in pieces if isinstance(piece, Chunk)] == [5000, 5000, 2000]


def test_columns_of_other_things_are_left_alone() -> None:
    chunk = only_chunk("time,mv,acid_mL,v2_mV,comment\n2026-03-01T08:00:00Z,1,0.5,2,stirred\n")
    assert chunk.columns["mv"].tolist() == [1.0]


def test_marks_part_segments_and_let_time_go_back() -> None:
    pieces = read(
        "time,mv,temperature_c,flags,segment\n"
        "2026-03-01T08:00:00.000Z,,,began-started time-synchronised,7\n"
        "2026-03-01T08:00:01.000Z,25.1,21,,7\n"
        "2026-03-01T08:00:02.000Z,,,ended-clock-step,7\n"
        "2026-03-01T07:00:02.000Z,,,began-clock-step time-synchronised,8\n"
        "2026-03-01T07:00:03.000Z,25.2,21,burst after-error,8\n"
    )
    assert [type(piece) for piece in pieces] == [Mark, Chunk, Mark, Mark, Chunk]
    last = pieces[-1]
    assert isinstance(last, Chunk)
    assert (last.segment, int(last.flags[0])) == (8, Flag.BURST | Flag.AFTER_ERROR)


def test_time_may_be_told_by_elapsed_seconds_or_by_the_row() -> None:
    columns = {"time": "t", "mv": "e"}
    elapsed = only_chunk("t,e\n0,1\n2.5,2\n", Layout(columns=columns, time="elapsed-s", start_utc_ms=1000))
    assert elapsed.utc_ms.tolist() == [1000, 3500]
    row = only_chunk(
        "e\n1\n2\n", Layout(columns={"mv": "e"}, time="row", interval_s=30, required=frozenset({"mv"}))
    )
    assert row.utc_ms.tolist() == [0, 30_000]


@pytest.mark.parametrize(
    ("text", "layout"),
    [
        ("time;mv\n2026-03-01T08:00:00.000Z;-25,04\n", Layout(delimiter=";", decimal_comma=True)),
        ("time\tmv\n2026-03-01T08:00:00.000Z\t-25.04\n", Layout(delimiter="\t")),
        ("time\tmv\n2026-03-01T08:00:00.000Z\t-25,04\n", Layout(delimiter="\t", decimal_comma=True)),
    ],
)
def test_cells_may_be_parted_otherwise_and_decimals_by_a_comma(text: str, layout: Layout) -> None:
    chunk = only_chunk(text, layout)
    assert (chunk.utc_ms.tolist(), chunk.columns["mv"].tolist()) == (
        [utc_ms("2026-03-01T08:00:00Z")],
        [-25.04],
    )


def test_a_point_beside_decimal_commas_is_no_number() -> None:
    with pytest.raises(RecordingError, match=r"loop.csv:2: mv: '1\.025,04' is no number"):
        read("time;mv\n2026-03-01T08:00:00Z;1.025,04\n", Layout(delimiter=";", decimal_comma=True))


def test_ph_in_place_of_mv_becomes_the_potential_that_means_it() -> None:
    layout = Layout(
        columns={"time": "t", "ph": "pH"}, time="elapsed-s", temperature_c=22.0, required=frozenset({"ph"})
    )
    chunk = only_chunk("t,pH\n0,7.8\n1,\n", layout)
    assert Line(slope_pct=100.0, zero_mv=0.0).ph(float(chunk.columns["mv"][0]), 22.0) == pytest.approx(7.8)
    assert math.isnan(chunk.columns["mv"][1])


def test_ph_beside_a_thermometer_fault_is_not_measured() -> None:
    columns = {"time": "t", "ph": "pH", "temperature_c": "T"}
    layout = Layout(columns=columns, time="elapsed-s", required=frozenset({"ph"}))
    chunk = only_chunk("t,pH,T\n0,7.8,-242.02\n", layout)
    assert math.isnan(chunk.columns["mv"][0])
    assert chunk.columns["temperature_c"][0] == -242.02


def test_an_elapsed_time_beyond_all_reason_is_told() -> None:
    with pytest.raises(RecordingError, match=r"loop.csv:2: time: '1e300' is no time"):
        read("t,e\n1e300,1\n", Layout(columns={"time": "t", "mv": "e"}, time="elapsed-s"))


GOOD = "time,mv,temperature_c\n2026-03-01T08:00:00Z,1,21\n"


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "loop.csv: no header line"),
        ("time,temperature_c\n", "loop.csv:1: no column 'mv'"),
        ("time;mv\n2026-03-01T08:00:00Z;25,0\n", "the file has time;mv. Say what parts them"),
        ("time,mv,mv\n", "loop.csv:1: columns share the name 'mv'"),
        (GOOD + "yesterday,1,21\n", "loop.csv:3: time: 'yesterday' is no time"),
        (GOOD + "2026-03-01T08:00:01,1,21\n", "loop.csv:3: time"),
        (GOOD + "2026-03-01T08:00:01Z,1.x,21\n", "loop.csv:3: mv: '1.x' is no number"),
        (GOOD + "2026-03-01T08:00:01Z,-102,31,25\n", "loop.csv:3: the row has 4 cells, the header 3"),
        (GOOD + "2026-03-01T08:00:01Z,inf,21\n", "loop.csv:3: mv: 'inf' is no number"),
        (GOOD + "2026-03-01T08:00:01Z,1_0,21\n", "loop.csv:3: mv: '1_0' is no number"),
        (GOOD + '2026-03-01T08:00:01Z,"1\n' + "x,1,2\n" * 20_000, "longer than 65536 characters"),
        ("time,mv,flags,segment\n2026-03-01T08:00:00Z,5,began-started,1\n",
         "loop.csv:2: flags: a mark carries no quantity"),
        (GOOD + "2026-03-01T08:00:01Z,1\n", "loop.csv:3: temperature_c: the row has only 2 cells"),
        ("time,mv,segment\n2026-03-01T08:00:00Z,1,1\n2026-03-01T07:00:00Z,1,1\n",
         "loop.csv:3: time: time goes back"),
        ("time,mv,flags\n2026-03-01T08:00:00Z,1,rotten\n",
         "loop.csv:2: flags: unknown flag 'rotten'; known: burst"),
        ("time,mv,flags\n2026-03-01T08:00:00Z,,began-started\n", "loop.csv:2: flags: a mark needs a segment"),
        (GOOD + "2026-W10-1T08:00:01Z,1,21\n", "loop.csv:3: time: '2026-W10-1T08:00:01Z' is no time"),
        (GOOD + "20260301T080001Z,1,21\n", "loop.csv:3: time: '20260301T080001Z' is no time"),
        ("time,mv,temprature_c\n2026-03-01T08:00:00Z,1,21\n",
         "loop.csv:1: no column is named 'temprature_c'; did you mean 'temperature_c'?"),
        ("time,mv,Flow_ml_min\n", "did you mean 'flow_ml_min'?"),
        ("time,mv,cond\n", "did you mean 'conductivity_us_cm'?"),
        ("time,mv,flags,segment\n2026-03-01T08:00:00Z,5,,1\n2026-03-01T07:00:00Z,,given-request x,1\n",
         "loop.csv:3: flags: what a person gave stands inside its segment, in order of time"),
        ("time,mv,flags,segment\n2026-03-01T08:00:00Z,,given-request,1\n",
         "loop.csv:2: flags: a mark needs a segment number and known labels"),
        ("time,mv,segment\n2026-03-01T08:00:00Z,1,two\n", "loop.csv:2: segment: 'two' is no segment number"),
    ],
)  # fmt: skip
def test_a_wrong_file_is_told_by_name_line_and_column(text: str, told: str) -> None:
    with pytest.raises(RecordingError) as caught:
        read(text)
    assert told in str(caught.value)


@given(st.text(max_size=400))
@settings(max_examples=100, deadline=None)
def test_arbitrary_text_ends_in_pieces_or_a_told_error(text: str) -> None:
    with contextlib.suppress(RecordingError):
        read("time,mv,temperature_c,flags,segment\n" + text)


@pytest.mark.parametrize(
    ("unusual", "told"),
    [
        ("2026-03-01T08:16:40.000Z,eight,25.0", "'eight' is no number"),
        ("2026-03-01T08:16:40.000Z,inf,25.0", "'inf' is no number"),
        ("2026-03-01T08:16:40.000Z,1_0,25.0", "'1_0' is no number"),
        ("2026-03-01T08:16:60.000Z,8.0,25.0", "is no time"),
        ("2026-03-01T08:16:4x.000Z,8.0,25.0", "is no time"),
        ("2026-03-01T08:16:40.000Z,8,0,25,0", "the row has 5 cells, the header 3"),
        ("2026-03-01T08:16:40.000Z,8.0", "the row has only 2 cells"),
    ],
)
def test_a_fault_deep_in_a_plain_recording_names_its_line(unusual: str, told: str) -> None:
    lines = ["time,mv,temperature_c"]
    lines += [f"{rfc3339(utc_ms('2026-03-01T08:00:00Z') + 1000 * s)},8.0,25.0" for s in range(1400)]
    lines[1001] = unusual
    with pytest.raises(RecordingError, match=told) as caught:
        read("\n".join(lines))
    assert caught.value.subject is not None
    assert caught.value.subject.startswith("loop.csv:1002")


def test_plain_rows_read_in_bulk_are_the_same_as_rows_read_one_by_one() -> None:
    rng = np.random.default_rng(1)
    begin_ms = utc_ms("2026-02-28T23:55:00Z")
    numbers = [
        ["" if rng.random() < 0.1 else repr(float(v)) for v in rng.normal(8, 9, 4)] for _ in range(1300)
    ]
    flags = ["late burst" if rng.random() < 0.1 else "" for _ in numbers]
    rows = [
        (rfc3339(begin_ms + 977 * n), *cells, flag, "3")
        for n, (cells, flag) in enumerate(zip(numbers, flags, strict=True))
    ]
    header = ",".join(HEADER) + "\n"
    bulk = only_chunk(header + "".join(",".join(row) + "\r\n" for row in rows))
    quoted = only_chunk(header + "".join(",".join(f'"{cell}"' for cell in row) + "\n" for row in rows))
    assert (bulk.segment, bulk.utc_ms.tobytes()) == (quoted.segment, quoted.utc_ms.tobytes())
    assert bulk.flags.tobytes() == quoted.flags.tobytes()
    for name in QUANTITIES:
        assert bulk.columns[name].tobytes() == quoted.columns[name].tobytes()
