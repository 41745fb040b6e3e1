"""The bodies the service itself makes, beside those of the engines.

Their ids are ``daemon.run.ordinal``: they depend on ports, programs and clocks, so they have no
place in the engine's sequence, which anyone can recompute from readings.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import count
from typing import ClassVar, Literal

from quietcell.core.records import ABSENT, Absent, Body, Json, decimals

LONGEST_FAULT = 500
"""Characters of a fault's text; what drivers say may hold anything."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunBody(Body):
    """The daemon began or ended, or goes on by another configuration."""

    kind: ClassVar[str] = "run"

    run: int
    state: Literal["began", "reloaded", "ended"]
    time_scale: float | Absent = ABSENT
    """Seconds of the daemon's clock for each second of the machine; 1 but in a demonstration."""
    settings: Mapping[str, Json] | Absent = ABSENT
    """Effective configuration without secrets."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DriverFaultBody(Body):
    """A meter or its port failed; the cell goes on trying."""

    kind: ClassVar[str] = "driver-fault"

    driver: str
    text: str
    """What failed, where, and what to do."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CellFaultBody(Body):
    """Judging a cell broke by a mistake of this program; the cell began anew."""

    kind: ClassVar[str] = "cell-fault"

    text: str
    """What broke; a bug to be told."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockStepBody(Body):
    """UTC moved against the clock that counts since boot."""

    kind: ClassVar[str] = "clock-step"

    step_s: float = decimals(3, "s")
    """Positive when UTC jumped forward."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ParkedBody(Body):
    """An outlet could not deliver a record and went on with the next, or delivered it on command later."""

    kind: ClassVar[str] = "parked"

    outlet: str
    state: Literal["parked", "delivered"]
    parked_seq: int
    """Number of the record."""
    text: str
    """Why."""


class DaemonIds:
    """Gives the service's bodies their ids within one run."""

    def __init__(self, run: int) -> None:
        self.run = run
        self._ordinals = count(1)

    def next(self) -> str:
        """Return the next id; any thread may ask."""
        return f"daemon.{self.run}.{next(self._ordinals)}"
