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


class Batch(NamedTuple):
    """What one commit takes."""

    bodies: list[Bodies]
    readings: list[SegmentReadings]

    def texts(self) -> list[tuple[str, int]]:
        """Return all bodies in order."""
        return [text for each in self.bodies for text in each.texts]


class Waiting:
    """Bodies and readings that no commit has taken yet; for use from any thread.

    Readings kept before a body go along with it, those kept later wait: they may be of a segment whose
    beginning is that body, and no reading may be stored before its segment is.
    """

    def __init__(self) -> None:
        self._lock = Lock()
        self._bodies: list[Bodies] = []
        self._readings: list[SegmentReadings] = []
        self._before_bodies = 0
        """So many readings were kept before the last body was queued."""
        self._due = False

    @property
    def due(self) -> bool:
        """Whether a commit should run."""
        return bool(self._bodies) or self._due

    @property
    def readings(self) -> bool:
        """Whether any readings wait."""
        return bool(self._readings)

    def queue(self, bodies: Bodies) -> None:
        """Add bodies, which makes a commit due."""
        with self._lock:
            self._before_bodies = len(self._readings)
            self._bodies.append(bodies)

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
            bodies, self._bodies = self._bodies, []
            count = self._before_bodies if bodies else len(self._readings)
            readings, self._readings = self._readings[:count], self._readings[count:]
            self._before_bodies, self._due = 0, self._due and bool(bodies)
            return Batch(bodies, readings)

    def put_back(self, batch: Batch, *, most_readings: int) -> list[SegmentReadings]:
        """Take back what could not be stored, ahead of what came since.

        Returns
        -------
        list of SegmentReadings
            The oldest, which make more than `most_readings` and wait no longer.
        """
        with self._lock:
            if self._bodies:
                self._before_bodies += len(batch.readings)
            else:
                self._before_bodies = len(batch.readings) if batch.bodies else 0
            self._due = self._due or not batch.bodies
            self._bodies, self._readings = [*batch.bodies, *self._bodies], [*batch.readings, *self._readings]
            number, dropped = sum(len(part.block) for part in self._readings), 0
            while number > most_readings:
                number -= len(self._readings[dropped].block)
                dropped += 1
            oldest, self._readings = self._readings[:dropped], self._readings[dropped:]
            self._before_bodies = max(0, self._before_bodies - dropped)
            return oldest

    def bodies(self) -> list[Bodies]:
        """Return the bodies that wait."""
        with self._lock:
            return list(self._bodies)
