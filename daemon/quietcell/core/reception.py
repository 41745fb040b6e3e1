"""Readings on their way in: held until their time has come, screened, and kept while they are needed."""

from bisect import bisect_left
from collections import Counter, deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from operator import itemgetter
from typing import Any, Final, TypeVar

import numpy as np

from quietcell.core.history import History
from quietcell.core.noise_learning import NoiseLearning, NoiseLearningState
from quietcell.core.readings import ReadingBlock
from quietcell.core.records import Reason
from quietcell.core.rhythm import Rhythm, Silence
from quietcell.core.screening import Screen, Screened, ScreenState
from quietcell.core.settings import CellSettings
from quietcell.errors import ReadingsMissingError

HISTORY_MS = 3_600_000
"""Readings older than this say nothing about what is still to come."""

LEARNT_MS = HISTORY_MS // 2
"""Readings so old can no more be part of a disturbance that is noticed later."""

_ROW: Final = itemgetter(0)
Noted = TypeVar("Noted", bound=tuple[Any, ...])
"""What is noted at a row, which comes first."""


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


@dataclass(slots=True, kw_only=True)
class _Held:
    """Readings whose time has not yet come, with all that is known of them: it depends on none later."""

    block: ReadingBlock
    silences: list[tuple[int, Silence]]
    """With the row of the reading that ends each."""
    screened: Screened
    disturbances: list[tuple[int, int]]
    """Row at which each is noticed, and the time up to which it spoils the window, ms."""
    seen: int = 0
    """So many of them have been seen."""

    @property
    def first_ms(self) -> int:
        """Time of the first reading not yet seen."""
        return int(self.block.ms[self.seen])

    def rows_at(self, ms: int) -> int:
        """Return how many readings have a time of at most `ms`."""
        return int(np.searchsorted(self.block.ms, ms, side="right"))

    def silence_ms(self) -> int | None:
        """Return when the first silence not yet seen ends, or None."""
        later = self.silences[bisect_left(self.silences, self.seen, key=_ROW) :]
        return later[0][1].ended_ms if later else None

    def noted_ms(self) -> int | None:
        """Return the time of the next reading that ends a silence, does not count, or disturbs; or None."""
        rows = [
            each[place][0]
            for each in (self.silences, self.screened.labels, self.disturbances)
            if (place := bisect_left(each, self.seen, key=_ROW)) < len(each)
        ]
        return int(self.block.ms[min(rows)]) if rows else None

    @staticmethod
    def within(noted: Sequence[Noted], rows: slice) -> Sequence[Noted]:
        """Return what is noted at some rows."""
        first = bisect_left(noted, rows.start, key=_ROW)
        return noted[first : bisect_left(noted, rows.stop, first, key=_ROW)]


class Reception:
    """The readings of one cell, segment after segment, on the time of the current one.

    Parameters
    ----------
    settings : CellSettings
        The cell.
    """

    def __init__(self, settings: CellSettings) -> None:
        self._settings = settings
        self._waiting: list[ReadingBlock] = []
        """The newest readings, not yet screened: no silence lies before or between them."""
        self._held: deque[_Held] = deque()
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
        heard_ms, last = self._heard_ms, self.last
        if self._waiting or self._held:
            last = self._waiting[-1] if self._waiting else self._held[-1].block
        return None if last is None or heard_ms is None else (last[-1:], heard_ms)

    @property
    def tells(self) -> bool:
        """Whether a record may be due as soon as the time of what is held comes."""
        return self._rhythm.sparse_since_ms is not None or any(held.silences for held in self._held)

    @property
    def steady_until_ms(self) -> int:
        """Up to this time the next reading ends no silence; -1 where any may."""
        if self._silent_since != "silence" or (heard_ms := self._heard_ms) is None:
            return -1
        return heard_ms + int(self._settings.criterion.max_gap_s * 1000)

    @property
    def _heard_ms(self) -> int | None:
        """Time of the last reading received."""
        if self._waiting:
            return int(self._waiting[-1].ms[-1])
        return int(self._held[-1].block.ms[-1]) if self._held else self.last_ms

    def hold(self, block: ReadingBlock) -> None:
        """Take readings whose time has not yet come; without a silence they can be screened together."""
        if int(block.ms[-1]) <= self.steady_until_ms:
            self._waiting.append(block)
        else:
            self._screen_waiting()
            self._hold(block)

    def _screen_waiting(self) -> None:
        """Screen the readings that were put by for it."""
        if self._waiting:
            waiting, self._waiting = self._waiting, []
            self._hold(waiting[0] if len(waiting) == 1 else ReadingBlock.concatenate(waiting))

    def _hold(self, block: ReadingBlock) -> None:
        """Screen readings and note what they say."""
        silences = self._silences(block)
        self._silent_since = "silence"
        screened = self._screen.screen(block)
        times_ms = (ms for ms, _ in screened.disturbances)
        self._held.append(
            _Held(
                block=block,
                silences=silences,
                screened=screened,
                disturbances=list(zip(screened.noticed, times_ms, strict=True)),
            )
        )

    def without_silence_ms(self, upto_ms: int) -> int:
        """Return up to when, at most `upto_ms`, no reading ends a silence or shows that silences are over."""
        self._screen_waiting()
        if self._rhythm.sparse_since_ms is not None:
            return -1
        ends_ms = (held.silence_ms() for held in self._held)
        return min((upto_ms, *(ms - 1 for ms in ends_ms if ms is not None)))

    def undisturbed_ms(self, upto_ms: int) -> int:
        """Return up to when, at most `upto_ms`, every reading counts and nothing disturbs the window."""
        self._screen_waiting()
        if self._rhythm.sparse_since_ms is not None:
            return -1
        noted_ms = (held.noted_ms() for held in self._held)
        return min((upto_ms, *(ms - 1 for ms in noted_ms if ms is not None)))

    def see(self, upto_ms: int) -> Iterator[Received]:
        """Let the time of all held readings of at most `upto_ms` come."""
        self._screen_waiting()
        while self._held and self._held[0].first_ms <= upto_ms:
            held = self._held[0]
            seen, behind = held.seen, held.rows_at(upto_ms)
            if behind == len(held.block):
                self._held.popleft()
            held.seen = behind
            yield self._see(held, slice(seen, behind))

    def _see(self, held: "_Held", rows: slice) -> Received:
        block, screened = held.block[rows], held.screened
        silences = tuple(silence for _, silence in held.within(held.silences, rows))
        disturbances = [(silence.ended_ms - 1, Reason.GAP) for silence in silences]
        disturbances += [(ms, Reason.FLAGGED_READINGS) for _, ms in held.within(held.disturbances, rows)]
        self.last_ms = int(block.ms[-1])
        self.last = block[-1:]
        numbers = np.arange(self.readings, self.readings + len(block))
        self.readings += len(block)
        rejected = tuple(name for _, names in held.within(screened.labels, rows) for name in names)
        if rejected:
            counts = screened.counts[rows]
            block, numbers = block[counts], numbers[counts]
        self.history.append(block, numbers)
        for ms, reason in sorted(disturbances, key=lambda each: each[0]):
            self.disturb(ms, reason)
        # Learning mostly waits for a determination; what nobody asks for is learnt before it is forgotten.
        self.learning.catch_up(self.history, self.last_ms - LEARNT_MS)
        self.history.forget_before(self.last_ms - HISTORY_MS)
        return Received(
            silences=tuple(self._rhythm.tell(silences, held.block.ms[rows])),
            rejected=rejected,
            counting=block,
        )

    def _silences(self, block: ReadingBlock) -> list[tuple[int, Silence]]:
        """Return the silences readings end, each with the row of the reading."""
        max_gap_ms = self._settings.criterion.max_gap_s * 1000
        before = self._heard_ms
        goes_on = before is not None and self._silent_since == "silence"
        if goes_on and before is not None and len(block) == 1 and int(block.ms[0]) - before <= max_gap_ms:
            return []  # the usual case of a meter at work
        times = block.ms if before is None else np.concatenate(([before], block.ms))
        gaps = np.flatnonzero(np.diff(times) > max_gap_ms).tolist()
        if before is not None and not goes_on and 0 not in gaps:
            gaps.insert(0, 0)  # a new segment is a gap however short
        return [
            (
                gap + 1 - (len(times) - len(block)),
                Silence(
                    began_ms=int(times[gap]),
                    ended_ms=int(times[gap + 1]),
                    cause=self._silent_since if gap == 0 and before is not None else "silence",
                    told_ms=int(times[gap + 1]),
                ),
            )
            for gap in gaps
        ]

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
