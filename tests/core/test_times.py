"""Times as records write them."""

from datetime import UTC, datetime

from hypothesis import given
from hypothesis import strategies as st

from quietcell.core.times import rfc3339, utc_ms


def ms_of(moment: datetime) -> int:
    return round((moment - datetime(1970, 1, 1, tzinfo=UTC)).total_seconds() * 1000)


@given(
    st.integers(ms_of(datetime(1, 1, 1, tzinfo=UTC)), ms_of(datetime(9999, 12, 31, 23, 59, 59, tzinfo=UTC)))
)
def test_a_time_is_written_as_the_standard_library_would_and_read_back(ms: int) -> None:
    text = rfc3339(ms)
    moment = datetime.fromisoformat(text)
    assert moment.isoformat(timespec="milliseconds").replace("+00:00", "Z") == text
    assert ms_of(moment) == utc_ms(text) == ms
