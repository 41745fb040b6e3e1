"""Anyone can recompute it: stored readings, requests and settings through the engine once more.

Every body the engine makes is compared with the journal's, byte for byte, and every checkpoint with what the
engine then knows. What can't be recomputed is counted by reason; behind the next checkpoint whose readings
are there the comparison goes on.
"""

from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from quietcell.core.engine import Engine
from quietcell.core.inputs import SegmentBegan
from quietcell.core.readings import ReadingBlock
from quietcell.core.records import ENGINE_VERSION, Body, Json
from quietcell.core.settings import CellSettings
from quietcell.errors import QuietcellError, ReadingsMissingError, StateUnknownError
from quietcell.ledger.canonical import canonical
from quietcell.ledger.journal import Journal
from quietcell.ledger.readings_files import ReadingsFiles, month_of
from quietcell.ledger.storage import ReadingsDroppedBody
from quietcell.ledger.verify import given_up
from quietcell.service.checkpoint import checkpoint, place_of, restored
from quietcell.service.stored_input import Step, StoredInput

TOLD = 5
"""So many differences of a cell are told in words; all are counted."""


@dataclass(slots=True, kw_only=True)
class Recomputed:
    """Outcome for one cell."""

    same: int = 0
    """Bodies and checkpoints that came out again, byte for byte."""
    different: int = 0
    differences: list[str] = field(default_factory=list)
    """The first of them in words."""
    not_recomputable: Counter[str] = field(default_factory=Counter)
    """Bodies by reason."""

    def differs(self, text: str) -> None:
        """Count a difference."""
        self.different += 1
        if len(self.differences) < TOLD:
            self.differences.append(text)


def recompute(
    journal: Journal, readings: ReadingsFiles, cell: str, *, tell: Callable[[int], None] = lambda _: None
) -> Recomputed:
    """Run everything stored of a cell through the engine and compare.

    Parameters
    ----------
    journal, readings : Journal, ReadingsFiles
        The ledger.
    cell : str
        Which cell.
    tell : callable
        Told the number of each record of the cell that is done.
    """
    while True:
        expired = given_up(journal)
        found = _Recomputation(journal, readings, cell, tell, expired).run()
        if given_up(journal) == expired:
            return found  # else readings went while they were read


class _Recomputation:
    """One cell's."""

    def __init__(
        self,
        journal: Journal,
        readings: ReadingsFiles,
        cell: str,
        tell: Callable[[int], None],
        expired: set[str],
    ) -> None:
        self._journal = journal
        self._readings = readings
        self._cell = cell
        self._tell = tell
        self._steps = StoredInput(journal, readings, cell)
        self._engine: Engine | None = None
        self._why_not = ""
        self._stored: dict[str, tuple[int, str]] = {}
        """Number and text of bodies read and not made yet."""
        self._made: dict[str, str] = {}
        """Bodies made and not read yet."""
        self._outcome = Recomputed()
        self._expired = expired
        self._lost: dict[int, list[int]] = {}
        """By segment, from when on readings were dropped."""
        for record in journal.of_cell(cell, kinds=(ReadingsDroppedBody.kind,)):
            body = record.body()
            self._lost.setdefault(body["segment"], []).append(body["from_ms"])

    def run(self) -> Recomputed:
        for step in self._steps:
            if step.record is None:
                self._feed(step)
            else:
                self._read(step)
                self._tell(step.record.seq)
        # Of a run that goes on something may be made and not yet recorded, or recorded on later input.
        return self._outcome

    def _read(self, step: Step) -> None:
        body = step.body
        if step.envelope["engine_version"] != ENGINE_VERSION:
            self._stop(f"made by engine version {step.envelope['engine_version']}")
        elif isinstance(step.item, SegmentBegan) and month_of(step.item.utc_ms) in self._expired:
            self._stop("readings expired")
        if body["record"] == "configuration" and self._engine is None and not self._why_not:
            self._engine = Engine(CellSettings.from_json(body["settings"]))
        if not body["id"].startswith("daemon."):
            self._compare_stored(body, step)
        self._feed(step)
        if body["record"] == "checkpoint":
            self._at_checkpoint(step)
        elif body["record"] == "segment" and body["state"] == "ended":
            self._at_end(step)

    def _feed(self, step: Step) -> None:
        item, place = step.item, self._steps.place
        if (
            item is None
            or self._engine is None
            or (step.record is None and not isinstance(item, ReadingBlock))
        ):
            return
        if place is not None and any(ms <= place.fed_ms for ms in self._lost.get(place.segment, ())):
            self._stop("readings dropped for want of space")
            return
        try:
            made = self._engine.take(item)
        except Exception as error:  # noqa: BLE001 # what breaks on one cell's input says nothing of the others
            seq = 0 if step.record is None else step.record.seq
            refuses = isinstance(error, QuietcellError)
            does = "refuses" if refuses else f"breaks ({type(error).__name__}) on"
            self._outcome.differs(f"record {seq}: the engine {does} what it was fed: {error}")
            self._stop("its input was refused" if refuses else "the engine breaks on its input")
            return
        for body in made:
            self._compare_made(body)

    def _compare_made(self, body: Body) -> None:
        text = canonical(body.as_json())
        stored = self._stored.pop(body.id, None)
        if stored is None:
            self._made[body.id] = text
        else:
            self._compare(stored[0], stored[1], text)

    def _compare_stored(self, body: Mapping[str, Json], step: Step) -> None:
        seq = 0 if step.record is None else step.record.seq
        if self._engine is None:
            self._outcome.not_recomputable[self._why_not] += 1
            return
        text = canonical(dict(body))
        made = self._made.pop(body["id"], None)
        if made is None:
            self._stored[body["id"]] = (seq, text)
        else:
            self._compare(seq, text, made)

    def _compare(self, seq: int, stored: str, made: str) -> None:
        if stored == made:
            self._outcome.same += 1
        else:
            self._outcome.differs(f"record {seq}: the engine makes another body of the stored readings")

    def _at_checkpoint(self, step: Step) -> None:
        record = step.record
        if record is None:
            return
        if self._engine is not None:
            state = checkpoint(self._engine, id="", at="").as_json()["state"]
            self._compare(record.seq, canonical(step.body["state"]), canonical(state))
            return
        place = place_of(record)
        if place is not None and month_of(place.anchor_utc_ms + place.fed_ms) in self._expired:
            return  # it may rest on no readings, but what comes next does
        try:
            self._engine = restored(self._journal, self._readings, record)
        except (ReadingsMissingError, StateUnknownError):
            return
        self._why_not = ""
        segment, ms = step.body["segment"], step.body["ms"]
        if segment is not None:
            self._lost[segment] = [begin for begin in self._lost.get(segment, ()) if begin > ms]

    def _at_end(self, step: Step) -> None:
        """Compare what was stored of a segment with what was made: both must be used up."""
        for seq, _ in self._stored.values():
            self._outcome.differs(f"record {seq}: the engine does not make it of the stored readings")
        seq = 0 if step.record is None else step.record.seq
        for body_id in self._made:
            self._outcome.differs(f"record {seq}: before it {body_id} is missing")
        self._stored.clear()
        self._made.clear()

    def _stop(self, why: str) -> None:
        """Give up until the next checkpoint that can be gone on from."""
        if self._engine is not None or not self._why_not:
            self._outcome.not_recomputable[why] += len(self._stored)
            self._stored.clear()
            self._made.clear()
        self._engine, self._why_not = None, why
