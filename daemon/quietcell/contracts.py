"""What the parts of the house promise each other: the meter driver and the clock.

Public and typed: a third-party driver needs this module, `quietcell.core.readings` and
`quietcell.errors`, nothing else of quietcell.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import ClassVar, Protocol, runtime_checkable

from pydantic import BaseModel, ConfigDict

from quietcell.core.readings import Reading


class Clock(Protocol):
    """The only way to ask the time; given at the composition root, held by tests."""

    def boot_ms(self) -> int:
        """Return whole milliseconds since boot, suspend included; never goes back."""
        ...

    def utc_ms(self) -> int:
        """Return whole milliseconds since 1970 UTC as the machine believes it now; may step."""
        ...

    async def sleep(self, seconds: float) -> None:
        """Wait for `seconds` of this clock's time."""
        ...


class DriverSettings(BaseModel):
    """Base of the settings of a driver: strict, frozen, unknown keys refused.

    Validated with the context ``{"folder": Path}``, the configuration file's folder, where relative paths
    start.
    """

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)

    def sole_port(self) -> str | None:
        """Return the port that can serve one cell only; None if there is none, or cells may share it."""
        return None

    def reads_every_s(self) -> float | None:
        """Return the shortest time from one reading to the next, s; None if that is the meter's choice."""
        return None

    def files(self) -> Sequence[str]:
        """Return the files that are read in place of a meter."""
        return ()


@dataclass(slots=True)
class LineCounts:
    """What a driver has met since it was opened; none of it is fatal, none of it is silent."""

    readings: int = 0
    """Readings yielded."""
    discarded_bytes: int = 0
    """Bytes thrown away: before the first terminator, over-long or undecodable lines."""
    reasons: dict[str, int] = field(default_factory=dict)
    """Lines not turned into readings, by reason in words."""
    last_bad_line: str = ""
    """The last such line, printable characters only, shortened."""

    def count(self, reason: str, line: str = "") -> None:
        """Count one line that did not become a reading."""
        self.reasons[reason] = self.reasons.get(reason, 0) + 1
        if line:
            self.last_bad_line = line


@runtime_checkable
class MeterDriver(Protocol):
    """One meter behind one port.

    The owner calls `open`, then `read` again and again from one task, then `close`; after any
    `DriverError` it closes and may open the same object again. Found through the entry-point group
    ``quietcell.drivers``.
    """

    settings_model: ClassVar[type[DriverSettings]]
    """The settings this driver takes; the configuration is checked against it."""
    counts: LineCounts
    """Kept up to date while reading; starts anew at `open`."""

    def __init__(self, settings: DriverSettings, clock: Clock) -> None:
        """Keep settings and clock; open nothing."""
        ...

    async def open(self) -> None:
        """Open the port.

        Raises
        ------
        PortUnavailableError
            If it cannot be opened; the message says what to do.
        """
        ...

    async def read(self) -> Sequence[Reading]:
        """Wait for the next readings, in order of receipt; never returns an empty sequence.

        Cancelling loses no reading that `read` would have returned later.

        Raises
        ------
        PortLostError
            If the port went away (unplugged, closed by its peer).
        ReplyTimeoutError
            If a polled meter keeps silent and the driver gives the port up.
        """
        ...

    async def close(self) -> None:
        """Release the port; safe to call twice and when never opened."""
        ...


@runtime_checkable
class PatientDriver(Protocol):
    """What a driver may offer besides, to be cheap where many lines come: to look at them together."""

    def may_wait_until(self, boot_ms: int) -> None:
        """Learn that readings stamped before `boot_ms` need not be returned by `read` until one after comes.

        What was received keeps its stamp and its order. Starts at 0 with each `open`: nothing may wait.
        """
        ...

    def at_hand(self) -> Sequence[Reading]:
        """Return at once what was received and not yet returned, perhaps nothing.

        `read` returns it no more. Called while `read` waits; raises nothing.
        """
        ...


DriverTable = Mapping[str, type[MeterDriver]]
