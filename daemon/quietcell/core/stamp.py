"""The ids and times of the records a cell's engine writes."""

from typing import Any

from quietcell.core.inputs import SegmentBegan
from quietcell.core.times import rfc3339
from quietcell.errors import ContractError


class Stamp:
    """Numbers and dates records, segment after segment.

    Parameters
    ----------
    cell : str
        Whose records they are.
    """

    def __init__(self, cell: str) -> None:
        self._cell = cell
        self.segment: SegmentBegan | None = None
        """The open one; None between segments."""
        self.ordinal = 0
        """Of the last record of the segment."""

    def turn_to(self, segment: SegmentBegan | None) -> None:
        """Begin a segment, or end the open one."""
        self.segment, self.ordinal = segment, 0

    @property
    def open_segment(self) -> SegmentBegan:
        """The open segment.

        Raises
        ------
        ContractError
            If there is none.
        """
        if self.segment is None:
            raise ContractError("no segment is open", subject=self._cell)
        return self.segment

    def next_id(self) -> str:
        """Return the id of the next record."""
        self.ordinal += 1
        return f"{self._cell}.{self.open_segment.segment}.{self.ordinal}"

    def utc_ms(self, ms: int) -> int:
        """Return a time of the segment as UTC."""
        return self.open_segment.utc_ms + ms

    def text(self, ms: int) -> str:
        """Return a time of the segment as RFC 3339."""
        return rfc3339(self.utc_ms(ms))

    def identity(self, ms: int) -> dict[str, Any]:
        """Return id, cell and time of the next record."""
        return {"id": self.next_id(), "cell": self._cell, "at": self.text(ms)}
