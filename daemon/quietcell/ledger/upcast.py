"""Older bodies as today's: stored bytes stay as they are, readers see one schema.

When the schema of a kind is raised, `NEWEST` names it and `STEPS` says how a body of each older schema
becomes one of the next. Steps stay for ever, as ledgers do.
"""

from collections.abc import Callable, Mapping
from typing import Final

from quietcell.core.records import Json
from quietcell.errors import LedgerTooNewError

Step = Callable[[dict[str, Json]], dict[str, Json]]
NEWEST: Final[Mapping[str, int]] = {}
"""Schema of a kind where it is not 1."""
STEPS: Final[Mapping[tuple[str, int], Step]] = {}
"""By kind and schema: to the next schema."""


def upcast(
    envelope: Mapping[str, Json],
    *,
    newest: Mapping[str, int] = NEWEST,
    steps: Mapping[tuple[str, int], Step] = STEPS,
) -> dict[str, Json]:
    """Return the body of a stored record in the newest schema of its kind.

    Parameters
    ----------
    envelope : Mapping
        The record as stored.
    newest, steps : Mapping
        The registry.

    Raises
    ------
    LedgerTooNewError
        If a newer quietcell wrote it.
    """
    body: dict[str, Json] = envelope["body"]
    kind, schema = body["record"], envelope["schema"]
    known = newest.get(kind, 1)
    if schema > known:
        raise LedgerTooNewError(
            f"{kind} has schema {schema}, this quietcell knows {known}",
            subject=f"record {envelope['seq']}",
            hint="Install the newer version again; nothing was changed",
        )
    for each in range(schema, known):
        body = steps[kind, each](body)
    return body
