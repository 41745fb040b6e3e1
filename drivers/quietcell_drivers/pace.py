"""How much may come from outside: a sender without end must not keep the whole program busy. Pure."""


class Pace:
    """Tells how long to take nothing, so that no more comes than the fastest sender of use would send.

    Parameters
    ----------
    most_per_s : float
        What may come in a second, in bytes or readings.
    backlog_s : float
        So many seconds' worth may come at once.
    """

    def __init__(self, most_per_s: float, backlog_s: float) -> None:
        self._most_per_s, self._backlog_s = most_per_s, backlog_s
        self._due_s = 0.0
        """When that sender would have sent what came."""

    def ahead_s(self, amount: float, now_s: float) -> float:
        """Take note of what came; returns for how long to take nothing, s, at most 0 for not at all."""
        self._due_s = max(self._due_s, now_s) + amount / self._most_per_s
        return self._due_s - now_s - self._backlog_s
