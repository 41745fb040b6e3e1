"""Screening: which readings count, and the name of what speaks against the others.

Only the raw reading is stored; screening is part of the engine, so a recording screened again gives
the same answer. Every reading that does not count gets at least one name. A name depends on the
reading and on earlier ones, never on later ones; nothing depends on how the stream is cut into
blocks.

The meter's step is the resolution stated, or the smallest change seen between readings where that is
coarser: one rounded to whole millivolts under a stated 0.1 mV would jump at each of its steps, and stick
between them.

==========================  =================================================================  ======
name                        rule                                                               window
==========================  =================================================================  ======
flags of the reading        set by meter or line                                               begins
mv-not-measured             no potential                                                       begins
mv-out-of-range             outside -1500..1500 mV: no electrode gives it                      begins
open-circuit                the line makes it a pH below -1 or above 15, where every           begins
                            converter's rail lies as well
stuck                       the very same potential for 30 readings in a row and for           begins
                            300 s · (step / 0.01 mV)^1.5, at least 120 s
spike                       further from the median of the last five potentials than ten       stays
                            times the median of the last 25 such distances, 0.5 mV and three
                            steps of the meter
jump                        the third spike in a row: the level has moved                      begins
temperature-not-measured    no temperature                                                     stays
temperature-out-of-range    outside 0..100 °C                                                  stays
temperature-jump            further from the last good temperature than 1 °C + 0.5 °C/s;       stays
                            the third in a row that agrees within 1 °C with the two before     begins
                            is the new level
==========================  =================================================================  ======

*Stays*: a lone bad reading between good ones is left out and the window goes on. *Begins*: the window
begins again behind the reading, for a jump behind the reading at which the level moved. The fourth
reading left out in a row, or one later than `max_gap_s` after the last that counted, also begins it:
too little is then known of what lies between. A silence longer than `max_gap_s` forgets level and
repeats, for the sample may have been changed.

Potential and temperature are followed apart: a bad thermometer says nothing against the electrode's
level, and the other way round.
"""

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from quietcell.core.constants import ZERO_CELSIUS_K
from quietcell.core.electrode.nernst import MV_PER_KELVIN, Line
from quietcell.core.readings import Quantity, ReadingBlock, flag_labels

MV_RANGE = (-1500.0, 1500.0)
"""Wider than any electrode over pH 0 to 14 with any reference, mV."""
TEMPERATURE_RANGE_C = (0.0, 100.0)
"""Liquid water at ordinary pressure, °C."""
OPEN_CIRCUIT_PH = (-1.0, 15.0)
"""One beyond 0 to 14: room for strong acid and a poor zero, far inside the rails of a converter."""
STUCK_READINGS = 30
"""Fewer repeats prove nothing: a healthy meter of 0.031 mV steps gave 11 to 13 in a row every 30 s."""
STUCK_S_AT_10_UV = 300.0
"""For steps of 0.01 mV, s; grows with the power 1.5 of the step.

The longest repeats of healthy electrodes at rest, 25 series in temperature baths rounded to steps of
0.01, 0.031 and 0.1 mV, last 150, 390 and 3570 s: the rule lies a factor 2 to 4 above.
"""
STUCK_AT_LEAST_S = 120.0
"""Meters that average over many seconds may repeat even fine steps."""
LEVEL_READINGS = 5
"""The median of five stands two spikes."""
DISTANCES = 25
"""Distances from the level the noise is judged from; their median stands twelve that are not noise.

Distances, not steps between neighbours: slow noise steps little and still strays far.
"""
FEWEST_DISTANCES = 8
"""With fewer the noise is not known and nothing is called a spike."""
SPIKE_DISTANCES = 10.0
"""In median distances: 7.6 standard deviations of white noise (a median distance is 0.765 of one).

On a steady ramp every distance is the same, so a ramp is never called a spike.
"""
SMALLEST_SPIKE_MV = 0.5
"""0.008 pH: smaller ones can't move the mean of a window by more than a thousandth."""
COARSEST_STEP_MV = 1.0
"""Meters show whole millivolts, 0.017 pH, or finer (common practice, no source)."""
DUST_MV = 1e-6
"""What decimal steps differ by as binary numbers is no step."""
SPIKE_RESOLUTIONS = 3.0
"""A value between two steps of the meter toggles by one; three is no rounding."""
JUMP_READINGS = 3
"""One or two far readings may be spikes; three in a row are a level."""
TEMPERATURE_JUMP_C = 1.0
"""Ten times the noise of a poor thermometer."""
TEMPERATURE_JUMP_C_PER_S = 0.5
"""A sensor in its sleeve follows hot water with a time constant of some 10 s; faster is no water."""
LONE_READINGS = 3
"""More than these left out in a row begin the window again."""
STRETCH = 256
"""Readings looked at in one go where nothing happens."""
WORTHWHILE = 16
"""Fewer readings are faster one by one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Screened:
    """Readings that count, names for those that do not, and where windows must begin again."""

    counts: NDArray[np.bool_]
    """Shape (n,): True where the reading may enter a window."""
    labels: list[tuple[int, list[str]]]
    """Row and names of what speaks against it, for each row that does not count."""
    disturbances: list[tuple[int, str]]
    """Time (ms) and name; windows hold only later readings. May lie before this block."""
    noticed: list[int] = field(default_factory=list)
    """Row at which each of them is noticed."""


@dataclass(slots=True, kw_only=True)
class ScreenState:
    """What later readings are held against; plain numbers and lists, so that it can be stored."""

    last_ms: int | None = None
    """Of any reading."""
    repeated_mv: float | None = None
    repeats: int = 0
    """Readings in a row with that potential."""
    repeated_since_ms: int = 0
    step_mv: float = 0.0
    """Smallest change seen from one reading to the next, down to the resolution stated; 0 is none yet."""
    level_mv: list[float] = field(default_factory=list)
    """The last potentials that were no spikes, oldest first."""
    distances_mv: list[float] = field(default_factory=list)
    """How far the last of them lay from the median of those before."""
    off_level: list[tuple[int, float]] = field(default_factory=list)
    """Time and potential of the spikes since."""
    good_c: float | None = None
    good_ms: int = 0
    off_temperature: list[tuple[int, float]] = field(default_factory=list)
    """Time and temperature of the jumps since."""
    known_ms: int | None = None
    """Of the last reading that counted, or behind which the window began again."""
    left_out: list[str] = field(default_factory=list)
    """A name for each of the last readings left out in a row."""


class Screen:
    """Screens the readings of one segment, in order.

    Parameters
    ----------
    line : Line
        Electrode potential to pH.
    resolution_mv : float
        Smallest step of the meter's potential, mV.
    max_gap_s : float
        A longer silence forgets what went before, s.
    """

    def __init__(self, line: Line, *, resolution_mv: float, max_gap_s: float) -> None:
        self.state = ScreenState()
        self._isopotential_ph = line.isopotential_ph
        self._isopotential_mv = line.isopotential_mv
        self._mv_per_ph_k = line.slope_pct / 100.0 * MV_PER_KELVIN
        self._resolution_mv = resolution_mv
        self._max_gap_ms = max_gap_s * 1000.0

    def screen(self, block: ReadingBlock) -> Screened:
        """Judge the next readings of the segment."""
        screened = Screened(counts=np.ones(len(block), np.bool_), labels=[], disturbances=[])
        for begin in range(0, len(block), STRETCH):
            stretch = block[begin : begin + STRETCH] if len(block) > STRETCH else block
            if len(stretch) < WORTHWHILE or not self._nothing_happens(stretch):
                self._one_by_one(stretch, begin, screened)
        return screened

    @property
    def _step_mv(self) -> float:
        return max(self._resolution_mv, self.state.step_mv)

    @property
    def _smallest_spike_mv(self) -> float:
        return max(SMALLEST_SPIKE_MV, SPIKE_RESOLUTIONS * self._step_mv)

    @property
    def _stuck_ms(self) -> float:
        return 1000.0 * max(STUCK_AT_LEAST_S, STUCK_S_AT_10_UV * math.pow(self._step_mv / 0.01, 1.5))

    @property
    def _saw_resolution(self) -> bool:
        """Whether the resolution stated was seen: nothing finer matters."""
        return 0.0 < self.state.step_mv <= self._resolution_mv + DUST_MV

    def _finer(self, change_mv: float) -> bool:
        """Say whether a change tells of a finer step than was seen."""
        known_mv = self.state.step_mv or COARSEST_STEP_MV + 2.0 * DUST_MV
        return DUST_MV < change_mv < known_mv - DUST_MV

    # --- one reading at a time -----------------------------------------------------------------

    def _one_by_one(self, block: ReadingBlock, first_row: int, screened: Screened) -> None:
        state = self.state
        rows = zip(
            block.ms.tolist(),
            block.mv.tolist(),
            block.temperature_c.tolist(),
            block.flags.tolist(),
            strict=True,
        )
        for row, (ms, mv, temperature_c, flags) in enumerate(rows, first_row):
            if state.last_ms is not None and ms - state.last_ms > self._max_gap_ms:
                self._forget()
            state.last_ms = ms
            names = list(flag_labels(flags)) if flags else []
            before_mv = state.repeated_mv
            names += self._electrode_faults(ms, mv, temperature_c)
            begins = [(ms, names[-1])] if names else []
            if not names:  # only a potential that may be true says where the level is
                self._note(self._against_level(ms, mv), names, begins)
            if not flags:
                self._note(self._against_temperature(ms, temperature_c), names, begins)
            if not (self._saw_resolution or before_mv is None or flags) and self._finer(abs(mv - before_mv)):
                state.step_mv = abs(mv - before_mv)
            if names:
                screened.counts[row] = False
                screened.labels.append((row, names))
                self._leave_out(ms, names[-1], begins)
            else:
                self._count(ms, begins)
            screened.disturbances.extend(begins)
            screened.noticed.extend([row] * len(begins))

    @staticmethod
    def _note(found: tuple[str, int | None], names: list[str], begins: list[tuple[int, str]]) -> None:
        name, moved_ms = found
        if name:
            names.append(name)
            if moved_ms is not None:
                begins.append((moved_ms, name))

    def _forget(self) -> None:
        """Forget what a long silence makes worthless."""
        state = self.state
        state.repeats = 0
        state.repeated_mv = None
        state.level_mv.clear()
        state.off_level.clear()
        state.off_temperature.clear()

    def _electrode_faults(self, ms: int, mv: float, temperature_c: float) -> list[str]:
        state = self.state
        if mv == state.repeated_mv:
            state.repeats += 1
            if state.repeats >= STUCK_READINGS and ms - state.repeated_since_ms >= self._stuck_ms:
                return ["stuck"]
        else:
            state.repeated_mv, state.repeats, state.repeated_since_ms = mv, 1, ms
            if not math.isfinite(mv):
                state.repeated_mv = None  # keeps the state storable
            if math.isnan(mv):
                return ["mv-not-measured"]
        faults = [] if MV_RANGE[0] <= mv <= MV_RANGE[1] else ["mv-out-of-range"]
        if self._open_circuit(mv, temperature_c):
            faults.append("open-circuit")
        return faults

    def _open_circuit(self, mv: float, temperature_c: float) -> bool:
        """Say whether no solution gives this potential; without a temperature nobody can."""
        if not TEMPERATURE_RANGE_C[0] <= temperature_c <= TEMPERATURE_RANGE_C[1]:
            return False
        ph = self._isopotential_ph + (self._isopotential_mv - mv) / (
            self._mv_per_ph_k * (temperature_c + ZERO_CELSIUS_K)
        )
        return not OPEN_CIRCUIT_PH[0] <= ph <= OPEN_CIRCUIT_PH[1]

    def _against_level(self, ms: int, mv: float) -> tuple[str, int | None]:
        """Hold a potential against the level; return a name, and when the level moved if it did."""
        state = self.state
        far_mv = self._distance_mv(mv)
        if len(state.level_mv) == LEVEL_READINGS and far_mv > self._smallest_spike_mv:
            known = len(state.distances_mv) >= FEWEST_DISTANCES
            if known and far_mv > SPIKE_DISTANCES * _middle(state.distances_mv):
                state.off_level.append((ms, mv))
                if len(state.off_level) < JUMP_READINGS:
                    return "spike", None
                moved_ms = state.off_level[0][0]
                state.level_mv = [value for _, value in state.off_level]
                state.off_level.clear()
                return "jump", moved_ms
        state.off_level.clear()
        if state.level_mv:
            state.distances_mv.append(far_mv)
            del state.distances_mv[:-DISTANCES]
        state.level_mv.append(mv)
        del state.level_mv[:-LEVEL_READINGS]
        return "", None

    def _distance_mv(self, mv: float) -> float:
        level = self.state.level_mv
        return abs(mv - _middle(level)) if level else 0.0

    def _against_temperature(self, ms: int, temperature_c: float) -> tuple[str, int | None]:
        """Hold a temperature against the last good one; return a name, and when it moved if it did."""
        state = self.state
        if not TEMPERATURE_RANGE_C[0] <= temperature_c <= TEMPERATURE_RANGE_C[1]:
            state.off_temperature.clear()
            missing = math.isnan(temperature_c)
            return ("temperature-not-measured" if missing else "temperature-out-of-range"), None
        if state.good_c is not None:
            allowed = TEMPERATURE_JUMP_C + TEMPERATURE_JUMP_C_PER_S * (ms - state.good_ms) / 1000.0
            if abs(temperature_c - state.good_c) > allowed:
                off = state.off_temperature
                off.append((ms, temperature_c))
                if len(off) < JUMP_READINGS:
                    return "temperature-jump", None
                values = [value for _, value in off]
                if max(values) - min(values) > TEMPERATURE_JUMP_C:
                    del off[0]
                    return "temperature-jump", None
                moved_ms = off[0][0]
                off.clear()
                state.good_c, state.good_ms = temperature_c, ms
                return "temperature-jump", moved_ms
        state.off_temperature.clear()
        state.good_c, state.good_ms = temperature_c, ms
        return "", None

    def _leave_out(self, ms: int, name: str, begins: list[tuple[int, str]]) -> None:
        state = self.state
        state.left_out.append(name)
        late = state.known_ms is not None and ms - state.known_ms > self._max_gap_ms
        if not begins and (late or len(state.left_out) > LONE_READINGS):
            begins.append((ms, name))
        if begins:
            state.known_ms = ms
        del state.left_out[: -LONE_READINGS - 1]

    def _count(self, ms: int, begins: list[tuple[int, str]]) -> None:
        state = self.state
        if state.left_out:
            if state.known_ms is not None and ms - state.known_ms > self._max_gap_ms:
                begins.append((ms - 1, state.left_out[-1]))
            state.left_out.clear()
        state.known_ms = ms

    # --- a stretch in one go -------------------------------------------------------------------

    def _nothing_happens(self, block: ReadingBlock) -> bool:
        """Take a stretch of which no rule can name any reading; False leaves the state as it was."""
        state = self.state
        if state.last_ms is None or state.good_c is None or len(state.level_mv) < LEVEL_READINGS:
            return False
        if state.left_out or state.off_level or state.off_temperature or block.flags.any():
            return False
        silent_ms = max(int(block.ms[0]) - state.last_ms, int(np.diff(block.ms).max()))
        return (
            silent_ms <= self._max_gap_ms
            and self._free_of_faults(block, state.good_c)
            and self._no_finer_step(block.mv)
            and self._free_of_spikes(block.mv)
            and self._take(block)
        )

    def _free_of_faults(self, block: ReadingBlock, good_c: float) -> bool:
        """Say whether the extremes rule out faults and jumps of temperature; NaN never does."""
        mv = float(block.mv.min()), float(block.mv.max())
        c = float(block.temperature_c.min()), float(block.temperature_c.max())
        return (
            MV_RANGE[0] <= mv[0] <= mv[1] <= MV_RANGE[1]
            and TEMPERATURE_RANGE_C[0] <= c[0] <= c[1] <= TEMPERATURE_RANGE_C[1]
            and max(c[1], good_c) - min(c[0], good_c) <= TEMPERATURE_JUMP_C
            # pH is monotonic in either, so the corners bound it.
            and not any(self._open_circuit(corner_mv, corner_c) for corner_mv in mv for corner_c in c)
        )

    def _no_finer_step(self, mv: Quantity) -> bool:
        """Say whether no change tells of a finer step than the one known."""
        if self._saw_resolution:
            return True
        changes_mv = np.abs(np.diff(mv, prepend=self.state.level_mv[-1]))
        changes_mv = changes_mv[changes_mv > DUST_MV]
        return not (len(changes_mv) and self._finer(float(changes_mv.min())))

    def _free_of_spikes(self, mv: Quantity) -> bool:
        """Hold every potential against the level and the noise before it, as one by one."""
        state = self.state
        spread_mv = max(float(mv.max()), *state.level_mv) - min(float(mv.min()), *state.level_mv)
        if spread_mv <= self._smallest_spike_mv:
            return True
        if len(state.distances_mv) < DISTANCES:
            return False
        far_mv = _distances(np.concatenate((state.level_mv, mv)))
        doubtful = far_mv > self._smallest_spike_mv
        if not doubtful.any():
            return True
        before = sliding_window_view(np.concatenate((state.distances_mv, far_mv[:-1])), DISTANCES)[doubtful]
        return bool(np.all(far_mv[doubtful] <= SPIKE_DISTANCES * _middles(before)))

    def _take(self, block: ReadingBlock) -> bool:
        """Follow a stretch without faults, unless its repeats make one stuck."""
        state = self.state
        ms, mv = block.ms, block.mv
        last = np.append(np.flatnonzero(np.diff(mv)), len(block) - 1)
        first = np.concatenate(([0], last[:-1] + 1))
        since_ms, repeats = ms[first], last - first + 1
        if float(mv[0]) == state.repeated_mv:
            since_ms[0] = state.repeated_since_ms
            repeats[0] += state.repeats
        if np.any((repeats >= STUCK_READINGS) & (ms[last] - since_ms >= self._stuck_ms)):
            return False
        state.repeated_mv, state.repeats = float(mv[-1]), int(repeats[-1])
        state.repeated_since_ms = int(since_ms[-1])
        newest = np.concatenate((state.level_mv, mv))[-DISTANCES - LEVEL_READINGS :]
        state.distances_mv = (state.distances_mv + _distances(newest).tolist())[-DISTANCES:]
        state.level_mv = mv[-LEVEL_READINGS:].tolist()
        state.good_c = float(block.temperature_c[-1])
        state.last_ms = state.good_ms = state.known_ms = int(ms[-1])
        return True


def _middle(values: list[float]) -> float:
    """Return the median, the upper one of an even number: a value itself, so no rounding."""
    return sorted(values)[len(values) // 2]


def _middles(rows: Quantity) -> Quantity:
    """Return the median of each row as `_middle` does, shape (n, m) to (n,)."""
    middle = rows.shape[1] // 2
    return np.asarray(np.partition(rows, middle, axis=1)[:, middle])


def _distances(mv: Quantity) -> Quantity:
    """Return how far each potential behind the first five lies from the median of the five before."""
    return np.asarray(np.abs(mv[LEVEL_READINGS:] - _middles(sliding_window_view(mv, LEVEL_READINGS)[:-1])))
