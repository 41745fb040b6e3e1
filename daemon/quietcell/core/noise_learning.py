"""What a cell's own readings at rest tell of its noise, learnt bin by bin and kept across segments."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from quietcell.core.endpoint.noise import BIN_S, NoiseHistory, State
from quietcell.core.history import History

BIN_MS = BIN_S * 1000
MOVED_MV = 1.0
"""A level that moves so far (0.017 pH) from one bin to the next is not noise but other water."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseLearningState:
    """All that was learnt, and where learning stands."""

    noise: State
    next_bin: int | None
    """Of the current segment; None while the cell is not at rest."""
    level_mv: float | None
    """Of the last bin."""


class NoiseLearning:
    """Feeds the noise history of a cell while it is at rest.

    At rest is a cell from a value accepted until the next disturbance or until the level moves. What is
    learnt is a function of the engine's events alone, never of when it is asked for.
    """

    def __init__(self) -> None:
        self.noise = NoiseHistory()
        self._next_bin: int | None = None
        self._level_mv: float | None = None

    def at_rest(self, ms: int) -> None:
        """Learn from readings after `ms`, unless learning already."""
        if self._next_bin is None:
            self._next_bin = -(-ms // BIN_MS)

    def catch_up(self, history: History, ms: int) -> None:
        """Take in the bins complete at `ms`, all of whose readings are held."""
        if self._next_bin is None or (self._next_bin + 1) * BIN_MS > ms:
            return
        first_bin, behind = self._next_bin, ms // BIN_MS
        times, mv = history.potentials(first_bin * BIN_MS - 1, behind * BIN_MS - 1)
        edges = np.searchsorted(times, np.arange(first_bin, behind + 1) * BIN_MS).tolist()
        values = mv.tolist()
        for number, (low, high) in enumerate(pairwise(edges), first_bin):
            before = self._level_mv
            self._level_mv = sorted(values[low:high])[(high - low) // 2] if high > low else None
            if before is not None and self._level_mv is not None and abs(self._level_mv - before) > MOVED_MV:
                self.noise.learn(first_bin, number, times, mv)
                self._stop()
                return
        self.noise.learn(first_bin, behind, times, mv)
        self._next_bin = behind

    def disturbed(self, history: History, ms: int) -> None:
        """Stop learning: the cell was disturbed at `ms`."""
        if self._next_bin is not None:
            self.catch_up(history, ms)
            self._stop()

    def _stop(self) -> None:
        self._next_bin = self._level_mv = None
        self.noise.disturbed()

    def state(self) -> NoiseLearningState:
        """Return what must be known to go on."""
        return NoiseLearningState(noise=self.noise.state(), next_bin=self._next_bin, level_mv=self._level_mv)

    def restore(self, state: NoiseLearningState) -> None:
        """Go on from a state."""
        self.noise.restore(state.noise)
        self._next_bin, self._level_mv = state.next_bin, state.level_mv
