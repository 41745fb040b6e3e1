"""Work at the bench: attendance, calibrations, checks, flow tests and care, as one table of commands."""

from collections.abc import Awaitable, Callable, Mapping

from quietcell.config import Config
from quietcell.contracts import Clock
from quietcell.core.settings import CellSettings
from quietcell.ledger.ledger import Ledger
from quietcell.service.attendance import Attendances
from quietcell.service.calibrating import Calibrating
from quietcell.service.checking import Checking
from quietcell.service.commands import Commands
from quietcell.service.flow_testing import FlowTesting
from quietcell.service.keeping import Keeping
from quietcell.service.records import DaemonIds


def bench_commands(
    attendances: Attendances,
    ledger: Ledger,
    ids: DaemonIds,
    clock: Clock,
    *,
    config: Callable[[], Config],
    settled: Callable[[], Awaitable[Mapping[str, CellSettings]]],
) -> Commands:
    """Return what people do at the cells with their own hands, by name.

    Parameters
    ----------
    attendances : Attendances
        Who works at which cell.
    ledger : Ledger
        Keeps what they do.
    ids : DaemonIds
        For the records.
    clock : Clock
        Dates them.
    config : callable
        The configuration in force.
    settled : callable
        Returns by what each cell should judge now, from configuration and ledger.
    """
    fixed = attendances.fixed
    return {
        **attendances.commands(),
        **Calibrating(attendances, ledger, ids, clock, fixed=fixed).commands(),
        **Checking(attendances, ledger, ids, clock).commands(),
        **FlowTesting(attendances, ledger, ids).commands(),
        **Keeping(attendances, ledger, ids, clock, config=config, settled=settled).commands(),
    }
