"""A cell goes on where it stopped: what a kill left open is finished, what was known is known again."""

import asyncio
from contextlib import closing
from pathlib import Path

from quietcell.core.engine import Engine
from quietcell.core.times import rfc3339
from quietcell.ledger.journal import Journal
from quietcell.ledger.ledger import Ledger
from quietcell.ledger.readings_files import ReadingsFiles
from quietcell.service.checkpoint import checkpoint
from quietcell.service.digests import record_digest
from quietcell.service.records import DaemonIds
from quietcell.service.recovery import Recovered, recover


async def resume(ledger: Ledger, ids: DaemonIds, cell: str, *, utc_ms: int) -> Engine | None:
    """Record what the journal lacks of a cell's last run; return its engine, None when it never ran.

    Parameters
    ----------
    ledger : Ledger
        The ledger; nothing of the cell is queued.
    ids : DaemonIds
        For the checkpoint.
    cell : str
        Which cell; it is not at work.
    utc_ms : int
        Now.
    """
    await ledger.flush()
    found = await asyncio.to_thread(_recovered, ledger.folder, cell)
    if found is None:
        return None
    if found.missing:
        known = checkpoint(found.engine, id=ids.next(), at=rfc3339(utc_ms))
        await ledger.record([*found.missing, known])
    await record_digest(ledger, ids, cell, utc_ms=utc_ms)
    return found.engine


def _recovered(folder: Path, cell: str) -> Recovered | None:
    """Read beside the writer: other cells do not wait."""
    with Journal(folder) as journal, closing(ReadingsFiles(folder, read_only=True)) as readings:
        return recover(journal, readings, cell)
