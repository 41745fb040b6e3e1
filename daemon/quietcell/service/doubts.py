"""Doubts about results since the cell was last known to be good."""

from typing import Literal

from quietcell.core.records import DoubtBody
from quietcell.ledger.journal import Journal
from quietcell.ledger.ledger import Ledger
from quietcell.service.in_force import results_since


async def doubt_since(
    ledger: Ledger,
    since: str | None,
    *,
    body_id: str,
    cell: str,
    cause: Literal["check-failed", "as-found-calibration"],
    about: str,
    now: str,
    text: str,
) -> DoubtBody:
    """Return the record that doubts every result of a cell since a time, None since it began to measure."""

    def found() -> tuple[str, tuple[str, ...]]:
        ids = tuple(results_since(ledger.journal, cell, since, now))
        return since or _first_at(ledger.journal, cell, now), ids

    began, ids = await ledger.run(found)
    return DoubtBody(
        id=body_id,
        cell=cell,
        at=now,
        cause=cause,
        about=about,
        since=began,
        until=now,
        determinations=ids,
        text=text,
    )


def _first_at(journal: Journal, cell: str, otherwise: str) -> str:
    """Return when the cell began to measure."""
    for record in journal.of_cell(cell, kinds=("segment",)):
        at: str = record.body()["at"]
        return at
    return otherwise
