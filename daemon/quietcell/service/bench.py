"""Work at the bench: attendance, calibrations, checks and flow tests, as one table of commands."""

from collections.abc import Callable, Mapping

from quietcell.contracts import Clock
from quietcell.ledger.ledger import Ledger
from quietcell.service.attendance import Attendances
from quietcell.service.calibrating import Calibrating
from quietcell.service.cell import CellTask
from quietcell.service.checking import Checking
from quietcell.service.commands import Commands
from quietcell.service.flow_testing import FlowTesting
from quietcell.service.records import DaemonIds


def bench_commands(
    cells: Mapping[str, CellTask],
    ledger: Ledger,
    ids: DaemonIds,
    clock: Clock,
    *,
    fixed: Callable[[str], bool],
) -> Commands:
    """Return what people do at the cells with their own hands, by name.

    Parameters
    ----------
    cells : mapping
        The cells at work, by name; read at each command.
    ledger : Ledger
        Keeps what they do.
    ids : DaemonIds
        For the records.
    clock : Clock
        Dates them.
    fixed : callable
        Whether the configuration fixes the calibration of a cell.
    """
    attendances = Attendances(cells, ledger, ids, fixed=fixed)
    return {
        **attendances.commands(),
        **Calibrating(attendances, ledger, ids, clock, fixed=fixed).commands(),
        **Checking(attendances, ledger, ids, clock).commands(),
        **FlowTesting(attendances, ledger, ids).commands(),
    }
