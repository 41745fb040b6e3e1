"""What waits to be stored keeps its order, and no reading passes the body it came after."""

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import cast

from hypothesis import given, settings
from hypothesis import strategies as st

from quietcell.ledger.chain import Stored
from quietcell.ledger.readings_files import SegmentReadings
from quietcell.ledger.waiting import Batch, Bodies, Waiting
from tests.support.streams import ANCHOR_UTC_MS, readings

NOBODY = cast("asyncio.Future[list[Stored]]", None)
"""Waits for what is queued."""


def part(number: int) -> SegmentReadings:
    return SegmentReadings(cell="x", segment=number, anchor_utc_ms=ANCHOR_UTC_MS, block=readings(3))


@dataclass
class Disk:
    """Stores what a commit takes: its readings, then its bodies, as the ledger does."""

    waiting: Waiting = field(default_factory=Waiting)
    kinds: list[str] = field(default_factory=list)
    """Of what was given, by number."""
    stored: list[int] = field(default_factory=list)
    dropped: set[int] = field(default_factory=set)
    batch: Batch | None = None
    """On its way."""

    def give(self, kind: str) -> None:
        number = len(self.kinds)
        self.kinds.append(kind)
        if kind == "readings":
            self.waiting.keep(part(number))
        else:
            opening = kind == "opening"
            self.waiting.queue(Bodies([(str(number), 1)], NOBODY, patient=True, opening=opening))

    def begin(self) -> None:
        if self.batch is None:
            self.batch = self.waiting.take()

    def end(self) -> None:
        if self.batch is not None:
            self.stored += [each.segment for each in self.batch.readings]
            self.stored += [int(text) for text, _ in self.batch.texts()]
        self.batch = None

    def fail(self, most_readings: int) -> None:
        if self.batch is not None:
            given_up = self.waiting.put_back(self.batch, most_readings=most_readings)
            self.dropped.update(each.segment for each in given_up)
        self.batch = None

    def do(self, act: str) -> None:
        acts: dict[str, Callable[[], None]] = {
            "hurry": self.waiting.hurry,
            "begin": self.begin,
            "end": self.end,
            "fail": lambda: self.fail(10**6),
            "fail for long": lambda: self.fail(6),
        }
        acts.get(act, lambda: self.give(act))()


ACTS = ["body", "opening", "readings", "hurry", "begin", "end", "fail", "fail for long"]


@given(st.lists(st.sampled_from(ACTS), max_size=40))
@settings(max_examples=400, deadline=None)
def test_order_outlasts_commits_and_failures(acts: list[str]) -> None:
    disk = Disk()
    for act in acts:
        disk.do(act)
    disk.end()
    while disk.waiting.due or disk.waiting.readings:
        for act in ("hurry", "begin", "end"):
            disk.do(act)
    stored, kinds = disk.stored, disk.kinds
    assert sorted([*stored, *disk.dropped]) == list(range(len(kinds)))
    for of_readings in (True, False):
        own = [number for number in stored if (kinds[number] == "readings") is of_readings]
        assert own == sorted(own)
    for at, number in enumerate(stored):
        wanted = "opening" if kinds[number] == "readings" else "readings"
        earlier = {each for each in range(number) if kinds[each] == wanted} - disk.dropped
        assert earlier <= set(stored[:at])


def test_bodies_of_one_commit_share_it_whatever_is_kept_between_them() -> None:
    disk = Disk()
    for act in ("body", "readings", "body", "readings", "begin", "end"):
        disk.do(act)
    assert disk.stored == [1, 0, 2]
    assert not disk.waiting.due


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
