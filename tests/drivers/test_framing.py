"""Bytes to lines."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietcell_drivers.framing import DAMAGED, HEAD, TOO_LONG, Discarded, Line, LineFramer

STREAM = b"-102.31;25.04\n-102.30;25.05\n-102.29;25.06\n"
TERMINATORS = [b"\n", b"\r\n", b"\r", b";;\n", b"\x03"]

alphabets = st.lists(st.sampled_from([b"\n", b"\r", b";", b"\x03", b"\x00", b"1", b"23"]), max_size=60)
streams = alphabets.map(b"".join) | st.binary(max_size=80)


def feed_all(framer: LineFramer, chunks: list[bytes]) -> list[Line | Discarded]:
    return [item for chunk in chunks for item in framer.feed(chunk)]


def cut(stream: bytes, places: list[int]) -> list[bytes]:
    edges = [0, *sorted(p % (len(stream) + 1) for p in places), len(stream)]
    return [stream[a:b] for a, b in pairwise(edges)]


@given(
    stream=streams,
    places=st.lists(st.integers(0, 200), max_size=10),
    terminator=st.sampled_from(TERMINATORS),
    limit=st.integers(1, 12),
    discard_head=st.booleans(),
)
def test_any_chunking_gives_the_same_lines(
    stream: bytes, places: list[int], terminator: bytes, limit: int, discard_head: bool
) -> None:
    def run(chunks: list[bytes]) -> list[Line | Discarded]:
        return feed_all(LineFramer(terminator, limit, discard_head=discard_head), chunks)

    whole = run([stream])
    assert run([bytes([b]) for b in stream]) == whole
    assert run(cut(stream, places)) == whole


@given(stream=streams, terminator=st.sampled_from(TERMINATORS), limit=st.integers(1, 12))
def test_every_byte_is_in_a_line_or_counted_or_held(stream: bytes, terminator: bytes, limit: int) -> None:
    framer = LineFramer(terminator, limit)
    items = feed_all(framer, [stream])
    accounted = sum(
        item.size if isinstance(item, Discarded) else len(item.content) + len(terminator) for item in items
    )
    assert accounted + framer.clear() == len(stream)


@given(chunks=st.lists(st.binary(max_size=300), max_size=20), limit=st.integers(1, 64))
def test_no_more_than_one_line_is_held_whatever_comes(chunks: list[bytes], limit: int) -> None:
    framer = LineFramer(b"\r\n", limit)
    for chunk in chunks:
        framer.feed(chunk)
        assert framer.held_bytes <= limit + 1


@pytest.mark.parametrize("offset", range(len(STREAM)))
def test_a_stream_joined_at_any_offset_yields_only_whole_lines(offset: int) -> None:
    items = feed_all(LineFramer(b"\n", 64), [STREAM[offset:]])
    lines = [item.content for item in items if isinstance(item, Line)]
    assert lines == STREAM.split(b"\n")[:-1][STREAM[: offset + 1].count(b"\n") + 1 :] or (
        STREAM[offset : offset + 1] == b"\n" and lines == STREAM[offset + 1 :].split(b"\n")[:-1]
    )
    head = items[0]
    assert isinstance(head, Discarded)
    assert head.reason == HEAD
    assert head.size == STREAM[offset:].index(b"\n") + 1


@pytest.mark.parametrize("offset", range(1, len(STREAM)))
def test_after_damage_at_any_offset_only_whole_lines_follow(offset: int) -> None:
    framer = LineFramer(b"\n", 64, discard_head=False)
    before = framer.feed(STREAM[:offset])
    framer.damage(0)
    after = framer.feed(STREAM[offset:])
    whole = {Line(content) for content in STREAM.split(b"\n")[:-1]}
    assert set(before) <= whole
    assert isinstance(after[0], Discarded)
    assert after[0].reason == DAMAGED
    assert set(after[1:]) <= whole


def test_an_over_long_line_is_discarded_whole_and_the_next_taken() -> None:
    items = LineFramer(b"\n", 5, discard_head=False).feed(b"12345\n123456\n1234567890\n12\n")
    assert items == [Line(b"12345"), Discarded(TOO_LONG, 7), Discarded(TOO_LONG, 11), Line(b"12")]


def test_a_zero_byte_marks_its_line_as_damaged() -> None:
    items = LineFramer(b"\n", 64, discard_head=False).feed(b"-102.\x00;25.04\n-102.30;25.05\n")
    assert items == [Discarded(DAMAGED, 13), Line(b"-102.30;25.05")]


def test_without_terminator_silence_ends_a_line() -> None:
    framer = LineFramer(b"", 64)
    assert framer.feed(b"04") == []
    assert framer.end_by_silence() == [Discarded(HEAD, 2)]
    assert framer.feed(b"-102.31;") == []
    assert framer.feed(b"25.04") == []
    assert framer.end_by_silence() == [Line(b"-102.31;25.04")]
    assert framer.end_by_silence() == []


def test_silence_before_the_first_byte_spares_the_first_line() -> None:
    framer = LineFramer(b"", 64)
    assert framer.end_by_silence() == []
    framer.feed(b"-102.31;25.04")
    assert framer.end_by_silence() == [Line(b"-102.31;25.04")]


def test_a_line_that_cannot_hold_a_byte_is_refused() -> None:
    with pytest.raises(ValueError, match="max_line_bytes is 0, must be at least 1"):
        LineFramer(b"\n", 0)


@given(
    st.lists(
        st.sampled_from([b"1;1\r\n", b"12345678\r\n", b"1;", b"1\r\n", b"a\r\nb\r\n", b"\x00\r\n", b"\r"])
    )
)
def test_a_line_taken_whole_is_what_feeding_it_gives(chunks: list[bytes]) -> None:
    quick, slow = LineFramer(b"\r\n", 6), LineFramer(b"\r\n", 6)
    for chunk in chunks:
        line = quick.only_line(chunk)
        assert (quick.feed(chunk) if line is None else [Line(line)]) == slow.feed(chunk)
        assert quick.held_bytes == slow.held_bytes
