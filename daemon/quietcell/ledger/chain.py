"""Records as stored: the envelope round a body, its canonical bytes, and the chain of hashes.

A stored record is the RFC 8785 canonical JSON of one object::

    {"body": {...}, "engine_version": 1, "ledger": "...", "previous": "<hash>", "recorded_at": "...",
     "schema": 1, "seq": 1, "software": "quietcell 0.1.0", "time_quality": "synchronised"}

`previous` is the SHA-256 of the bytes of the record before, 64 zeros in the first. Nothing else is
hashed, so hashlib and the stored bytes are enough to check a ledger.
"""

from collections.abc import Iterable
from functools import lru_cache
from hashlib import sha256
from typing import Final, NamedTuple

from pydantic_core import from_json

from quietcell.core.records import Json
from quietcell.errors import LedgerDamagedError
from quietcell.ledger.canonical import canonical
from quietcell.ledger.upcast import upcast

GENESIS = "0" * 64
"""`previous` of the first record."""
_PIECE: Final = 2047
"""Bytes hashed at a time; with more the library lets other threads go first, which takes longer."""


class Stored(NamedTuple):
    """A record as the journal holds it, a row of its table."""

    seq: int
    text: str
    """Canonical JSON; its UTF-8 bytes are what the chain covers."""

    def envelope(self) -> dict[str, Json]:
        """Return the record parsed, body included."""
        # In two thirds of the standard library's time: a report or `verify` reads thousands of records.
        parsed: dict[str, Json] = from_json(self.text)
        return parsed

    def body(self) -> dict[str, Json]:
        """Return the body alone, in the newest schema of its kind."""
        return upcast(self.envelope())


def digest(text: str) -> str:
    """Return the SHA-256 of a stored record as 64 hexadecimal digits."""
    stored = text.encode()
    found = sha256(stored[:_PIECE])
    while len(stored) > _PIECE:
        stored = stored[_PIECE:]
        found.update(stored[:_PIECE])
    return found.hexdigest()


class Envelope(NamedTuple):
    """What the shell says about a batch of records it stores."""

    ledger: str
    recorded_at: str
    time_quality: str
    software: str
    engine_version: int

    def seal(
        self, bodies: Iterable[tuple[str, int]], *, behind: tuple[int, str]
    ) -> tuple[list[Stored], tuple[int, str]]:
        """Return the stored form of bodies as the next records, and number and hash of the last of them.

        Parameters
        ----------
        bodies : iterable of (text, schema)
            Bodies in canonical form, as `canonical_body` makes it, and the schema version of each.
        behind : (seq, hash)
            Of the record before them, or 0 and `GENESIS`.
        """
        # The canonical form orders members by name, so the texts need only be put together.
        first, last = _constant(self.engine_version, self.ledger, self.software, self.time_quality)
        second = f'","recorded_at":{canonical(self.recorded_at)},"schema":'
        seq, previous = behind
        new = tuple.__new__  # a named tuple's own way takes twice as long
        records = []
        for body, schema in bodies:
            seq += 1
            text = f'{{"body":{body}{first}{previous}{second}{schema},"seq":{seq}{last}'
            previous = digest(text)
            records.append(new(Stored, (seq, text)))
        return records, (seq, previous)


@lru_cache(maxsize=2)
def _constant(engine_version: int, ledger: str, software: str, time_quality: str) -> tuple[str, str]:
    """Return what stands behind the body, and at the end, of all records a daemon stores for days."""
    return (
        f',"engine_version":{engine_version},"ledger":{canonical(ledger)},"previous":"',
        f',"software":{canonical(software)},"time_quality":{canonical(time_quality)}}}',
    )


def check_chain(records: Iterable[Stored]) -> tuple[int, str]:
    """Check a whole journal from its first record.

    Returns
    -------
    tuple of int and str
        Number of records and the hash of the last, the head.

    Raises
    ------
    LedgerDamagedError
        Names the first record whose number, link or form does not check out.
    """
    seq, previous = 0, GENESIS
    for record in records:
        seq += 1
        subject = f"record {record.seq}"
        if record.seq != seq:
            raise LedgerDamagedError(f"record {seq} is missing", subject=subject)
        try:
            envelope = record.envelope()
            sound = canonical(envelope) == record.text and envelope["seq"] == seq
            link = envelope["previous"]
        except (ValueError, TypeError, KeyError, RecursionError):
            sound, link = False, None
        if not sound:
            raise LedgerDamagedError("the stored text was changed", subject=subject)
        if link != previous:
            raise LedgerDamagedError("this record or the one before it was changed", subject=subject)
        previous = digest(record.text)
    return seq, previous
