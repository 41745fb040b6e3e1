"""What waits to be stored, filled by the event loop and emptied by the writer's thread."""

import asyncio
from collections.abc import Sequence
from threading import Lock
from typing import NamedTuple

from quietcell.ledger.chain import Stored
from quietcell.ledger.readings_files import SegmentReadings


class Bodies(NamedTuple):
    """Bodies that are stored together."""

    texts: Sequence[tuple[str, int]]
    """In canonical form, and the schema version of each."""
    stored: asyncio.Future[list[Stored]]
    """Belongs to whoever waits for them."""
    patient: bool
    """Whether they are waited for even while the disk fails."""
    opening: bool
    """Whether a segment begins with them: no reading kept later may be stored before they are."""


class Batch(NamedTuple):
    """What one commit takes."""

    bodies: list[Bodies]
    readings: list[SegmentReadings]

    def texts(self) -> list[tuple[str, int]]:
        """Return all bodies in order."""
        return [text for each in self.bodies for text in each.texts]


class _Queued(NamedTuple):
    """Bodies that wait, behind so many readings that wait."""

    bodies: Bodies
    readings: int


class Waiting:
    """Bodies and readings that no commit has taken yet; for use from any thread.

    Readings kept before a body go along with it, those kept later wait. A commit stores readings before
    bodies, so it takes none that came after the beginning of a segment: stored without it, they would be
    taken for readings of the next segment of that number.
    """

    def __init__(self) -> None:
        self._lock = Lock()
        self._queued: list[_Queued] = []
        self._readings: list[SegmentReadings] = []
        self._due = False

    @property
    def due(self) -> bool:
        """Whether a commit should run."""
        return bool(self._queued) or self._due

    @property
    def readings(self) -> bool:
        """Whether any readings wait."""
        return bool(self._readings)

    def queue(self, bodies: Bodies) -> None:
        """Add bodies, which makes a commit due."""
        with self._lock:
            self._queued.append(_Queued(bodies, len(self._readings)))

    def keep(self, readings: SegmentReadings) -> None:
        """Add readings."""
        with self._lock:
            self._readings.append(readings)

    def hurry(self) -> None:
        """Let a commit be due even without bodies."""
        with self._lock:
            self._due = True

    def take(self) -> Batch | None:
        """Return what the next commit takes, None if none is due."""
        with self._lock:
            if not self.due:
                return None
            ends = [each.readings for each in self._queued if each.bodies.opening]
            ends += [self._queued[-1].readings if self._queued else len(self._readings)]
            bodies = [each.bodies for each in self._queued if each.readings <= ends[0]]
            readings, self._readings = self._readings[: ends[0]], self._readings[ends[0] :]
            self._queued = self._behind(self._queued[len(bodies) :], -ends[0])
            self._due = self._due and bool(bodies)
            return Batch(bodies, readings)

    def put_back(self, batch: Batch, *, most_readings: int) -> list[SegmentReadings]:
        """Take back what could not be stored, ahead of what came since.

        Returns
        -------
        list of SegmentReadings
            The oldest, which make more than `most_readings` and wait no longer.
        """
        with self._lock:
            back = len(batch.readings)
            taken = [_Queued(bodies, back) for bodies in batch.bodies]
            self._due = self._due or not batch.bodies
            self._readings = [*batch.readings, *self._readings]
            number, dropped = sum(len(part.block) for part in self._readings), 0
            while number > most_readings:
                number -= len(self._readings[dropped].block)
                dropped += 1
            oldest, self._readings = self._readings[:dropped], self._readings[dropped:]
            self._queued = self._behind([*taken, *self._behind(self._queued, back)], -dropped)
            return oldest

    @staticmethod
    def _behind(queued: list[_Queued], more: int) -> list[_Queued]:
        """Return bodies behind so many more readings, or fewer."""
        return [each._replace(readings=max(0, each.readings + more)) for each in queued]

    def bodies(self) -> list[Bodies]:
        """Return the bodies that wait."""
        with self._lock:
            return [each.bodies for each in self._queued]
