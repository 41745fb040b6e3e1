"""One row of the alarm table: what it means, what to do, and when it counts."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum

from quietcell.core.electrode.condition import Signal
from quietcell.errors import QuietcellError


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


def causes_first(suppressed_by: Mapping[str, Iterable[str]]) -> list[str]:
    """Return alarm names so that each comes behind its causes.

    Raises
    ------
    QuietcellError
        If alarms would suppress each other in a circle.
    """
    order: list[str] = []
    visiting: set[str] = set()

    def visit(name: str) -> None:
        if name in order or name not in suppressed_by:
            return
        if name in visiting:
            raise QuietcellError("alarms suppress each other in a circle", subject=name)
        visiting.add(name)
        for cause in suppressed_by[name]:
            visit(cause)
        visiting.discard(name)
        order.append(name)

    for name in suppressed_by:
        visit(name)
    return order
