"""Readings that could not be kept because the disk took nothing: counted, and said so."""

from dataclasses import dataclass
from typing import ClassVar, Final

from quietcell.core.records import Body

READINGS_DROPPED: Final = "readings-dropped"
"""Kind of the record."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingsDroppedBody(Body):
    """Readings of one segment that are not stored; the records made meanwhile rest on them all the same."""

    kind: ClassVar[str] = READINGS_DROPPED

    segment: int
    from_ms: int
    """Time of the first dropped reading."""
    upto_ms: int
    """Time of the last dropped reading."""
    readings: int
