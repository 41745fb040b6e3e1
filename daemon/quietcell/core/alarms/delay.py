"""From a condition that chatters to one that counts: deadband on levels, delays on and off."""

from dataclasses import dataclass


def beyond(
    value: float, *, low: float | None, high: float | None, deadband: float, already: bool
) -> bool:  # the outcome so far
    """Tell whether a level lies beyond its limits; once it does, it must come back by the deadband.

    Parameters
    ----------
    value, low, high, deadband : float
        Of one unit; a limit of None is not watched.
    already : bool
        What was told before.

    Examples
    --------
    >>> beyond(9.9, low=None, high=10.0, deadband=0.5, already=True)
    True
    >>> beyond(9.9, low=None, high=10.0, deadband=0.5, already=False)
    False
    """
    inside = deadband if already else 0.0
    return (high is not None and value > high - inside) or (low is not None and value < low + inside)


@dataclass(slots=True, kw_only=True)
class Delay:
    """A condition as seen, and as it counts once it has lasted.

    Parameters
    ----------
    on_ms, off_ms : int
        So long it must hold, or be gone, before that counts, ms.
    """

    on_ms: int
    off_ms: int
    seen: bool = False
    """As last observed."""
    counts: bool = False
    """After the delays."""
    since_ms: int = 0
    """When what is seen last changed."""

    def see(self, now_ms: int, *, holds: bool) -> None:
        """Take an observation; brings the time up to date first."""
        self.advance(now_ms)
        if holds != self.seen:
            self.seen = holds
            self.since_ms = now_ms
        self.advance(now_ms)

    def advance(self, now_ms: int) -> None:
        """Let time pass."""
        if self.seen != self.counts and now_ms - self.since_ms >= (self.on_ms if self.seen else self.off_ms):
            self.counts = self.seen

    def begin_anew(self, now_ms: int) -> None:
        """Let the condition wait out its delay from now on."""
        self.counts = False
        self.since_ms = now_ms
