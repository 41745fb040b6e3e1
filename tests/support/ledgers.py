"""Ledgers with a fixed stamp, and bodies to put into them."""

from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar

from quietcell.core.records import ABSENT, Absent, Body
from quietcell.core.times import rfc3339
from quietcell.ledger.ledger import Ledger, Stamp
from tests.support.streams import ANCHOR_UTC_MS


def open_ledger(folder: Path, *, readings_commit_s: float = 5.0) -> Ledger:
    """A ledger whose every commit happens at the same instant."""
    return Ledger(
        folder, stamp=lambda: Stamp(ANCHOR_UTC_MS, "synchronised"), readings_commit_s=readings_commit_s
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteBody(Body):
    """The smallest body."""

    kind: ClassVar[str] = "note"

    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ResultBody(Body):
    """As much of a determination as outlets and alarms look at."""

    kind: ClassVar[str] = "determination"

    verdict: str
    reasons: tuple[str, ...] = ()
    text: str | Absent = ABSENT
    grab: str | Absent = ABSENT


def note(number: int, text: str = "tubing changed") -> NoteBody:
    """A body with an id of its own."""
    return NoteBody(
        id=f"live-feed-room.1.{number}", cell="live-feed-room", at=rfc3339(ANCHOR_UTC_MS + number), text=text
    )
