"""What waits to be stored keeps its order, and no reading passes the body it came after."""

import asyncio

from hypothesis import given, settings
from hypothesis import strategies as st

from quietcell.ledger.readings_files import SegmentReadings
from quietcell.ledger.waiting import Batch, Bodies, Waiting
from tests.support.streams import ANCHOR_UTC_MS, readings


def part(number: int) -> SegmentReadings:
    return SegmentReadings(cell="x", segment=number, anchor_utc_ms=ANCHOR_UTC_MS, block=readings(3))


def commit(batch: Batch | None, stored: list[int]) -> None:
    """Store readings before bodies, as the ledger does."""
    if batch is not None:
        stored += [each.segment for each in batch.readings]
        stored += [int(text) for text, _ in batch.texts()]


@given(st.lists(st.sampled_from(["body", "readings", "commit", "failure"]), max_size=30))
@settings(max_examples=200, deadline=None)
def test_order_outlasts_commits_and_failures(acts: list[str]) -> None:
    loop, waiting, stored = asyncio.new_event_loop(), Waiting(), list[int]()
    kinds: list[str] = []
    for act in acts:
        if act == "body":
            waiting.queue(Bodies([(str(len(kinds)), 1)], loop.create_future(), patient=True))
        elif act == "readings":
            waiting.keep(part(len(kinds)))
        elif act == "commit":
            commit(waiting.take(), stored)
        elif (batch := waiting.take()) is not None:
            assert waiting.put_back(batch, most_readings=10**6) == []
        if act in ("body", "readings"):
            kinds.append(act)
    commit(waiting.take(), stored)
    waiting.hurry()
    commit(waiting.take(), stored)
    loop.close()
    assert sorted(stored) == list(range(len(kinds)))
    for kind in ("body", "readings"):
        own = [number for number in stored if kinds[number] == kind]
        assert own == sorted(own)
    for at, number in enumerate(stored):
        if kinds[number] == "body":
            before = {each for each in range(number) if kinds[each] == "readings"}
            assert before <= set(stored[:at])


def test_the_oldest_readings_give_way_to_a_limit() -> None:
    waiting = Waiting()
    for number in range(5):
        waiting.keep(part(number))
    waiting.hurry()
    batch = waiting.take()
    assert batch is not None
    waiting.keep(part(5))
    dropped = waiting.put_back(batch, most_readings=10)
    assert [each.segment for each in dropped] == [0, 1, 2]
    again = waiting.take()
    assert again is not None
    assert [each.segment for each in again.readings] == [3, 4, 5]
