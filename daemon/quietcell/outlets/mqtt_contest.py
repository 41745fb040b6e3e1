"""Whether somebody else takes the connection away, as its losses tell."""

from quietcell.outlets.follower import RETRY_LONGEST_S
from quietcell.outlets.mqtt_client import BrokerLostError

CONTESTED_S = 3 * RETRY_LONGEST_S
"""A rival may come back for so long; a connection that lasts longer is not contested."""
LOSSES = 3
"""So many in a row, each soon after connecting, are no accident."""


class Contest:
    """Two clients of one client id throw each other off, and would do so for ever.

    MQTT 5 has a reason for it (0x8E), but a broker may close the connection without a word, as
    mosquitto 2.0.11 does. So connections that are lost soon after they began, again and again, count as
    contested too, whatever ends them: to come back at once helps in no case.
    """

    def __init__(self) -> None:
        self._losses = 0
        self._last_s: float | None = None

    def holds(self, now_s: float) -> bool:
        """Tell whether the connection may be taken away any moment."""
        return self._last_s is not None and now_s - self._last_s < CONTESTED_S

    def lost(self, error: BrokerLostError, *, began_s: float, now_s: float) -> BrokerLostError:
        """Take note of a connection that had worked and was lost; returns what to tell about it."""
        self._losses = self._losses + 1 if now_s - began_s < CONTESTED_S else 1
        if self._losses >= LOSSES and not error.rival:
            error = error.again_and_again()
        if self._losses >= LOSSES or error.rival:
            self._last_s = now_s
        return error

    def explained(self) -> None:
        """Forget it: something else was found to end the connections."""
        self._losses, self._last_s = 0, None
