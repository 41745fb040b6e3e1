"""The time of a cell's segment: where its zero lies, how far it has come, whether UTC still agrees."""

from collections.abc import Sequence

import numpy as np

from quietcell.contracts import Clock
from quietcell.core.readings import Flag, ReadingBlock, ReadingRows, Row
from quietcell.core.records import TimeQuality
from quietcell.service.clock import time_quality

LAG_MS = 250
"""A mark lies this far behind the clock (times its scale), so that a reading received before it but
decoded after it is not late."""
MOST_LAG_MS = 10_000
"""Where readings were late all the same, as those of a meter whose lines end by silence: at most so far."""
LAG_KEPT_MS = 600_000
"""Readings that leave half of the lag unused for so long halve it again: a machine that stood still once
would have silence told late ever after."""
ASK_QUALITY_MS = 5_000
"""While UTC is not synchronised the kernel is asked so often whether it is now."""


class SegmentTime:
    """Segment after segment of one cell.

    Parameters
    ----------
    clock : Clock
        Time.
    scale : float
        Seconds of `clock` for each second of the machine.
    """

    def __init__(self, clock: Clock, *, scale: float) -> None:
        self._clock = clock
        self._lag_ms, self._most_lag_ms = round(LAG_MS * scale), round(MOST_LAG_MS * scale)
        self._least_lag_ms = self._lag_ms
        self._spare_ms, self._spare_until_boot_ms = self._most_lag_ms, 0
        self._anchor_boot_ms = 0
        self._ask_quality_boot_ms = 0
        self.anchor_utc_ms = 0
        """When the segment began."""
        self.floor_ms = 0
        """Nothing earlier may come any more."""
        self.quality: TimeQuality = "not-known"
        """Of UTC when the segment began."""

    def begin(self, boot_ms: int | None = None) -> None:
        """Begin a segment now, or at `boot_ms`."""
        now_boot_ms, now_utc_ms = self._clock.boot_ms(), self._clock.utc_ms()
        self._anchor_boot_ms = now_boot_ms if boot_ms is None else boot_ms
        self.anchor_utc_ms = now_utc_ms - (now_boot_ms - self._anchor_boot_ms)
        self.floor_ms = 0
        self.quality = time_quality()

    @property
    def now_ms(self) -> int:
        """How far it has come."""
        return self.of(self._clock.boot_ms())

    def of(self, boot_ms: int) -> int:
        """Return a time since boot as one of the segment."""
        return boot_ms - self._anchor_boot_ms

    def boot_ms(self, ms: int) -> int:
        """Return a time of the segment as one since boot."""
        return self._anchor_boot_ms + ms

    def behind(self, boot_ms: int) -> int:
        """Return the time of a mark made at `boot_ms`."""
        return self.of(boot_ms) - self._lag_ms

    def placed(self, rows: Sequence[Row]) -> ReadingBlock:
        """Put readings on segment time, late ones moved up and flagged; none may come before them now.

        Marks lie farther behind from then on, as one meter's readings take about equally long, until they
        turn out to lie farther than it takes.
        """
        block = ReadingBlock.from_readings(ReadingRows(rows), anchor_boot_ms=self._anchor_boot_ms)
        times = [row[0] for row in rows]
        late_ms = self.floor_ms - self.of(times[0])
        self._learn_lag(late_ms, newest_ms=self.of(times[-1]))
        if late_ms > 0 or times != sorted(times):
            in_order = np.maximum.accumulate(np.maximum(block.ms, self.floor_ms))
            block.flags[in_order != block.ms] |= int(Flag.LATE)
            block.ms[:] = in_order
        self.floor_ms = int(block.ms[-1])
        return block

    def _learn_lag(self, late_ms: int, *, newest_ms: int) -> None:
        """Widen the lag by readings so late, or narrow it after long without one that took half of it."""
        boot_ms = self._clock.boot_ms()
        self._spare_ms = min(self._spare_ms, newest_ms - self.behind(boot_ms))
        if late_ms > 0:
            self._lag_ms = min(max(self._lag_ms + late_ms, 2 * self._lag_ms), self._most_lag_ms)
        elif boot_ms < self._spare_until_boot_ms:
            return
        elif 2 * self._spare_ms > self._lag_ms:
            self._lag_ms = max(self._lag_ms // 2, self._least_lag_ms)
        self._spare_ms, self._spare_until_boot_ms = self._most_lag_ms, boot_ms + LAG_KEPT_MS

    @property
    def step_ms(self) -> int:
        """How far UTC has stepped since the segment began."""
        return self._clock.utc_ms() - self._clock.boot_ms() - (self.anchor_utc_ms - self._anchor_boot_ms)

    def is_synchronised_now(self, boot_ms: int) -> bool:
        """Whether a time service set UTC right since the segment began; asked now and then."""
        if self.quality != "not-synchronised" or boot_ms < self._ask_quality_boot_ms:
            return False
        self._ask_quality_boot_ms = boot_ms + ASK_QUALITY_MS
        return time_quality() == "synchronised"
