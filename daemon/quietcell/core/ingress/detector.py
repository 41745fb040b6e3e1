"""The detector of one cell: ten-second means in, episodes that open, change and close out.

1. Each block is compared with levels before it over four spans of time (`baseline`). A change larger
   than the cell's own wandering makes a *candidate*: the level before is held fast.
2. A candidate is scored against all rivals (`rivals`) until one leads clearly (`verdict`), the change is
   undone, or it is told as one nobody can explain.
3. An open episode (`episodes`) keeps its level before. It closes when the change is undone, and is told
   again when its size, its diagnosis or its place changes. Later changes are compared with levels
   after it began.
4. Beside that, water that fits equilibrium with air from the first reading on is told as standing, and
   what makes readings no evidence at all (`faults`) is told at once.
"""

import math
from collections.abc import Iterator, Mapping
from typing import Final

import numpy as np
from numpy.typing import NDArray

from quietcell.core.ingress import verdict
from quietcell.core.ingress.baseline import (
    MINUTE_MS,
    SPANS,
    Baseline,
    Level,
    Spread,
    jsonable,
    numbers,
)
from quietcell.core.ingress.blocks import Averager, Block
from quietcell.core.ingress.candidate import Candidate
from quietcell.core.ingress.comparison import Comparison, mean_level
from quietcell.core.ingress.episodes import STANDING, Episode, Episodes, rounded
from quietcell.core.ingress.event import EpisodeEvent, IngressSettings, Place
from quietcell.core.ingress.evidence import Paths
from quietcell.core.ingress.faults import Watch, log_pure
from quietcell.core.ingress.rivals import Scores, score, score_ph_alone
from quietcell.core.ingress.smallest import coarse, smallest_at
from quietcell.core.ingress.standing import held_against_air
from quietcell.core.readings import ReadingBlock
from quietcell.core.records import Json
from quietcell.core.water.speciation import PURE_WATER, solve_ph

SUSPECT: Final = 25.0
"""Squared distance from the level before, in learnt spreads, that makes a candidate."""
QUIET: Final = 9.0
QUIET_BLOCKS: Final = 12
"""Nearer than this, for so many blocks, a change counts as undone."""
RECENT_BLOCKS: Final = 240
"""Forty minutes: the stretch rivals are scored on; no older block is looked at."""
SELDOM_MS: Final = 1_200_000
"""After so long a candidate is scored once a minute only."""
GIVEN_UP_MS: Final = 10_800_000
"""A candidate that stays below telling for so long becomes the level to compare with."""
TAIL_MS: Final = 900_000
"""So long after an episode opened, slow electrodes and flushing cells still follow what it was told for."""
HOLE_MS: Final = 600_000
"""A candidate does not outlive a longer silence."""
SECOND_THOUGHTS: Final = {"co2-ingress": 3}
SECOND_THOUGHTS_ELSE: Final = 5
"""Minutes in a row that another cause must lead before an episode is renamed."""
STANDING_MINUTES: Final = (5, 10, 20, 30)
"""When water is held against air, minutes after the first reading."""
TEMPERATURE_C: Final = 3.0
"""A change of temperature within an hour that is told, if it moves pH."""
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
        self._recent: list[Block] = []
        self._candidate: Candidate | None = None
        self._again: Level | None = None
        """Level the water went back to when an episode closed, until there is a newer one: what comes and
        goes comes again."""
        self._minutes = 0
        """Minutes with readings so far."""
        self._suspicious = 0
        """Blocks in a row that looked suspicious."""

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
        self._recent = [b._replace(end_ms=b.end_ms - shift_ms) for b in self._recent]
        self._episodes.shift(shift_ms)
        self._faults.shift(shift_ms)
        if self._candidate is not None:
            self._candidate = self._candidate.moved(shift_ms)

    def forget_levels(self, ms: int) -> None:
        """Compare with later readings only: another sample, electrode or calibration from here on."""
        self._averager.drop()
        self._baseline.forget(ms)
        self._recent, self._candidate, self._again = [], None, None

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
                return self._episodes.tell(episode, "updated", now, ms, self._recent)
        return None

    def told_again(self, number: int, ms: int, *, close: bool) -> EpisodeEvent | None:
        """Tell an episode again, or close it, because a person says so; None if it is not open."""
        for episode in self._episodes.open:
            if episode.number == number:
                now = self._now_level() or episode.before
                if close:
                    self._faults.accept(episode.kind)
                    return self._episodes.close(episode, now, ms)
                return self._episodes.tell(episode, "updated", now, ms, self._recent)
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
        c, course = self._candidate, self._by.course
        return {
            "averager": self._averager.as_json(),
            "baseline": self._baseline.as_json(),
            "faults": self._faults.as_json(),
            "episodes": self._episodes.as_json(),
            # What nothing looks at again is left out: what is older, and the scatter within a block.
            "recent": [jsonable(each[:-1]) for each in self._recent[-RECENT_BLOCKS:]],
            "candidate": None if c is None else c.as_json(),
            "again": None if self._again is None else jsonable(self._again),
            "water": None
            if course is None or self._by.water is None
            else [jsonable(self._by.water), course.centre_c],
            "minutes": self._minutes,
            "suspicious": self._suspicious,
        }

    def restore(self, state: Mapping[str, Json]) -> None:
        """Go on from what `state` gave."""
        self._averager = Averager.from_json(state["averager"])
        self._baseline = Baseline.from_json(state["baseline"])
        self._faults = Watch.from_json(state["faults"])
        self._episodes.restore(state["episodes"])
        self._recent = [Block(row[0], *numbers([*row[1:7], None])) for row in state["recent"]]
        self._minutes, self._suspicious = state["minutes"], state["suspicious"]
        c, again = state["candidate"], state["again"]
        self._again = None if again is None else Level(*numbers(again))
        self._candidate = None if c is None else Candidate.from_json(c)
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
        self._remember(block)
        minute_over = self._baseline.take(block)
        if minute_over:
            self._minutes += 1
            self._baseline.renew(block.end_ms)
            level = next((each for each in reversed(self._baseline.levels) if each is not None), None)
            self._by.follow(level, self._baseline.minutes[-1][3])
        if self._by.ready:
            if self._candidate is None:
                self._compare(block, minute_over=minute_over)
            if self._candidate is not None:
                yield from self._sequential(self._candidate, block.end_ms, minute_over=minute_over)
        if minute_over:
            yield from self._standing(block.end_ms)
            yield from self._temperature(block.end_ms)
            yield from self._follow(block.end_ms)

    def _remember(self, block: Block) -> None:
        if self._recent and block.end_ms - self._recent[-1].end_ms > HOLE_MS:
            self._candidate = None
        self._recent.append(block)
        if len(self._recent) > 2 * RECENT_BLOCKS:
            self._recent = self._recent[-RECENT_BLOCKS:]

    def _now_level(self) -> Level | None:
        minutes = self._baseline.minutes
        return Level(*minutes[-1][1:]) if minutes else None

    # --- the sequential test -------------------------------------------------------------------

    def _sequential(self, candidate: Candidate, ms: int, *, minute_over: bool) -> Iterator[EpisodeEvent]:
        if minute_over or ms - candidate.started_ms <= SELDOM_MS:
            yield from self._watch(candidate, ms)

    def _compare(self, block: Block, *, minute_over: bool) -> None:
        """Hold the newest readings against the levels before them; makes a candidate."""
        base = self._baseline
        now = Level(*block[1:5])
        found: list[tuple[float, int]] = []
        for i, span in enumerate(SPANS if minute_over else SPANS[:1]):
            before = self._before(i)
            if before is None:
                continue
            if span.every_min > 1 and self._minutes % span.every_min:
                continue
            recent = base.recent(block.end_ms, span) if i else now
            if recent is None:
                continue
            ph, log = self._by.change(before, recent)
            distance = base.learn(i, ph, log)
            if distance > SUSPECT:
                found.append((distance, i))
        if not found:
            self._suspicious = 0
            return
        self._suspicious = self._suspicious + 1 if found[0][1] == 0 else 0
        if self._suspicious == 1 and len(found) == 1:
            return  # one block alone may be a splash
        i = max(found)[1]
        before = self._before(i)
        if before is not None:
            spread = base.spreads[i]
            self._suspicious = 0
            self._candidate = Candidate(
                before=before,
                spread=spread,
                began_ms=self._change_ms(before, spread),
                started_ms=block.end_ms,
            )

    def _before(self, i: int) -> Level | None:
        """Return the level a span compares with."""
        known = self._baseline.levels[i]
        return self._again if known is None and i == 0 else known

    def _change_ms(self, before: Level, spread: Spread) -> int:
        """Return the last time at which the level before still held."""
        rows = self._recent[-RECENT_BLOCKS:]
        for i in range(len(rows) - 1, 1, -1):
            if spread.distance(*self._by.change(before, mean_level(rows[i - 2 : i + 1]))) < 4.0:
                return rows[i].end_ms
        first_ms = rows[0].end_ms
        for end_ms, *values in reversed(self._baseline.minutes):
            if end_ms < first_ms and spread.distance(*self._by.change(before, Level(*values))) < 4.0:
                return end_ms
        return first_ms - 10_000

    def _watch(self, candidate: Candidate, ms: int) -> Iterator[EpisodeEvent]:
        """Score a candidate and tell it once a cause leads clearly."""
        now = mean_level(self._recent[-3:])
        distance = candidate.spread.distance(*self._by.change(candidate.before, now))
        candidate.quiet = candidate.quiet + 1 if distance < QUIET else 0
        if candidate.quiet >= QUIET_BLOCKS or self._episodes.undoes(now):
            self._candidate = None
            return
        if candidate.quiet:
            return
        if candidate.way is None:
            candidate.way = self._by.way(candidate.before)
        scores = self._scores(candidate.before, candidate.spread, candidate.way, candidate.began_ms, ms)
        told = verdict.judge(scores, self.settings, alone=math.isnan(scores.change[1]))
        candidate.looks = candidate.looks + 1 if told.favourite == candidate.favourite else 1
        candidate.favourite = told.favourite
        waited_ms = ms - candidate.started_ms
        if candidate.looks >= told.needs_looks and waited_ms >= told.needs_ms:
            if told.favourite in verdict.EXPLAINED or self._tail(ms):
                self._rest(ms)
                return
            if verdict.worth_telling(told, scores):
                yield self._open(candidate, told.favourite, scores, now, ms)
                self._rest(ms)
                return
        if waited_ms > GIVEN_UP_MS:
            self._rest(ms)

    def _tail(self, ms: int) -> bool:
        """Return whether all that changed since an episode began is still what it was told for."""
        for episode in self._episodes.open:
            if episode.dissolves and ms - episode.opened_ms <= TAIL_MS:
                way = self._episodes.way(episode, episode.before.temperature_c)
                scores = self._scores(episode.before, episode.spread, way, episode.began_ms, ms)
                told = verdict.judge(scores, self.settings, alone=math.isnan(scores.change[1]))
                if verdict.diagnosis_of(told.favourite) == episode.diagnosis:
                    return True
        return False

    def _scores(self, before: Level, spread: Spread, way: Paths, began_ms: int, ms: int) -> Scores:
        stretch = self._by.stretch(self._recent[-RECENT_BLOCKS:], before, began_ms)
        if self._by.alone(before) or math.isnan(stretch.log[-1]):
            minutes = (ms - began_ms) / MINUTE_MS
            # Water that was no pure water before an open episode has not become it by that.
            waters = [before, *(each.before for each in self._episodes.open if each.sequential)]
            plausible = all(_pure_enough(each) for each in waters)
            return score_ph_alone(stretch, spread, way, minutes=minutes, plausible=plausible)
        return score(stretch, spread, way, self.settings)

    def _rest(self, ms: int) -> None:
        """Let what is now be the level to compare with."""
        self._candidate = self._again = None
        self._baseline.forget(ms)

    def _open(
        self, candidate: Candidate, favourite: str, scores: Scores, now: Level, ms: int
    ) -> EpisodeEvent:
        diagnosis = verdict.diagnosis_of(favourite)
        known = self._episodes.further(diagnosis, ms)
        if known is not None:
            known.peak = max(known.peak, self._episodes.left(known, now))
            return self._episodes.tell(known, "updated", now, ms, self._recent)
        return self._episodes.begin(
            diagnosis,
            now,
            ms,
            before=candidate.before,
            spread=candidate.spread,
            began_ms=candidate.began_ms,
            kind="leak-or-junction" if favourite == "leak-or-junction" else "",
            ratios=scores.ratio,
            recent=self._recent,
        )

    # --- open episodes -------------------------------------------------------------------------

    def _follow(self, ms: int) -> Iterator[EpisodeEvent]:
        """See once a minute what became of the open episodes."""
        now = self._now_level()
        if now is None:
            return
        for episode in self.open_episodes:
            was_open = len(self._episodes.open)
            yield from self._episodes.follow(episode, now, ms, self._recent)
            if len(self._episodes.open) < was_open:
                self._rest(ms)
                if episode.spread.distance(*self._by.change(episode.before, now)) < SUSPECT:
                    self._again = episode.before
            else:
                yield from self._second_thoughts(episode, now, ms)

    def _second_thoughts(self, episode: Episode, now: Level, ms: int) -> Iterator[EpisodeEvent]:
        """Let later readings change a diagnosis while its beginning is still in sight."""
        in_sight = ms - episode.began_ms <= RECENT_BLOCKS * 10_000
        settled = ms - episode.opened_ms >= MINUTE_MS
        candid = episode.sequential and episode.diagnosis != "temperature"
        if not (in_sight and settled and candid) or self._candidate is not None:
            return
        before = episode.before
        way = self._episodes.way(episode, before.temperature_c)
        scores = self._scores(before, episode.spread, way, episode.began_ms, ms)
        told = verdict.judge(scores, self.settings, alone=math.isnan(scores.change[1]))
        episode.ratios = rounded(scores.ratio)
        diagnosis = verdict.diagnosis_of(told.favourite)
        unclear = told.favourite in _HELD or diagnosis == episode.diagnosis
        episode.other = 0 if unclear else episode.other + 1
        if episode.other >= SECOND_THOUGHTS.get(diagnosis, SECOND_THOUGHTS_ELSE):
            yield self._episodes.rename(episode, diagnosis, scores.ratio, now, ms, self._recent)

    # --- beside the sequential test ------------------------------------------------------------

    def _standing(self, ms: int) -> Iterator[EpisodeEvent]:
        """Hold the first minutes of water against equilibrium with air."""
        if self._minutes not in STANDING_MINUTES or self._episodes.open or self._candidate is not None:
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
        self._candidate = None
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


def _pure_enough(before: Level) -> bool:
    """Return whether water of this pH may be pure: between air's carbonic acid and a little alkali."""
    neutral = float(solve_ph(PURE_WATER, min(max(before.temperature_c, 0.0), 100.0)))
    return neutral - 1.0 < before.ph < neutral + 0.4
