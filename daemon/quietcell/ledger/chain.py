"""Records as stored: the envelope round a body, its canonical bytes, and the chain of hashes.

A stored record is the RFC 8785 canonical JSON of one object::

    {"body": {...}, "engine_version": 1, "ledger": "...", "previous": "<hash>", "recorded_at": "...",
     "schema": 1, "seq": 1, "software": "quietcell 0.1.0", "time_quality": "synchronised"}

`previous` is the SHA-256 of the bytes of the record before, 64 zeros in the first. Nothing else is
hashed, so hashlib and the stored bytes are enough to check a ledger.
"""

import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import rfc8785

from quietcell.core.records import Json
from quietcell.errors import LedgerDamagedError
from quietcell.ledger.upcast import upcast

GENESIS = "0" * 64
"""`previous` of the first record."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stored:
    """A record as the journal holds it."""

    seq: int
    text: str
    """Canonical JSON; its UTF-8 bytes are what the chain covers."""

    def envelope(self) -> dict[str, Json]:
        """Return the record parsed, body included."""
        parsed: dict[str, Json] = json.loads(self.text)
        return parsed

    def body(self) -> dict[str, Json]:
        """Return the body alone, in the newest schema of its kind."""
        return upcast(self.envelope())


def canonical(value: Json) -> str:
    """Return the RFC 8785 form of a JSON value."""
    try:
        text = _usual(value)
        text.encode()
    except (_UnusualError, UnicodeEncodeError):
        return rfc8785.dumps(value).decode()
    return text


class _UnusualError(Exception):
    """A value better left to the reference library."""


_quoted = json.encoder.encode_basestring
_LARGEST = 2**53 - 1


def _usual(value: Json) -> str:
    """Return the form of what records usually hold; several times faster than the reference library."""
    kind = type(value)
    if kind is str:
        return _quoted(value)
    if kind is float:
        return _number(value)
    if kind is dict and all(type(key) is str and key.isascii() for key in value):
        return "{" + ",".join([f"{_quoted(key)}:{_usual(value[key])}" for key in sorted(value)]) + "}"
    if kind is list or kind is tuple:
        return "[" + ",".join([_usual(item) for item in value]) + "]"
    if kind is int and -_LARGEST <= value <= _LARGEST:
        return str(value)
    if value is None:
        return "null"
    if kind is bool:
        return "true" if value else "false"
    raise _UnusualError


def _number(value: float) -> str:
    size = abs(value)
    if size <= _LARGEST and value.is_integer():
        return str(int(value))
    # There Python's shortest form and ECMAScript's are the same.
    return repr(value) if 1e-4 <= size <= _LARGEST else rfc8785.dumps(value).decode()


def digest(text: str) -> str:
    """Return the SHA-256 of a stored record as 64 hexadecimal digits."""
    return hashlib.sha256(text.encode()).hexdigest()


@dataclass(frozen=True, slots=True, kw_only=True)
class Envelope:
    """What the shell says about a batch of records it stores."""

    ledger: str
    recorded_at: str
    time_quality: str
    software: str
    engine_version: int

    def seal(self, body: Mapping[str, Json], *, schema: int, seq: int, previous: str) -> Stored:
        """Return the stored form of a body as record number `seq` behind `previous`."""
        record = {
            "ledger": self.ledger,
            "seq": seq,
            "recorded_at": self.recorded_at,
            "time_quality": self.time_quality,
            "software": self.software,
            "engine_version": self.engine_version,
            "schema": schema,
            "previous": previous,
            "body": dict(body),
        }
        return Stored(seq=seq, text=canonical(record))


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
