"""Readings on their way in: held until their time has come, screened, and kept while they are needed."""

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from quietcell.core.history import History
from quietcell.core.noise_learning import NoiseLearning, NoiseLearningState
from quietcell.core.readings import ReadingBlock
from quietcell.core.records import Reason
from quietcell.core.rhythm import Rhythm, Silence
from quietcell.core.screening import Screen, ScreenState
from quietcell.core.settings import CellSettings
from quietcell.errors import ReadingsMissingError

HISTORY_MS = 3_600_000
"""Readings older than this say nothing about what is still to come."""

LEARNT_MS = HISTORY_MS // 2
"""Readings so old can no more be part of a disturbance that is noticed later."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Received:
    """What a stretch of readings brought."""

    silences: tuple[Silence, ...]
    """Those to be told of."""
    rejected: tuple[str, ...]
    """Names of what speaks against readings that do not count, one for each of them."""
    counting: ReadingBlock
    """The others."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReceptionState:
    """What later readings are held against; the readings held are named by their numbers only."""

    readings: int
    rejected: dict[str, int]
    counting: list[tuple[int, int]]
    """Runs of readings of the last hour that count: number of the first, and of the first behind."""
    first_ms: int | None
    """Time of the first of them."""
    screen: ScreenState
    silent_since: str
    last_ms: int | None
    rhythm: Rhythm
    quiet_since_ms: int
    disturbance: Reason
    learning: NoiseLearningState


class Reception:
    """The readings of one cell, segment after segment, on the time of the current one.

    Parameters
    ----------
    settings : CellSettings
        The cell.
    """

    def __init__(self, settings: CellSettings) -> None:
        self._settings = settings
        self._pending: list[ReadingBlock] = []
        self._screen = self._new_screen()
        self._silent_since: str = "silence"
        self.history = History()
        """Readings of the segment that count."""
        self.learning = NoiseLearning()
        self.last: ReadingBlock | None = None
        """The last reading, whether it counts or not."""
        self.last_ms: int | None = None
        """Its time; negative when it lies before this segment."""
        self.readings = 0
        """Of the segment."""
        self.rejected: Counter[str] = Counter()
        """Of the segment: what spoke against readings that do not count while nothing was determined."""
        self._rhythm = Rhythm()
        self.quiet_since_ms = 0
        """The last disturbance; windows hold only later readings."""
        self.disturbance = Reason.GAP
        """What it was; a cell that nothing disturbed lacks readings."""

    def begin_segment(self, cause: str, settings: CellSettings) -> None:
        """Begin anew under `settings`; `cause` is what to call the silence before the first reading."""
        self._settings = settings
        self._silent_since = cause
        self._screen = self._new_screen()

    def end_segment(self, ended_ms: int) -> None:
        """Move to the time of the next segment, whose zero lies at `ended_ms`."""
        self._screen = self._new_screen()
        self.learning.disturbed(self.history, ended_ms)
        self.history = History()
        self.readings = 0
        if self.last_ms is not None:
            self.last_ms -= ended_ms
        self._rhythm.shift(ended_ms)
        self.quiet_since_ms -= ended_ms
        self.disturb(0, Reason.GAP)

    @property
    def newest(self) -> tuple[ReadingBlock, int] | None:
        """The last reading received, whether its time has come or not, and its time."""
        if self._pending:
            return self._pending[-1][-1:], int(self._pending[-1].ms[-1])
        return None if self.last is None or self.last_ms is None else (self.last, self.last_ms)

    @property
    def waits_ms(self) -> int | None:
        """Time of the first reading held, or None."""
        return int(self._pending[0].ms[0]) if self._pending else None

    def hold(self, block: ReadingBlock) -> None:
        """Take readings whose time has not yet come."""
        self._pending.append(block)

    def see(self, upto_ms: int, *, quietly: bool = False) -> Iterator[Received]:
        """Let the time of all held readings of at most `upto_ms` come.

        Parameters
        ----------
        upto_ms : int
            Segment time.
        quietly : bool
            Stop before the first silence, and at the end of a stretch of them.
        """
        while self._pending and self._pending[0].ms[0] <= upto_ms:
            block = self._pending.pop(0)
            rows = int(np.searchsorted(block.ms, upto_ms, side="right"))
            if quietly:
                rows = min(rows, self._before_a_silence(block))
                if rows == 0:
                    self._pending.insert(0, block)
                    return
            if rows < len(block):
                self._pending.insert(0, block[rows:])
                block = block[:rows]
            yield self._see(block)

    def _before_a_silence(self, block: ReadingBlock) -> int:
        """Return how many readings of a block come before the first silence."""
        if (
            self.last_ms is None
            or self._silent_since != "silence"
            or self._rhythm.sparse_since_ms is not None
        ):
            return 0
        times = np.concatenate(([self.last_ms], block.ms))
        silences = np.flatnonzero(np.diff(times) > self._settings.criterion.max_gap_s * 1000)
        return int(silences[0]) if len(silences) else len(block)

    def _see(self, block: ReadingBlock) -> Received:
        silences = tuple(self._silences(block))
        disturbances = [(silence.ended_ms - 1, Reason.GAP) for silence in silences]
        self._silent_since = "silence"
        self.last_ms = int(block.ms[-1])
        self.last = block[-1:]
        self.readings += len(block)
        screened = self._screen.screen(block)
        disturbances += [(ms, Reason.FLAGGED_READINGS) for ms, _ in screened.disturbances]
        rows = np.arange(self.readings - len(block), self.readings)
        counting = screened.counting(block)
        self.history.append(counting, rows[screened.counts])
        for ms, reason in sorted(disturbances, key=lambda each: each[0]):
            self.disturb(ms, reason)
        # Learning mostly waits for a determination; what nobody asks for is learnt before it is forgotten.
        self.learning.catch_up(self.history, self.last_ms - LEARNT_MS)
        self.history.forget_before(self.last_ms - HISTORY_MS)
        return Received(
            silences=tuple(self._rhythm.tell(silences, block.ms)),
            rejected=tuple(name for _, names in screened.labels for name in names),
            counting=counting,
        )

    def _silences(self, block: ReadingBlock) -> Iterator[Silence]:
        max_gap_ms = self._settings.criterion.max_gap_s * 1000
        before = self.last_ms
        goes_on = len(block) == 1 and before is not None and self._silent_since == "silence"
        if goes_on and before is not None and int(block.ms[0]) - before <= max_gap_ms:
            return  # the usual case of a meter at work
        times = block.ms if before is None else np.concatenate(([before], block.ms))
        gaps = np.flatnonzero(np.diff(times) > max_gap_ms).tolist()
        if before is not None and self._silent_since != "silence" and 0 not in gaps:
            gaps.insert(0, 0)  # a new segment is a gap however short
        for row in gaps:
            first_here = row == 0 and before is not None
            yield Silence(
                began_ms=int(times[row]),
                ended_ms=int(times[row + 1]),
                cause=self._silent_since if first_here else "silence",
                told_ms=int(times[row + 1]),
            )

    def _new_screen(self) -> Screen:
        criterion = self._settings.criterion
        return Screen(
            self._settings.line, resolution_mv=criterion.resolution_mv, max_gap_s=criterion.max_gap_s
        )

    # --- state ---------------------------------------------------------------------------------

    def state(self) -> ReceptionState:
        """Return what must be known to go on; readings whose time has not come are no part of it."""
        return ReceptionState(
            readings=self.readings,
            rejected=dict(sorted(self.rejected.items())),
            counting=self.history.runs(),
            first_ms=self.history.first_ms,
            screen=self._screen.state,
            silent_since=self._silent_since,
            last_ms=self.last_ms,
            rhythm=replace(self._rhythm),
            quiet_since_ms=self.quiet_since_ms,
            disturbance=self.disturbance,
            learning=self.learning.state(),
        )

    def restore(self, state: ReceptionState, stored: ReadingBlock) -> None:
        """Go on from a state.

        Parameters
        ----------
        state : ReceptionState
            As `state` gave it.
        stored : ReadingBlock
            The readings of the segment up to then, of the last hour at least.

        Raises
        ------
        ReadingsMissingError
            If readings that count are not among them.
        """
        first_row = state.readings - len(stored)
        if state.counting and state.counting[0][0] < first_row:
            missing = first_row - state.counting[0][0]
            raise ReadingsMissingError(f"{missing} readings before the checkpoint are missing")
        if state.counting and int(stored.ms[state.counting[0][0] - first_row]) != state.first_ms:
            raise ReadingsMissingError("readings before the checkpoint are missing")
        self.readings = state.readings
        self.rejected = Counter(state.rejected)
        self._screen.state = state.screen
        self._silent_since = state.silent_since
        self.last_ms, self.last = state.last_ms, stored[-1:] if len(stored) else None
        self._rhythm = state.rhythm
        self.quiet_since_ms, self.disturbance = state.quiet_since_ms, state.disturbance
        self.learning.restore(state.learning)
        for first, behind in state.counting:
            self.history.append(stored[first - first_row : behind - first_row], np.arange(first, behind))

    def disturb(self, ms: int, reason: Reason) -> None:
        """Let windows begin after `ms`."""
        self.learning.disturbed(self.history, ms)
        if ms > self.quiet_since_ms:
            self.quiet_since_ms = ms
            self.disturbance = reason
