"""How far each outlet has come: one row an outlet, apart from the journal.

A cursor may lag behind what was delivered (delivery is at least once), never run ahead of it. Its
commits are synchronous all the same: which daily file may hold unknown bytes must survive a power cut.
"""

import json
from pathlib import Path
from typing import NamedTuple

from quietcell.core.records import Json
from quietcell.ledger.store import close_file, open_file

FILE_NAME = "cursors.sqlite"
_LAYOUT = "CREATE TABLE cursor (outlet TEXT PRIMARY KEY, seq INTEGER NOT NULL, detail TEXT NOT NULL) STRICT"


class Cursor(NamedTuple):
    """Position of one outlet."""

    seq: int
    """Highest record up to which everything is delivered or parked."""
    detail: dict[str, Json]
    """What the outlet itself needs to go on from there."""


class Cursors:
    """All cursors of a ledger."""

    def __init__(self, folder: Path) -> None:
        self._database = open_file(folder / FILE_NAME, layout=_LAYOUT, version=1)

    def get(self, outlet: str) -> Cursor:
        """Return where an outlet stands; a new one stands before the first record."""
        row = self._database.execute("SELECT seq, detail FROM cursor WHERE outlet = ?", (outlet,)).fetchone()
        return Cursor(row[0], json.loads(row[1])) if row else Cursor(0, {})

    def put(self, outlet: str, cursor: Cursor) -> None:
        """Move an outlet's cursor."""
        self._database.execute(
            "INSERT INTO cursor VALUES (?, ?, ?) "
            "ON CONFLICT (outlet) DO UPDATE SET seq = excluded.seq, detail = excluded.detail",
            (outlet, cursor.seq, json.dumps(cursor.detail)),
        )

    def go_back_to(self, seq: int) -> dict[str, int]:
        """Put back every outlet that is ahead of the journal's last record; return how far each was."""
        ahead = dict(self._database.execute("SELECT outlet, seq FROM cursor WHERE seq > ?", (seq,)))
        self._database.execute("UPDATE cursor SET seq = ?1 WHERE seq > ?1", (seq,))
        return ahead

    def close(self) -> None:
        """Close the file."""
        close_file(self._database)
