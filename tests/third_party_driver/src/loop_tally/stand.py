"""The meter as checks see it: ``quietcell drivers check loop-tally`` runs against it."""

from loop_tally.driver import LoopTally, check_sum
from quietcell_drivers.stands import PseudoTerminalStand, Row, Stand


def say(row: Row) -> bytes:
    """Put a row into a message; its count follows from the row itself."""
    number = round(-row["mv"] - 0.25)
    content = b"%d,%d,%d" % (number % 100, round(row["mv"] * 100), round(row["temperature_c"] * 100))
    return b"$" + content + b"*" + check_sum(content) + b"\r\n"


def stand() -> Stand:
    """Return the stand of this driver."""
    return PseudoTerminalStand(LoopTally, {}, say=say)
