"""The command `episode`: a person confirms or rejects what the engine suspects."""

from collections.abc import Mapping
from typing import Literal

from pydantic import Field

from quietcell.config.fields import Text
from quietcell.core.inputs import EpisodeVerdict
from quietcell.core.records import Json
from quietcell.errors import ArgumentError, CommandError
from quietcell.ledger.ledger import Ledger
from quietcell.service.cell import CellTask
from quietcell.service.command_records import OperatorVerdictBody
from quietcell.service.commands import Commands, LongText, OfCell, checked, no_cell
from quietcell.service.records import DaemonIds


class EpisodeArguments(OfCell):
    """Says what a person found about an open episode."""

    episode: Text = Field(description="Id of any record of the episode.")
    verdict: Literal["confirm", "reject"] = Field(description="A rejected episode closes.")
    why: LongText | None = Field(default=None, description="What was found; kept with the verdict.")


class EpisodeVerdicts:
    """What people say about episodes.

    Parameters
    ----------
    cells : mapping
        The cells at work, by name; read at each command.
    ledger : Ledger
        Knows the episodes.
    ids : DaemonIds
        For the records of verdicts.
    """

    def __init__(self, cells: Mapping[str, CellTask], ledger: Ledger, ids: DaemonIds) -> None:
        self._cells = cells
        self._ledger = ledger
        self._ids = ids

    def commands(self) -> Commands:
        """Return the command functions by name."""
        return {"episode": self.episode}

    async def episode(self, request: dict[str, Json]) -> dict[str, Json]:
        """Confirm or reject an open episode.

        Returns
        -------
        dict
            ``operator_verdict`` (id of its record), ``seq`` and ``episode``, the stored record of what
            became of it.

        Raises
        ------
        CommandError
            If an argument is wrong, the cell is not measuring, or the episode is not open.
        """
        told = checked(EpisodeArguments, request)
        task = self._cells.get(told.cell)
        if task is None:
            raise no_cell(told.cell, self._cells)
        known = f"open now: {', '.join(task.open_episodes) or 'none'}"
        opening = await self._opening(told, known)
        if opening not in task.open_episodes:
            raise CommandError(f"{told.episode} is not open; {known}", subject="episode")

        def made(segment: int, ms: int, at: str) -> tuple[EpisodeVerdict, OperatorVerdictBody]:
            body = OperatorVerdictBody(
                id=self._ids.next(),
                cell=told.cell,
                at=at,
                segment=segment,
                ms=ms,
                episode=opening,
                verdict=told.verdict,
                why=told.why,
                operator=told.operator,
                via=told.via,
            )
            return EpisodeVerdict(ms=ms, id=body.id, episode=opening, verdict=told.verdict), body

        stored, *consequences = await task.give(made)
        became = next((each for each in consequences if each.body()["record"] == "episode"), None)
        return {
            "operator_verdict": stored.body()["id"],
            "seq": stored.seq,
            "episode": None if became is None else became.envelope(),
        }

    async def _opening(self, told: EpisodeArguments, known: str) -> str:
        """Return the id of the record that opened the episode meant."""
        stored = await self._ledger.run(lambda: self._ledger.journal.with_id(told.episode))
        body = None if stored is None else stored.body()
        if body is None or (body["record"], body["cell"]) != ("episode", told.cell):
            raise ArgumentError(f"no episode {told.episode} of cell {told.cell}; {known}")
        return str(body["episode"])
