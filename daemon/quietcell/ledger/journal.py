"""The journal: one SQLite file with one row a record, appended to by one writer, kept for ever."""

import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from itertools import chain
from pathlib import Path
from types import TracebackType
from typing import Self

from quietcell.core.records import Json
from quietcell.core.times import rfc3339
from quietcell.errors import LedgerDamagedError
from quietcell.ledger.chain import GENESIS, Envelope, Stored, digest
from quietcell.ledger.store import close_file, open_file

FILE_NAME = "journal.sqlite"
_VERSION = 1
# The columns behind `record` are computed from it: the stored text is the only truth. The unique id
# makes a repeated record impossible rather than unlikely.
_LAYOUT = """
CREATE TABLE identity (ledger TEXT NOT NULL) STRICT;
CREATE TABLE journal (
    seq INTEGER PRIMARY KEY,
    record TEXT NOT NULL,
    id TEXT GENERATED ALWAYS AS (json_extract(record, '$.body.id')) VIRTUAL,
    kind TEXT GENERATED ALWAYS AS (json_extract(record, '$.body.record')) VIRTUAL,
    cell TEXT GENERATED ALWAYS AS (json_extract(record, '$.body.cell')) VIRTUAL,
    at TEXT GENERATED ALWAYS AS (json_extract(record, '$.body.at')) VIRTUAL
) STRICT;
CREATE UNIQUE INDEX journal_id ON journal (id);
CREATE INDEX journal_cell ON journal (cell, kind, seq);
CREATE INDEX journal_reference ON journal (cell, json_extract(record, '$.body.reference'))
    WHERE json_extract(record, '$.body.reference') IS NOT NULL
"""
# Most bodies begin with their time: it is read off there, many times faster than by taking the text apart.
_AT = 'CASE WHEN substr(record, 1, 15) = \'{"body":{"at":"\' THEN substr(record, 16, 24) ELSE at END'
# Whoever records are of, each by one step in the index, which so serves where only a kind is asked for.
_OWNERS = (
    "WITH RECURSIVE owner(cell) AS (SELECT min(cell) FROM journal UNION ALL "
    "SELECT (SELECT min(cell) FROM journal WHERE cell > owner.cell) FROM owner WHERE cell IS NOT NULL)"
)
_PAGE = 500
_ROWS = 500
_USUAL_PAGES, _TIGHT_PAGES = 1000, 16
"""Length of the write-ahead log at which it is moved into the file."""


class Journal:
    """The chained part of a ledger, for use from one thread at a time.

    Parameters
    ----------
    folder : Path
        The ledger's folder.
    new_id : str or None
        Identity given to a ledger that does not exist yet; None opens read-only.
    """

    def __init__(self, folder: Path, *, new_id: str | None = None) -> None:
        # The identity is laid down with the tables: there is no ledger without one.
        layout = f"{_LAYOUT}; INSERT INTO identity VALUES ('{new_id}')"  # noqa: S608 # made by us
        path = folder / FILE_NAME
        if_damaged = "Keep it for whoever can look into it, and go on from the last backup"
        self._database = open_file(
            path, layout=layout, version=_VERSION, read_only=new_id is None, if_damaged=if_damaged
        )
        try:
            row = self._database.execute("SELECT ledger FROM identity").fetchone()
            last = self._database.execute(
                "SELECT seq, record FROM journal ORDER BY seq DESC LIMIT 1"
            ).fetchone()
        except sqlite3.DatabaseError as error:
            self._database.close()
            raise LedgerDamagedError(
                f"the file is damaged: {error}", subject=str(path), hint=if_damaged
            ) from error
        self.ledger: str = row[0]
        self.head: tuple[int, str] = (last[0], digest(last[1])) if last else (0, GENESIS)
        """Number (0 while empty) and hash of the last durable record; replaced as one."""

    def __enter__(self) -> Self:
        """Return the open journal."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close the file."""
        self.close()

    def close(self) -> None:
        """Close the file."""
        close_file(self._database)

    def append(self, bodies: Iterable[tuple[str, int]], envelope: Envelope) -> list[Stored]:
        """Commit records in order, all or none; durable when this returns.

        Parameters
        ----------
        bodies : iterable of (text, schema)
            Bodies in canonical form and the schema version of each.
        envelope : Envelope
            What is said about all of them.
        """
        records, head = envelope.seal(bodies, behind=self.head)
        if len(records) <= _ROWS:
            self._insert(records)  # one statement is a transaction of its own
        else:
            self._database.execute("BEGIN IMMEDIATE")
            try:
                for at in range(0, len(records), _ROWS):
                    self._insert(records[at : at + _ROWS])
                self._database.execute("COMMIT")
            except sqlite3.Error:
                if self._database.in_transaction:
                    self._database.execute("ROLLBACK")
                raise
        self.head = head
        return records

    def _insert(self, records: Sequence[Stored]) -> None:
        """Insert in one statement: what runs beside this thread can hold it up only between two."""
        self._database.execute(
            f"INSERT INTO journal (seq, record) VALUES {','.join(['(?,?)'] * len(records))}",  # noqa: S608 # only question marks are put in
            list(chain.from_iterable(records)),
        )

    def save_space(self, *, tight: bool) -> None:
        """Keep the write-ahead log small at the price of slower commits, or no longer.

        The log takes several pages a record, the file itself hardly more than the record.
        """
        self._database.execute(f"PRAGMA wal_autocheckpoint = {_TIGHT_PAGES if tight else _USUAL_PAGES}")
        if tight:
            self._database.execute("PRAGMA wal_checkpoint(TRUNCATE)")

    def after(self, seq: int, *, limit: int = _PAGE) -> list[Stored]:
        """Return up to `limit` records behind `seq`, in order."""
        rows = self._database.execute(
            "SELECT seq, record FROM journal WHERE seq > ? ORDER BY seq LIMIT ?", (seq, limit)
        )
        return [Stored(*row) for row in rows]

    def all(self) -> Iterator[Stored]:
        """Yield every record in order, a page at a time."""
        seq = 0
        while page := self.after(seq):
            yield from page
            seq = page[-1].seq

    def of_cell(self, cell: str, *, kinds: Sequence[str] = (), after: int = 0) -> Iterator[Stored]:
        """Yield the records of one cell in order, of some kinds only if any are named."""
        chosen = f"AND kind IN ({','.join('?' * len(kinds))})" if kinds else ""
        rows = self._database.execute(
            f"SELECT seq, record FROM journal WHERE cell = ? {chosen} AND seq > ? ORDER BY seq",  # noqa: S608 # only question marks are put in
            (cell, *kinds, after),
        )
        for row in rows:
            yield Stored(*row)

    def of_span(self, cell: str, kind: str, from_ms: int, to_ms: int) -> Iterator[Stored]:
        """Yield the records of a kind of one cell with from_ms <= at < to_ms (UTC), in order."""
        rows = self._database.execute(
            "SELECT seq, record FROM journal WHERE cell = ? AND kind = ? "  # noqa: S608 # a constant is put in
            f"AND {_AT} >= ? AND {_AT} < ? ORDER BY seq",
            (cell, kind, rfc3339(from_ms), rfc3339(to_ms)),
        )
        for row in rows:
            yield Stored(*row)

    def latest(self, cell: str, kind: str) -> Iterator[Stored]:
        """Yield the records of a kind of one cell, the newest first."""
        rows = self._database.execute(
            "SELECT seq, record FROM journal WHERE cell = ? AND kind = ? ORDER BY seq DESC", (cell, kind)
        )
        for row in rows:
            yield Stored(*row)

    def newest(self, *, cell: str | None, kind: str | None, before: int, limit: int) -> list[Stored]:
        """Return up to `limit` records before number `before`, newest first; of one cell or kind if named."""
        rows = self._database.execute(
            "SELECT seq, record FROM journal WHERE seq < ?1 AND (?2 IS NULL OR cell = ?2) "
            "AND (?3 IS NULL OR kind = ?3) ORDER BY seq DESC LIMIT ?4",
            (before, cell, kind, limit),
        )
        return [Stored(*row) for row in rows]

    def marks(self, cell: str, from_ms: int, to_ms: int, *, most: int) -> list[dict[str, Json]]:
        """Return what happened at a cell in a span of UTC, the newest `most`, oldest first.

        Values that were accepted give way first where there are too many. The last step of an episode that
        was open when the span began comes with it.
        """
        names = (
            "verdict", "reasons", "ph_25c", "state", "diagnosis", "episode", "began", "text", "alarm",
            "title",
        )  # fmt: skip
        columns = ", ".join(f"json_extract(record, '$.body.{name}')" for name in names)
        select = f"SELECT seq, kind, at, {columns} FROM journal WHERE cell = ? AND kind "  # noqa: S608 # constants are put in
        kinds = "IN ('determination', 'episode', 'calibration', 'check', 'alarm', 'gap', 'note')"
        began, ended = rfc3339(from_ms), rfc3339(to_ms)
        rows = self._database.execute(
            f"{select} = 'episode' AND at < ? ORDER BY seq DESC LIMIT 1", (cell, began)
        ).fetchall()
        rows += self._database.execute(
            f"{select} {kinds} AND at BETWEEN ? AND ? ORDER BY seq", (cell, began, ended)
        ).fetchall()
        found = [dict(zip(("seq", "kind", "at", *names), row, strict=True)) for row in rows]
        if found and found[0]["at"] < began and found[0]["state"] == "closed":
            del found[0]  # it was over before
        plain = [mark for mark in found if mark["verdict"] == "accepted"]
        rest = [mark for mark in found if mark["verdict"] != "accepted"][-most:]
        step = -(-len(plain) // max(1, most - len(rest)))
        return sorted([*rest, *(plain[:: max(1, step)] if len(rest) < most else [])], key=lambda m: m["seq"])

    def month_behind(self, month: str) -> str | None:
        """Return the UTC month in which measuring went on behind the last record dated in a month.

        In the order of records: of a clock that was wrong it tells when it was set.
        """
        about = "FROM journal WHERE cell IN owner AND kind IN ('segment', 'readings-digest')"
        dated = f"substr({_AT}, 1, 7)"
        query = f"{_OWNERS} SELECT max(seq) {about} AND {dated} = ?"
        last = self._database.execute(query, (month,)).fetchone()[0]
        query = f"{_OWNERS} SELECT {dated} {about} AND seq > ? ORDER BY seq LIMIT 1"
        row = None if last is None else self._database.execute(query, (last,)).fetchone()
        return row and str(row[0])

    def with_id(self, body_id: str) -> Stored | None:
        """Return the record whose body has this id."""
        return self._first("SELECT seq, record FROM journal WHERE id = ?", body_id)

    def with_reference(self, cell: str, reference: str) -> Stored | None:
        """Return the first request for a cell that carries the asker's own id."""
        column = "json_extract(record, '$.body.reference')"
        query = f"SELECT seq, record FROM journal WHERE cell = ? AND {column} = ? ORDER BY seq LIMIT 1"  # noqa: S608 # a constant is put in
        return self._first(query, cell, reference)

    def answer_to(self, request: Stored) -> Stored | None:
        """Return the determination that answers a request, if it has ended."""
        body = request.body()
        query = (
            "SELECT seq, record FROM journal WHERE cell = ? AND kind = 'determination' AND seq > ? "
            "AND json_extract(record, '$.body.request') = ? ORDER BY seq LIMIT 1"
        )
        return self._first(query, body["cell"], request.seq, body["id"])

    def resting_on(self, cell: str, calibration: str) -> tuple[int, str | None, str | None]:
        """Return how many results of a cell rest on a calibration, and times of the first and last."""
        query = (
            "SELECT count(*), min(at), max(at) FROM journal WHERE cell = ? AND kind = 'determination' AND "
            "json_extract(record, '$.body.verdict') IN ('accepted', 'qualified') AND "
            "json_extract(record, '$.body.calibration.id') = ?"
        )
        number, first, last = self._database.execute(query, (cell, calibration)).fetchone()
        return number, first, last

    def _first(self, query: str, *values: str | int) -> Stored | None:
        row = self._database.execute(query, values).fetchone()
        return Stored(*row) if row else None

    def last_seq(self, cell: str, kind: str, *, before: int | None = None) -> int:
        """Return the number of the last record of a kind of one cell (before `before`), 0 for none."""
        row = self._database.execute(
            "SELECT max(seq) FROM journal WHERE cell = ? AND kind = ? AND seq < ?",
            (cell, kind, 2**62 if before is None else before),
        ).fetchone()
        return row[0] or 0

    def stored_bytes(self, first: int, last: int) -> Iterator[tuple[int, bytes]]:
        """Yield number and stored bytes of the records `first` to `last` that there are, in order."""
        yield from self._database.execute(
            "SELECT seq, CAST(record AS BLOB) FROM journal WHERE seq BETWEEN ? AND ? ORDER BY seq",
            (first, last),
        )

    def get(self, seq: int) -> Stored | None:
        """Return one record, None when there is none of that number."""
        row = self._database.execute("SELECT seq, record FROM journal WHERE seq = ?", (seq,)).fetchone()
        return Stored(*row) if row else None

    def of_kind(self, kind: str) -> Iterator[Stored]:
        """Yield the records of a kind in order."""
        query = "SELECT seq, record FROM journal WHERE cell IN owner AND kind = ? ORDER BY seq"
        rows = self._database.execute(f"{_OWNERS} {query}", (kind,))
        for row in rows:
            yield Stored(*row)

    def check_file(self) -> None:
        """Check that the file itself is sound, its indexes included.

        Raises
        ------
        LedgerDamagedError
            If it is not.
        """
        try:
            faults = [row[0] for row in self._database.execute("PRAGMA integrity_check(1)")]
        except sqlite3.DatabaseError as error:
            faults = [str(error)]
        if faults != ["ok"]:
            raise LedgerDamagedError(f"the file is damaged: {faults[0]}", subject=FILE_NAME)

    def cells(self) -> list[str]:
        """Return the names of all cells that have segments, in order of name."""
        segments = "SELECT 1 FROM journal WHERE journal.cell = owner.cell AND kind = 'segment'"
        query = f"SELECT cell FROM owner WHERE EXISTS ({segments}) ORDER BY cell"  # noqa: S608 # a constant is put in
        rows = self._database.execute(f"{_OWNERS} {query}")
        return [row[0] for row in rows]

    def count(self, kind: str) -> int:
        """Return the number of records of a kind."""
        query = "SELECT count(*) FROM journal WHERE cell IN owner AND kind = ?"
        found: int = self._database.execute(f"{_OWNERS} {query}", (kind,)).fetchone()[0]
        return found

    def last_run(self) -> int:
        """Return the highest number of a run that the service's own ids name; 0 where there is none."""
        found: int | None = self._database.execute(
            "SELECT max(CAST(substr(id, 8) AS INTEGER)) FROM journal WHERE id > 'daemon.' AND id < 'daemon/'"
        ).fetchone()[0]
        return found or 0
