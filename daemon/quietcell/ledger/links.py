"""Does every record of a part of the journal name the one before it? The quick half of `verify`."""

import hashlib

from quietcell.errors import LedgerDamagedError
from quietcell.ledger.chain import GENESIS
from quietcell.ledger.journal import Journal

_NAME = b'"previous":"'
_DIGITS = 64


def check_links(journal: Journal, first: int, last: int) -> str:
    """Check that records `first` to `last` follow on each other and on the one before.

    Whether the text of each is canonical, and whether readings match their digests, is not looked at: that
    needs `verify`.

    Parameters
    ----------
    journal : Journal
        The journal.
    first, last : int
        Numbers of the records.

    Returns
    -------
    str
        Hash of the last.

    Raises
    ------
    LedgerDamagedError
        Names the first record that does not follow on the one before it.
    """
    previous, seq = GENESIS, first - 1
    before = dict(journal.stored_bytes(seq, seq))
    if seq in before:
        previous = _hash(before[seq])
    elif seq:
        raise LedgerDamagedError(f"record {seq} is missing", subject=f"record {first}")
    for number, stored in journal.stored_bytes(first, last):
        # The envelope's own name of it is the last: keys are sorted, and what follows has none such.
        at = stored.rfind(_NAME) + len(_NAME)
        if number != seq + 1 or stored[at : at + _DIGITS].decode(errors="replace") != previous:
            raise LedgerDamagedError(
                "this record or the one before it was changed", subject=f"record {seq + 1}"
            )
        previous, seq = _hash(stored), number
    if seq != last:
        raise LedgerDamagedError(f"record {seq + 1} is missing", subject=f"record {seq + 1}")
    return previous


def _hash(stored: bytes) -> str:
    return hashlib.sha256(stored).hexdigest()
