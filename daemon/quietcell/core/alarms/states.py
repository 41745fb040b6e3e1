"""The states an alarm can be in and every way from one to another.

After IEC 62682 (alarm states: normal, unacknowledged, acknowledged, returned to normal but
unacknowledged, shelved, suppressed by design). The table is the whole state machine: a pair that is
missing is an event that makes no sense there, such as acknowledging what is normal.
"""

from enum import StrEnum
from typing import Final


class AlarmState(StrEnum):
    """Where an alarm stands."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    """The condition holds and nobody has said that they know."""
    ACKNOWLEDGED = "acknowledged"
    """The condition holds and someone knows."""
    RETURNED = "returned-unacknowledged"
    """The condition is gone and nobody has said that they know it was there."""
    SHELVED = "shelved"
    """Put aside by a person until a stated time."""
    SUPPRESSED = "suppressed"
    """The condition holds, and another alarm already tells its cause."""


class AlarmEvent(StrEnum):
    """What moves an alarm."""

    RAISED = "raised"
    RETURNED = "returned"
    ACKNOWLEDGED = "acknowledged"
    SHELVED = "shelved"
    UNSHELVED = "unshelved"
    SHELF_ENDED = "shelf-ended"
    SUPPRESSED = "suppressed"
    RELEASED = "released"


SHOWN: Final = frozenset(AlarmState) - {AlarmState.NORMAL, AlarmState.SUPPRESSED}
"""States a person gets to see."""

_S, _E = AlarmState, AlarmEvent
TRANSITIONS: Final[dict[tuple[AlarmState, AlarmEvent], AlarmState]] = {
    (_S.NORMAL, _E.RAISED): _S.UNACKNOWLEDGED,
    (_S.NORMAL, _E.RETURNED): _S.NORMAL,
    (_S.NORMAL, _E.SHELVED): _S.SHELVED,
    (_S.NORMAL, _E.SUPPRESSED): _S.SUPPRESSED,
    (_S.NORMAL, _E.RELEASED): _S.NORMAL,
    (_S.UNACKNOWLEDGED, _E.RAISED): _S.UNACKNOWLEDGED,
    (_S.UNACKNOWLEDGED, _E.RETURNED): _S.RETURNED,
    (_S.UNACKNOWLEDGED, _E.ACKNOWLEDGED): _S.ACKNOWLEDGED,
    (_S.UNACKNOWLEDGED, _E.SHELVED): _S.SHELVED,
    (_S.UNACKNOWLEDGED, _E.SUPPRESSED): _S.SUPPRESSED,
    (_S.UNACKNOWLEDGED, _E.RELEASED): _S.UNACKNOWLEDGED,
    (_S.ACKNOWLEDGED, _E.RAISED): _S.ACKNOWLEDGED,
    (_S.ACKNOWLEDGED, _E.RETURNED): _S.NORMAL,
    (_S.ACKNOWLEDGED, _E.SHELVED): _S.SHELVED,
    (_S.ACKNOWLEDGED, _E.SUPPRESSED): _S.SUPPRESSED,
    (_S.ACKNOWLEDGED, _E.RELEASED): _S.ACKNOWLEDGED,
    (_S.RETURNED, _E.RAISED): _S.UNACKNOWLEDGED,
    (_S.RETURNED, _E.RETURNED): _S.RETURNED,
    (_S.RETURNED, _E.ACKNOWLEDGED): _S.NORMAL,
    (_S.RETURNED, _E.SHELVED): _S.SHELVED,
    # What came and went before its cause was known still wants to be seen.
    (_S.RETURNED, _E.SUPPRESSED): _S.RETURNED,
    (_S.RETURNED, _E.RELEASED): _S.RETURNED,
    (_S.SHELVED, _E.RAISED): _S.SHELVED,
    (_S.SHELVED, _E.RETURNED): _S.SHELVED,
    (_S.SHELVED, _E.SHELVED): _S.SHELVED,
    (_S.SHELVED, _E.UNSHELVED): _S.NORMAL,
    (_S.SHELVED, _E.SHELF_ENDED): _S.NORMAL,
    (_S.SHELVED, _E.SUPPRESSED): _S.SHELVED,
    (_S.SHELVED, _E.RELEASED): _S.SHELVED,
    (_S.SUPPRESSED, _E.RAISED): _S.SUPPRESSED,
    (_S.SUPPRESSED, _E.RETURNED): _S.NORMAL,
    (_S.SUPPRESSED, _E.SHELVED): _S.SHELVED,
    (_S.SUPPRESSED, _E.SUPPRESSED): _S.SUPPRESSED,
    (_S.SUPPRESSED, _E.RELEASED): _S.NORMAL,
}
"""Next state; an alarm that leaves the shelf with its condition still there is raised anew."""
