"""The detector of one cell: ten-second means in, episodes that open, change and close out.

1. Each block is compared with levels before it over four spans of time (`baseline`). A change larger
   than the cell's own wandering makes a *candidate*: the level before is held fast.
2. A candidate is scored against all rivals (`rivals`) until one leads clearly (`verdict`), the change is
   undone, or it is told as one nobody can explain. This and the comparison are the `sequential` test.
3. An open episode (`episodes`) keeps its level before. It closes when the change is undone, and is told
   again when its size, its diagnosis or its place changes. Later changes are compared with levels
   after it began.
4. Beside that, water that fits equilibrium with air from the first reading on is told as standing, and
   what makes readings no evidence at all (`faults`) is told at once.
"""

from collections.abc import Iterator, Mapping
from typing import Final

import numpy as np
from numpy.typing import NDArray

from quietcell.core.ingress import verdict
from quietcell.core.ingress.baseline import MINUTE_MS, Baseline, Level, jsonable, numbers
from quietcell.core.ingress.blocks import Averager, Block
from quietcell.core.ingress.comparison import Comparison, mean_level
from quietcell.core.ingress.episodes import STANDING, Episode, Episodes, rounded
from quietcell.core.ingress.event import EpisodeEvent, IngressSettings, Place
from quietcell.core.ingress.faults import Watch, log_pure
from quietcell.core.ingress.sequential import RECENT_BLOCKS, SUSPECT, SequentialTest
from quietcell.core.ingress.smallest import coarse, smallest_at
from quietcell.core.ingress.standing import held_against_air
from quietcell.core.readings import ReadingBlock
from quietcell.core.records import Json
from quietcell.core.water.speciation import PURE_WATER, solve_ph

SECOND_THOUGHTS: Final = {"co2-ingress": 3}
SECOND_THOUGHTS_ELSE: Final = 5
"""Minutes in a row that another cause must lead before an episode is renamed."""
STANDING_MINUTES: Final = (5, 10, 20, 30)
"""When water is held against air, minutes after the first reading."""
TEMPERATURE_C: Final = 3.0
"""A change of temperature within an hour that is told, if it moves pH."""
_BEGINS_TO_FLOW: Final = 10.0
"""So many times the flow before, and 0.1 mL/min, is no wavering of a pump: what stood is flushed out,"""
_FLUSHED_MIN, _STOOD_MIN = 10, 3
"""and is no water to compare with until fewer than three of the last ten minutes stood."""
BLIND_FALL: Final = 0.40
"""Fall of pH that carbon dioxide needs to be named by pH alone."""
_HELD: Final = ("undecided", "leak-or-junction", "two-causes", *verdict.EXPLAINED)


class Detector:
    """Judges one cell.

    Parameters
    ----------
    settings : IngressSettings
        What is known of the cell.

    Notes
    -----
    Call `see` with readings that count, then `tick` with every time up to which all of them have been
    given. Work is done once per ten seconds of segment time, whatever the blocks and ticks.
    """

    def __init__(self, settings: IngressSettings) -> None:
        self.settings = settings
        self._averager = Averager()
        self._by = Comparison(settings)
        self._baseline = Baseline()
        self._faults = Watch()
        self._episodes = Episodes(self._by)
        self._test = SequentialTest(self._by, self._baseline, self._episodes)
        self._minutes = 0
        """Minutes with readings so far."""

    # --- what the engine uses ------------------------------------------------------------------

    def see(self, block: ReadingBlock, ph: NDArray[np.float64]) -> None:
        """Take readings that count, with their pH, both on segment time; NaN is not measured."""
        if len(block):
            self._averager.add(block, ph)

    def tick(self, ms: int) -> list[EpisodeEvent]:
        """Let everything up to `ms` happen; returns what is to be told."""
        return [event for block in self._averager.complete(ms) for event in self._take(block)]

    def new_segment(self, shift_ms: int) -> None:
        """Move to the time of a segment whose zero lies `shift_ms` later."""
        self._averager.shift(shift_ms)
        self._baseline.shift(shift_ms)
        self._test.shift(shift_ms)
        self._episodes.shift(shift_ms)
        self._faults.shift(shift_ms)

    def keep_dates(self, ms: int) -> None:
        """Let open episodes have begun `ms` earlier, as UTC went on by that on its own."""
        self._episodes.keep_dates(ms)

    def forget_levels(self, ms: int) -> None:
        """Compare with later readings only: another sample, electrode or calibration from here on."""
        self._averager.drop()
        self._test.forget(ms)

    def new_sample(self, ms: int) -> None:
        """Begin anew behind `ms`: the electrode has been put into another water."""
        self.forget_levels(ms)
        self._episodes.open.clear()
        self._faults = Watch()
        self._minutes = 0

    def placed(self, number: int, ms: int, place: Place) -> EpisodeEvent | None:
        """Tell where an open episode comes in, because a test has shown it; None if that is no news."""
        for episode in self._episodes.open:
            if episode.number == number and episode.place != place:
                episode.place = place
                now = self._now_level() or episode.before
                return self._episodes.tell(episode, "updated", now, ms, self._test.recent)
        return None

    def told_again(self, number: int, ms: int, *, close: bool) -> EpisodeEvent | None:
        """Tell an episode again, or close it, because a person says so; None if it is not open."""
        for episode in self._episodes.open:
            if episode.number == number:
                now = self._now_level() or episode.before
                if close:
                    self._faults.accept(episode.kind)
                    return self._episodes.close(episode, now, ms)
                return self._episodes.tell(episode, "updated", now, ms, self._test.recent)
        return None

    @property
    def open_episodes(self) -> tuple[Episode, ...]:
        """The episodes that are open, oldest first."""
        return tuple(self._episodes.open)

    @property
    def smallest_co2_ug_per_l(self) -> float | None:
        """The smallest rise of total carbonate, µg/L as CO2, that would have been found by now.

        For gas that comes in at the sample point, where the sample age is known. None while there is
        nothing to compare with, or where no amount would be found.
        """
        i = next((i for i in (1, 0) if self._baseline.levels[i] is not None), None)
        level = None if i is None else self._baseline.levels[i]
        if i is None or level is None:
            return None
        blind = BLIND_FALL if self._by.alone(level) else None
        return smallest_at(coarse(level), coarse(self._baseline.spreads[i]), self.settings, blind)

    def state(self) -> dict[str, Json]:
        """Return all that the detector knows as JSON values."""
        course = self._by.course
        return {
            "averager": self._averager.as_json(),
            "baseline": self._baseline.as_json(),
            "faults": self._faults.as_json(),
            "episodes": self._episodes.as_json(),
            **self._test.as_json(),
            "water": None
            if course is None or self._by.water is None
            else [jsonable(self._by.water), course.centre_c],
            "minutes": self._minutes,
        }

    def restore(self, state: Mapping[str, Json]) -> None:
        """Go on from what `state` gave."""
        self._averager = Averager.from_json(state["averager"])
        self._baseline = Baseline.from_json(state["baseline"])
        self._faults = Watch.from_json(state["faults"])
        self._episodes.restore(state["episodes"])
        self._test = SequentialTest(self._by, self._baseline, self._episodes)
        self._test.restore(state)
        self._minutes = state["minutes"]
        if state["water"] is not None:
            water, centre_c = state["water"]
            self._by.centre(Level(*numbers(water)), centre_c)

    # --- block by block ------------------------------------------------------------------------

    def _take(self, raw: Block) -> Iterator[EpisodeEvent]:
        block = self._by.without_reference(raw)
        for kind, began_ms, ended in self._faults.take(raw):
            yield from self._fault(kind, began_ms, block, ended=ended)
        if self._faults.active:
            return  # what a dead sensor or standing water shows is no evidence
        if self._begins_to_flow(block):
            self._test.forget(block.end_ms)
        self._test.remember(block)
        minute_over = self._baseline.take(block)
        if minute_over:
            self._minutes += 1
            self._baseline.renew(block.end_ms)
            level = next((each for each in reversed(self._baseline.levels) if each is not None), None)
            self._by.follow(level, self._baseline.minutes[-1][3])
        if self._by.ready:
            yield from self._test.look(block, self._minutes, minute_over=minute_over)
        if minute_over:
            yield from self._standing(block.end_ms)
            yield from self._temperature(block.end_ms)
            yield from self._follow(block.end_ms)

    def _begins_to_flow(self, block: Block) -> bool:
        """Return whether water that stood is being flushed out; a stop of water that flowed is a fault."""
        stood_ml_min = block.flow_ml_min / _BEGINS_TO_FLOW
        if not stood_ml_min > 0.1:
            return False
        return sum(row[4] < stood_ml_min for row in self._baseline.minutes[-_FLUSHED_MIN:]) >= _STOOD_MIN

    def _now_level(self) -> Level | None:
        minutes = self._baseline.minutes
        return Level(*minutes[-1][1:]) if minutes else None

    # --- open episodes -------------------------------------------------------------------------

    def _follow(self, ms: int) -> Iterator[EpisodeEvent]:
        """See once a minute what became of the open episodes."""
        now = self._now_level()
        if now is None:
            return
        for episode in self.open_episodes:
            was_open = len(self._episodes.open)
            yield from self._episodes.follow(episode, now, ms, self._test.recent)
            if len(self._episodes.open) < was_open:
                gone = episode.spread.distance(*self._by.change(episode.before, now)) < SUSPECT
                self._test.rest(ms, again=episode.before if gone else None)
            else:
                yield from self._second_thoughts(episode, now, ms)

    def _second_thoughts(self, episode: Episode, now: Level, ms: int) -> Iterator[EpisodeEvent]:
        """Let later readings change a diagnosis while its beginning is still in sight."""
        in_sight = ms - episode.began_ms <= RECENT_BLOCKS * 10_000
        settled = ms - episode.opened_ms >= MINUTE_MS
        candid = episode.sequential and episode.diagnosis != "temperature"
        if not (in_sight and settled and candid) or self._test.candidate is not None:
            return
        before = episode.before
        way = self._episodes.way(episode, before.temperature_c)
        scores, told = self._test.judge(before, episode.spread, way, episode.began_ms, ms)
        episode.ratios = rounded(scores.ratio)
        diagnosis = verdict.diagnosis_of(told.favourite)
        unclear = told.favourite in _HELD or diagnosis == episode.diagnosis
        episode.other = 0 if unclear else episode.other + 1
        if episode.other >= SECOND_THOUGHTS.get(diagnosis, SECOND_THOUGHTS_ELSE):
            yield self._episodes.rename(episode, diagnosis, scores.ratio, now, ms, self._test.recent)

    # --- beside the sequential test ------------------------------------------------------------

    def _standing(self, ms: int) -> Iterator[EpisodeEvent]:
        """Hold the first minutes of water against equilibrium with air."""
        if self._minutes not in STANDING_MINUTES or self._episodes.open or self._test.candidate is not None:
            return
        rows = self._baseline.minutes[-5:]
        now = Level(*(sum(column) / len(rows) for column in zip(*(r[1:] for r in rows), strict=True)))
        alone = not self.settings.sees_same_water or self._by.alone(now)
        kappa = None if alone else self._by.conductivity(now)
        diagnosis = held_against_air(now.ph, kappa, now.temperature_c, self.settings)
        if diagnosis is None:
            return
        neutral = float(solve_ph(PURE_WATER, now.temperature_c))
        yield self._episodes.begin(
            diagnosis,
            now,
            ms,
            before=now._replace(ph=neutral, log_conductivity=log_pure(now.temperature_c)),
            spread=self._baseline.spreads[1],
            began_ms=self._baseline.minutes[0][0] - MINUTE_MS,
            kind=STANDING,
        )

    def _fault(self, kind: str, began_ms: int, block: Block, *, ended: bool) -> Iterator[EpisodeEvent]:
        """Tell of a fault that began or ended."""
        now = mean_level([block])
        known = next((each for each in self._episodes.open if each.kind == kind), None)
        if ended:
            if known is not None:
                yield self._episodes.close(known, now, block.end_ms)
            return
        self._test.candidate = None
        yield self._episodes.begin(
            "flow-stopped" if kind == "flow-stopped" else "sensor-fault",
            now,
            block.end_ms,
            before=next((each for each in self._baseline.levels if each is not None), now),
            spread=self._baseline.spreads[0],
            began_ms=began_ms,
            kind=kind,
        )

    def _temperature(self, ms: int) -> Iterator[EpisodeEvent]:
        """Tell of a temperature that moves pH by more than anyone overlooks."""
        before, now = self._baseline.levels[2] or self._baseline.levels[1], self._now_level()
        course = self._by.course
        if before is None or now is None or course is None:
            return
        ph, _ = course.between(before.temperature_c, now.temperature_c)
        told = any(each.diagnosis == "temperature" for each in self._episodes.open)
        small = abs(now.temperature_c - before.temperature_c) < TEMPERATURE_C or abs(ph) < verdict.LEAST_PH
        if told or small:
            return
        yield self._episodes.begin(
            "temperature",
            now,
            ms,
            before=before,
            spread=self._baseline.spreads[1],
            began_ms=ms - 5 * MINUTE_MS,
        )
