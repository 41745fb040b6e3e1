"""How far behind the clock marks lie: far enough that readings are not late, and no farther for long."""

from hypothesis import given, settings
from hypothesis import strategies as st

from quietcell.core.readings import Flag
from quietcell.service.segment_time import LAG_KEPT_MS, LAG_MS, MOST_LAG_MS, SegmentTime
from tests.support.clocks import HeldClock


class Marked:
    """A segment marked every second, then given the reading taken `age_ms` ago."""

    def __init__(self) -> None:
        self._clock = HeldClock()
        self._time = SegmentTime(self._clock, scale=1.0)
        self._time.begin()
        self.late = 0

    @property
    def lag_ms(self) -> int:
        return self._clock.boot - self._time.boot_ms(self._time.behind(self._clock.boot))

    def receive(self, age_ms: int, *, times: int = 1) -> None:
        for _ in range(times):
            self._clock.advance(1.0)
            mark_ms = self._time.behind(self._clock.boot)
            if mark_ms >= self._time.floor_ms:
                self._time.floor_ms = mark_ms + 1
            block = self._time.placed([(self._clock.boot - age_ms, 1.0, 25.0, None, None, 0)])
            self.late += int(block.flags[0] == Flag.LATE)


def test_a_stall_is_forgotten() -> None:
    segment = Marked()
    segment.receive(100, times=30)
    segment.receive(7_000)
    stalled_ms = segment.lag_ms
    segment.receive(100, times=8 * LAG_KEPT_MS // 1000)
    assert stalled_ms >= 7_000
    assert segment.lag_ms == LAG_MS
    assert segment.late == 1


@settings(max_examples=20)
@given(age_ms=st.integers(0, MOST_LAG_MS - 1), wander_ms=st.integers(0, 50))
def test_a_meter_that_always_takes_long_is_late_only_until_that_is_known(age_ms: int, wander_ms: int) -> None:
    segment = Marked()
    segment.receive(age_ms, times=20)  # of what a segment began with, nothing is late
    first = segment.late
    for n in range(3 * LAG_KEPT_MS // 1000):
        segment.receive(max(0, age_ms - n % (wander_ms + 1)))
    assert segment.late == first
    assert age_ms - wander_ms <= segment.lag_ms <= max(LAG_MS, 4 * age_ms)
