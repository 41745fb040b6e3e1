"""One row of the alarm table: what it means, what to do, and when it counts."""

from dataclasses import dataclass
from enum import StrEnum

from quietcell.core.electrode.condition import Signal


class Priority(StrEnum):
    """How soon a person should act, after IEC 62682."""

    HIGH = "high"
    MEDIUM = "medium"
    LOW = "low"


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmRule:
    """What an alarm is, in words and numbers."""

    name: str
    title: str
    """What a person calls it."""
    priority: Priority
    condition: Signal
    """What it says of the cell, after NAMUR NE 107."""
    cause: str
    """What usually lies behind it."""
    consequence: str
    """What happens if nobody acts."""
    what_to_do: str
    """The first steps."""
    respond_within_s: float
    """Time a person has before the consequence."""
    on_delay_s: float = 0.0
    """The condition must hold for so long before the alarm is raised, s."""
    off_delay_s: float = 0.0
    """The condition must be gone for so long before the alarm returns, s."""
    deadband: float = 0.0
    """A level must come back inside its limit by so much; in the unit of the limit."""
    suppressed_by: tuple[str, ...] = ()
    """Alarms that, while present, are the cause of this one."""
    enabled: bool = True
