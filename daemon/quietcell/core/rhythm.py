"""Silences of a meter told one by one, or as one stretch where they come again and again.

A meter that sends more seldom than the largest gap allows would otherwise fill the journal: every reading
would end a gap.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

SINGLE: Final = 3
"""So many silences in a row are told one by one."""
LONGER: Final = 2
"""A silence so many times as long as any in the row is told by itself."""
STEADY_MS: Final = 60_000
"""After so long without a silence the rhythm fits again."""
SPARSE: Final = "readings-too-sparse"


@dataclass(frozen=True, slots=True, kw_only=True)
class Silence:
    """A stretch of time without readings, or of readings too far apart."""

    began_ms: int
    ended_ms: int
    cause: str
    """``silence``, what began the segment behind it, or `SPARSE`."""
    told_ms: int
    """The reading that shows it."""
    goes_on: bool | None = None
    """Of a stretch of sparse readings: whether it begins or is over."""


@dataclass(slots=True)
class Rhythm:
    """Whether the readings of a cell come often enough, on the time of its segment."""

    in_a_row: int = 0
    last_ms: int | None = None
    """End of the last silence, None after a steady stretch."""
    longest_ms: int = 0
    """The longest of them."""
    sparse_since_ms: int | None = None
    """Beginning of a stretch of sparse readings that is not over."""

    def tell(self, silences: Sequence[Silence], times: NDArray[np.int64]) -> Iterator[Silence]:
        """Yield what is to be told of the silences before and between some readings.

        Parameters
        ----------
        silences : sequence of Silence
            In order of time.
        times : ndarray of shape (n,)
            Times of the readings, ms; how they are cut into calls changes nothing.
        """
        for silence in silences:
            yield from self._steady(times[times <= silence.began_ms])
            self.in_a_row += 1
            self.last_ms = silence.ended_ms
            length_ms = silence.ended_ms - silence.began_ms
            longer, self.longest_ms = length_ms > LONGER * self.longest_ms, max(length_ms, self.longest_ms)
            if self.in_a_row <= SINGLE or longer or silence.cause != "silence":
                yield silence
            elif self.sparse_since_ms is None:
                self.sparse_since_ms = silence.began_ms
                yield Silence(
                    began_ms=silence.began_ms,
                    ended_ms=silence.ended_ms,
                    cause=SPARSE,
                    told_ms=silence.ended_ms,
                    goes_on=True,
                )
        yield from self._steady(times)

    def _steady(self, times: NDArray[np.int64]) -> Iterator[Silence]:
        """Notice the first reading that comes long enough behind the last silence."""
        if self.last_ms is None or not len(times) or times[-1] - self.last_ms < STEADY_MS:
            return
        if self.sparse_since_ms is not None:
            shown = int(np.searchsorted(times, self.last_ms + STEADY_MS))
            yield Silence(
                began_ms=self.sparse_since_ms,
                ended_ms=self.last_ms,
                cause=SPARSE,
                told_ms=int(times[shown]),
                goes_on=False,
            )
        self.in_a_row, self.last_ms, self.longest_ms, self.sparse_since_ms = 0, None, 0, None

    def shift(self, ms: int) -> None:
        """Move to the time of a segment whose zero lies `ms` later."""
        if self.last_ms is not None:
            self.last_ms -= ms
        if self.sparse_since_ms is not None:
            self.sparse_since_ms -= ms
