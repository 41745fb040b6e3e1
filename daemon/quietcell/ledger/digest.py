"""Digests of stored readings: what ties the readings files to the chained journal.

A digest covers the readings of one segment in a span of time. It is the SHA-256 over one line a reading,
``ms,tie,mv,temperature_c,conductivity_us_cm,flow_ml_min,flags`` and a line feed, in order of `ms` and `tie`,
floats in shortest round-trip form, nothing for what was not measured: sqlite3 and hashlib are enough to
check it.
"""

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

from quietcell.core.records import Body
from quietcell.core.times import utc_ms
from quietcell.ledger.chain import Stored
from quietcell.ledger.journal import Journal
from quietcell.ledger.readings_files import ReadingsFiles, Row, month_of


@dataclass(frozen=True, slots=True, kw_only=True)
class DigestSpan:
    """The readings of one segment with after_ms < ms <= upto_ms."""

    segment: int
    after_ms: int
    upto_ms: int
    readings: int
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingsDigestBody(Body):
    """Covers every reading of a cell stored since its last digest."""

    kind: ClassVar[str] = "readings-digest"

    spans: tuple[DigestSpan, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Digested:
    """What the files hold of a span."""

    readings: int
    sha256: str
    misplaced: int | None
    """Time (ms) of a reading that lies in the file of another month."""


def line(row: Row) -> str:
    """Return the line that stands for a reading.

    Examples
    --------
    >>> line((1250, 0, 25.02, 21.0, None, 100.5, 0)).strip()
    '1250,0,25.02,21.0,,100.5,0'
    """
    return ",".join("" if value is None else repr(value) for value in row) + "\n"


def digest_of(
    files: ReadingsFiles, cell: str, segment: int, *, anchor_utc_ms: int, after_ms: int, upto_ms: int
) -> Digested:
    """Return the digest of what is stored of one segment with after_ms < ms <= upto_ms."""
    digest, count, misplaced = hashlib.sha256(), 0, None
    for month, rows in files.rows(
        cell, segment, anchor_utc_ms=anchor_utc_ms, after_ms=after_ms, upto_ms=upto_ms
    ):
        digest.update("".join(map(line, rows)).encode())
        count += len(rows)
        for row in (rows[0], rows[-1]):
            if month_of(anchor_utc_ms + row[0]) != month:
                misplaced = row[0]
    return Digested(readings=count, sha256=digest.hexdigest(), misplaced=misplaced)


def undigested(
    journal: Journal, files: ReadingsFiles, cell: str, *, complete: tuple[int, int] | None
) -> Sequence[DigestSpan]:
    """Return the spans of a cell that no digest covers yet; spans without readings are left out.

    Parameters
    ----------
    journal, files : Journal, ReadingsFiles
        The ledger.
    cell : str
        Which cell.
    complete : tuple of int or None
        Number of the open segment and up to where (ms) no more readings of it come; None when none is open.
    """
    last = journal.get(journal.last_seq(cell, "readings-digest"))
    covered = None if last is None else last.body()["spans"][-1]
    began: dict[int, int] = {}
    ends: dict[int, int] = {}
    for record in journal.of_cell(cell, kinds=("segment",), after=_begun(journal, cell, last)):
        body = record.body()
        number, at_ms = body["segment"], utc_ms(body["at"])
        if body["state"] == "began":
            began[number] = at_ms
        elif number in began:
            ends[number] = at_ms - began[number]
    spans = []
    for number, anchor_ms in began.items():
        after_ms = covered["upto_ms"] if covered is not None and number == covered["segment"] else -1
        open_upto_ms = complete[1] if complete is not None and complete[0] == number else None
        end_ms = ends.get(number, open_upto_ms)
        if end_ms is None or end_ms <= after_ms:
            continue
        found = digest_of(files, cell, number, anchor_utc_ms=anchor_ms, after_ms=after_ms, upto_ms=end_ms)
        if found.readings:
            spans.append(
                DigestSpan(
                    segment=number,
                    after_ms=after_ms,
                    upto_ms=end_ms,
                    readings=found.readings,
                    sha256=found.sha256,
                )
            )
    return spans


def _begun(journal: Journal, cell: str, digest: Stored | None) -> int:
    """Return the number of the record behind which the last segment covered by a digest began."""
    if digest is None:
        return 0
    covered, seq = digest.body()["spans"][-1]["segment"], digest.seq
    while (seq := journal.last_seq(cell, "segment", before=seq)) > 0:
        record = journal.get(seq)
        body = {} if record is None else record.body()
        if body.get("state") == "began" and body["segment"] == covered:
            return seq - 1
    return 0
