"""The whole error family; imports nothing.

Every error says what failed, where, and what to do: `subject` names the cell, port, file or key,
`hint` the next step. `retryable` tells the supervisor whether waiting can help.
"""


class QuietcellError(Exception):
    """Base of everything quietcell raises on purpose.

    Parameters
    ----------
    message : str
        What failed, with the value and its unit.
    subject : str
        The cell, port, file or key concerned; empty when the message names it.
    hint : str
        What to do about it.
    """

    retryable = False

    def __init__(self, message: str, *, subject: str = "", hint: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.subject = subject
        self.hint = hint

    def __str__(self) -> str:
        """Return subject, message and hint as one line."""
        head = f"{self.subject}: {self.message}" if self.subject else self.message
        return f"{head}. {self.hint}" if self.hint else head


class UsageError(QuietcellError):
    """The command line was used wrongly (exit 64)."""


class ConfigError(QuietcellError, ValueError):
    """The configuration is wrong (exit 78); one line per fault in `faults`."""

    def __init__(self, faults: list[str]) -> None:
        super().__init__("\n".join(faults))
        self.faults = faults


class ContractError(QuietcellError, RuntimeError):
    """Our own code broke a promise; a bug, never the user's fault."""


class ClockWentBackError(ContractError):
    """Engine input went back in time inside a segment."""


class DomainError(QuietcellError, ValueError):
    """A number lies outside the range a formula is valid in."""


class RecordingError(QuietcellError, ValueError):
    """A recording cannot be read; names file and line."""


class DriverError(QuietcellError):
    """A meter or its port failed."""

    retryable = True


class PortUnavailableError(DriverError, OSError):
    """The port cannot be opened."""


class PortLostError(DriverError, OSError):
    """An open port went away."""


class ReplyTimeoutError(DriverError, TimeoutError):
    """A meter did not answer in time."""


class DriverBrokeError(DriverError):
    """A driver did what no driver may; a bug of its author, felt by its own cell alone."""


class LedgerError(QuietcellError):
    """The ledger cannot be read or written."""


class LedgerLockedError(LedgerError):
    """Another process writes this ledger."""


class LedgerTooNewError(LedgerError):
    """A newer quietcell wrote this ledger."""


class LedgerDamagedError(LedgerError):
    """The ledger's chain or a file of it does not check out."""


class StateUnknownError(LedgerError):
    """What an engine knew is stored in a form this program does not know, as another version writes it."""


class ReadingsMissingError(LedgerError):
    """Readings that something rests on are no longer stored."""


class CommandError(QuietcellError):
    """A running daemon cannot do what it is asked; nothing was changed."""


class ArgumentError(CommandError):
    """What it is asked with is wrong (exit 64)."""


class OutletError(QuietcellError):
    """An outlet cannot deliver now; its cursor stays."""

    retryable = True


def spoken(error: Exception) -> str:
    """Return an error in words: of the system's, the file and what is wrong with it, without a number."""
    if isinstance(error, OSError) and error.strerror:
        return error.strerror if error.filename is None else f"{error.filename}: {error.strerror}"
    return str(error)


def printable(text: str, kept: str = "") -> str:
    """Escape what a terminal would act upon, whatever meter, broker or person it came from."""
    return "".join(
        c if c.isprintable() or c in kept else c.encode("unicode_escape").decode("ascii") for c in text
    )
