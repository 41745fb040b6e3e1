"""Now on two clocks, and what ends by itself a stated time later."""

from dataclasses import dataclass
from typing import Self

from quietcell.core.times import rfc3339, utc_ms


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """Now, on both clocks."""

    ms: int
    """On a clock that never steps; only differences count."""
    utc_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """When something ends by itself: whatever UTC does meanwhile, it lasts as long as was said."""

    ends_ms: int
    """On the clock that never steps."""
    until: str
    """As it was said, UTC."""

    @classmethod
    def beginning(cls, now: Moment, until_utc_ms: int) -> Self:
        """Return one from now until a time."""
        return cls(ends_ms=now.ms + until_utc_ms - now.utc_ms, until=rfc3339(until_utc_ms))

    @classmethod
    def going_on(cls, now: Moment, *, began: str, until: str, known: Self | None) -> Self:
        """Return one that records tell of: the one known before, if any.

        Else a clock set back makes it no longer than it was to be.
        """
        if known is not None and known.until == until:
            return known
        left_ms = min(utc_ms(until) - now.utc_ms, utc_ms(until) - utc_ms(began))
        return cls(ends_ms=now.ms + left_ms, until=until)
