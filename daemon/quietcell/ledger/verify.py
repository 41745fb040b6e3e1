"""Is the ledger what it was when it was written? The chain, the digests, and what nothing covers."""

import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import NamedTuple

from quietcell.core.readings import Flag
from quietcell.core.records import Json
from quietcell.core.times import utc_ms
from quietcell.errors import LedgerDamagedError, LedgerError, UsageError
from quietcell.ledger.chain import Stored, check_chain, digest
from quietcell.ledger.digest import digest_of
from quietcell.ledger.journal import Journal
from quietcell.ledger.readings_files import ReadingsFiles, month_of

READINGS_EXPIRED = "readings-expired"
"""Kind of the record that tells which months of readings were given up."""


class Head(NamedTuple):
    """The last record as somebody else witnessed it; None is not known."""

    hash: str
    seq: int | None = None
    ledger: str | None = None


@dataclass(slots=True, kw_only=True)
class Verified:
    """What a check found sound."""

    records: int = 0
    head: str = ""
    readings: int = 0
    """Covered by digests that match."""
    readings_expired: int = 0
    """Covered, but given up by retention since."""
    readings_uncovered: int = 0
    """Stored since the last digest of their cell."""


@dataclass(slots=True, kw_only=True)
class _Cell:
    """What the journal says of one cell's readings."""

    anchors: dict[int, int] = field(default_factory=dict)
    """UTC zero of each segment, ms."""
    upto_ms: dict[int, int] = field(default_factory=dict)
    """How far digests cover each segment."""
    open_end: int = 0
    """First segment that may hold readings no digest covers yet."""


def verify(
    journal: Journal, files: ReadingsFiles, *, head: Head | None = None, tell: Callable[[int], None]
) -> Verified:
    """Check a ledger from its first record to its last reading.

    Parameters
    ----------
    journal, files : Journal, ReadingsFiles
        The ledger; it may go on being written.
    head : Head, optional
        Witnessed elsewhere; without one a cut tail or a complete rewrite can't be seen.
    tell : callable
        Told of each record checked, as a number of records.

    Raises
    ------
    LedgerDamagedError
        Names the first record that does not check out.
    UsageError
        If the witnessed hash is that of another record than the one named with it.
    """
    while True:
        expired = given_up(journal)
        try:
            return _Verification(journal, files, head, tell, expired).run()
        except (LedgerError, sqlite3.DatabaseError) as error:
            if given_up(journal) != expired:
                continue  # readings went while they were read
            if isinstance(error, LedgerError):
                raise
            raise LedgerDamagedError(f"a file is damaged: {error}") from error


def given_up(journal: Journal) -> set[str]:
    """Return the months whose readings were given up."""
    try:
        return {month for r in journal.of_kind(READINGS_EXPIRED) for month in r.body()["months"]}
    except (ValueError, TypeError, KeyError):
        return set()  # the chain's check names the record


class _Verification:
    """One check."""

    def __init__(
        self,
        journal: Journal,
        files: ReadingsFiles,
        head: Head | None,
        tell: Callable[[int], None],
        expired: set[str],
    ) -> None:
        self._journal = journal
        self._files = files
        self._head = head
        self._tell = tell
        self._cells: dict[str, _Cell] = {}
        self._expired = expired
        self._witnessed: int | None = None
        """The record that has the witnessed hash."""
        self._found = Verified()

    def run(self) -> Verified:
        # Listed first: whatever is stored by now, the journal will tell of.
        stored = self._stored()
        self._journal.check_file()
        if self._head is not None and self._head.ledger not in (None, self._journal.ledger):
            raise LedgerDamagedError(
                f"this is ledger {self._journal.ledger}, witnessed was {self._head.ledger}"
            )
        self._found.records, self._found.head = check_chain(self._told())
        if self._head is not None:
            self._require_seen(self._head)
        for name, segment in sorted(stored):
            self._check_rest(name, segment)
        return self._found

    def _require_seen(self, head: Head) -> None:
        """Refuse a journal without the witnessed record, and a number that is not that of the hash."""
        if self._witnessed is None:
            raise self._not_seen(head)
        if head.seq not in (None, self._witnessed):
            # The chain is whole up to that record, so only the number beside its hash is wrong.
            raise UsageError(
                f"--head: that hash is of record {self._witnessed}, not {head.seq}",
                hint=f"Give {self._witnessed}:{head.hash}, or what was witnessed of record {head.seq}",
            )

    def _not_seen(self, head: Head) -> LedgerDamagedError:
        if head.seq is None:
            text = f"no record has the witnessed hash {head.hash}: the journal was cut or rewritten"
            return LedgerDamagedError(text)
        if head.seq > self._found.records:
            text = f"record {head.seq} was witnessed, but the journal ends with record {self._found.records}"
            return LedgerDamagedError(text)
        text = f"its hash is not the witnessed {head.hash}: the journal was rewritten"
        return LedgerDamagedError(text, subject=f"record {head.seq}")

    def _told(self) -> Iterator[Stored]:
        """Pass every record on to the chain's check; look at those about readings behind it."""
        for record in self._journal.all():
            yield record
            # Back here the record itself has checked out, as far as can be told without the next.
            try:
                self._look(record)
            except (KeyError, TypeError, ValueError, AttributeError) as error:
                raise LedgerDamagedError(
                    "it is not as quietcell writes it", subject=f"record {record.seq}"
                ) from error
            self._tell(1)

    def _look(self, record: Stored) -> None:
        envelope = record.envelope()
        subject = f"record {record.seq}"
        if envelope["ledger"] != self._journal.ledger:
            raise LedgerDamagedError(f"it is of another ledger, {envelope['ledger']}", subject=subject)
        if self._head is not None and digest(record.text) == self._head.hash:
            self._witnessed = record.seq
        body = envelope["body"]
        if body["record"] == "segment" and body["state"] == "began":
            self._cell(body["cell"]).anchors[body["segment"]] = utc_ms(body["at"])
        elif body["record"] == "readings-digest":
            for span in body["spans"]:
                self._check_span(body["cell"], span, subject)

    def _cell(self, name: str) -> _Cell:
        return self._cells.setdefault(name, _Cell())

    def _check_span(self, name: str, span: dict[str, Json], subject: str) -> None:
        cell, segment = self._cell(name), span["segment"]
        anchor_ms = cell.anchors[segment]
        if span["after_ms"] != cell.upto_ms.get(segment, -1):
            raise LedgerDamagedError("it does not follow on the digest before", subject=subject)
        cell.upto_ms[segment] = span["upto_ms"]
        cell.open_end = max(cell.open_end, segment)
        if any(
            month_of(anchor_ms + span["after_ms"] + 1) <= month <= month_of(anchor_ms + span["upto_ms"])
            for month in self._expired
        ):
            self._found.readings_expired += span["readings"]
            return
        found = digest_of(
            self._files,
            name,
            segment,
            anchor_utc_ms=anchor_ms,
            after_ms=span["after_ms"],
            upto_ms=span["upto_ms"],
        )
        where = (
            f"the readings of {name} in segment {segment} from {span['after_ms'] + 1} "
            f"to {span['upto_ms']} ms that it covers"
        )
        if found.readings != span["readings"]:
            raise LedgerDamagedError(
                f"{where} were {span['readings']}, stored are {found.readings}", subject=subject
            )
        if found.sha256 != span["sha256"]:
            raise LedgerDamagedError(f"{where} were changed", subject=subject)
        if found.misplaced is not None:
            raise LedgerDamagedError(
                f"{where} lie in the file of another month (at {found.misplaced} ms)", subject=subject
            )
        self._found.readings += found.readings

    def _stored(self) -> set[tuple[str, int]]:
        """Return cells and segments of all stored readings."""
        stored: set[tuple[str, int]] = set()
        known, cells = {flag.value: flag.label for flag in Flag}, set(self._journal.cells())
        for month in self._files.months():
            subject = f"readings of {month}"
            names, flags = self._files.names(month)
            if any(known.get(bit) != label for bit, label in flags.items()):
                raise LedgerDamagedError("the names of the flags were changed", subject=subject)
            if unknown := set(names) - cells:
                raise LedgerDamagedError(f"unknown cell {min(unknown)}", subject=subject)
            for name, segment in self._files.segments(month):
                if name is None:
                    raise LedgerDamagedError("readings of a cell without a name", subject=subject)
                stored.add((name, segment))
        return stored

    def _check_rest(self, name: str, segment: int) -> None:
        """Find readings of a segment that belong to no digest, unless they are newer than the last."""
        cell = self._cell(name)
        outside, behind = 0, 0
        for month in self._files.months():
            outside += self._files.count(month, name, segment, upto_ms=-1)
            behind += self._files.count(month, name, segment, after_ms=cell.upto_ms.get(segment, -1))
        if segment not in cell.anchors:
            raise LedgerDamagedError(
                f"{outside + behind} readings of {name} are of segment {segment}, which no record begins",
                subject="readings",
                hint="The disk lost records, or they were removed; a copy by `quietcell backup` lacks them",
            )
        if segment < cell.open_end:
            outside += behind
        if outside:
            raise LedgerDamagedError(
                f"{outside} readings of {name} in segment {segment} are covered by no digest",
                subject="readings",
            )
        self._found.readings_uncovered += behind
