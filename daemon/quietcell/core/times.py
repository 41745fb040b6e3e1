"""Times as text: RFC 3339 in UTC with whole milliseconds, the only form records use."""

import re
from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache

# RFC 3339, date-time; ISO 8601 has more forms (weeks, day of the year), which are no RFC 3339 times.
_RFC_3339 = re.compile(
    r"[0-9]{4}-[0-9]{2}-[0-9]{2}[Tt ][0-9]{2}:[0-9]{2}:[0-9]{2}(\.[0-9]+)?([Zz]|[+-][0-9]{2}:[0-9]{2})"
)
DAY_MS = 86_400_000
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MILLISECOND = timedelta(milliseconds=1)


def rfc3339(utc_ms: int) -> str:
    """Return a time as text.

    Parameters
    ----------
    utc_ms : int
        Milliseconds since 1970 UTC.

    Examples
    --------
    >>> rfc3339(1_767_225_600_123)
    '2026-01-01T00:00:00.123Z'
    """
    day, ms = divmod(utc_ms, DAY_MS)
    s, ms = divmod(ms, 1000)
    return "%s%02d:%02d:%02d.%03dZ" % (_day(day), s // 3600, s // 60 % 60, s % 60, ms)  # noqa: UP031 # twice as fast


@lru_cache(maxsize=8)
def _day(day: int) -> str:
    """Return how the times of a day begin, counted from 1970."""
    return (_EPOCH + timedelta(days=day)).isoformat()[:11]


def utc_ms(text: str) -> int:
    """Return milliseconds since 1970 UTC of an RFC 3339 time; finer parts are rounded to nearest.

    Raises
    ------
    ValueError
        If the text is no RFC 3339 time or has no zone.

    Examples
    --------
    >>> utc_ms("2026-01-01T02:00:00.123+02:00")
    1767225600123
    """
    if _RFC_3339.fullmatch(text) is None:
        raise ValueError(f"{text!r} is no RFC 3339 time with seconds and zone")
    moment = datetime.fromisoformat(text.upper())
    return round((moment - _EPOCH) / _MILLISECOND)


def end_of_day_utc_ms(day: date) -> int:
    """Return the first millisecond (since 1970 UTC) after a UTC day.

    Examples
    --------
    >>> rfc3339(end_of_day_utc_ms(date(2026, 2, 28)))
    '2026-03-01T00:00:00.000Z'
    """
    return round((datetime.combine(day, time.min, UTC) + timedelta(days=1) - _EPOCH) / _MILLISECOND)
