"""The hourly tie between a cell's stored readings and the journal."""

from functools import partial

from quietcell.core.times import rfc3339
from quietcell.ledger.digest import ReadingsDigestBody, undigested
from quietcell.ledger.ledger import Ledger
from quietcell.service.records import DaemonIds


async def record_digest(
    ledger: Ledger, ids: DaemonIds, cell: str, *, utc_ms: int, complete: tuple[int, int] | None = None
) -> None:
    """Record the digest of what was stored of a cell since the last one, if anything was.

    It is taken of what the files give back, so it covers what is really there. While the disk fails some of
    that still waits to be stored: it is left to the next digest.

    Parameters
    ----------
    ledger : Ledger
        The ledger; the readings concerned are durable already, unless the disk fails.
    ids : DaemonIds
        For the record.
    cell : str
        Which cell.
    utc_ms : int
        Now.
    complete : tuple of int, optional
        Number of the open segment and up to where (ms) no more readings of it come.
    """
    if ledger.failing:
        return
    spans = await ledger.run(partial(undigested, ledger.journal, ledger.readings, cell, complete=complete))
    if spans:
        await ledger.submit(
            [ReadingsDigestBody(id=ids.next(), cell=cell, at=rfc3339(utc_ms), spans=tuple(spans))]
        )
