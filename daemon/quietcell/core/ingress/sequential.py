"""The sequential test of a cell: a change is held against all rivals until one leads, or it is undone."""

import math
from collections.abc import Iterator, Mapping
from typing import Final

from quietcell.core.ingress import verdict
from quietcell.core.ingress.baseline import MINUTE_MS, SPANS, Baseline, Level, Spread, jsonable, numbers
from quietcell.core.ingress.blocks import Block
from quietcell.core.ingress.candidate import Candidate
from quietcell.core.ingress.comparison import Comparison, mean_level
from quietcell.core.ingress.episodes import Episodes
from quietcell.core.ingress.event import EpisodeEvent
from quietcell.core.ingress.evidence import Paths
from quietcell.core.ingress.rivals import Scores, score, score_ph_alone
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


class SequentialTest:
    """Tests one cell.

    Parameters
    ----------
    comparison : Comparison
        How levels are compared.
    baseline : Baseline
        The levels before.
    episodes : Episodes
        Where what is told is opened, and what changes are held against that have a cause already.
    """

    def __init__(self, comparison: Comparison, baseline: Baseline, episodes: Episodes) -> None:
        self._by = comparison
        self._baseline = baseline
        self._episodes = episodes
        self.recent: list[Block] = []
        """The newest blocks, what rivals are scored on."""
        self.candidate: Candidate | None = None
        self._again: Level | None = None
        """Level the water went back to when an episode closed, until there is a newer one: what comes and
        goes comes again."""
        self._suspicious = 0
        """Blocks in a row that looked suspicious."""

    def remember(self, block: Block) -> None:
        """Take note of a block that is evidence."""
        if self.recent and block.end_ms - self.recent[-1].end_ms > HOLE_MS:
            self.candidate = None
        self.recent.append(block)
        if len(self.recent) > 2 * RECENT_BLOCKS:
            self.recent = self.recent[-RECENT_BLOCKS:]

    def look(self, block: Block, minutes: int, *, minute_over: bool) -> Iterator[EpisodeEvent]:
        """Watch the candidate, or look for one in the newest block, `minutes` with readings behind it."""
        if self.candidate is None:
            self._compare(block, minutes, minute_over=minute_over)
        candidate, ms = self.candidate, block.end_ms
        if candidate is not None and (minute_over or ms - candidate.started_ms <= SELDOM_MS):
            yield from self._watch(candidate, ms)

    def rest(self, ms: int, again: Level | None = None) -> None:
        """Let what is now be the level to compare with; until it is known, `again`."""
        self.candidate, self._again = None, again
        self._baseline.forget(ms)

    def forget(self, ms: int) -> None:
        """Compare with what comes behind `ms` only."""
        self.rest(ms)
        self.recent = []

    def shift(self, ms: int) -> None:
        """Move to the time of a segment whose zero lies `ms` later."""
        self.recent = [b._replace(end_ms=b.end_ms - ms) for b in self.recent]
        if self.candidate is not None:
            self.candidate = self.candidate.moved(ms)

    def judge(
        self, before: Level, spread: Spread, way: Paths, began_ms: int, ms: int
    ) -> tuple[Scores, verdict.Verdict]:
        """Score all rivals for the change since `began_ms` and return what that says."""
        stretch = self._by.stretch(self.recent[-RECENT_BLOCKS:], before, began_ms)
        if self._by.alone(before) or math.isnan(stretch.log[-1]):
            minutes = (ms - began_ms) / MINUTE_MS
            # Water that was no pure water before an open episode has not become it by that.
            waters = [before, *(each.before for each in self._episodes.open if each.sequential)]
            plausible = all(_pure_enough(each) for each in waters)
            scores = score_ph_alone(stretch, spread, way, minutes=minutes, plausible=plausible)
        else:
            scores = score(stretch, spread, way, self._by.settings)
        return scores, verdict.judge(scores, self._by.settings, alone=math.isnan(scores.change[1]))

    def as_json(self) -> dict[str, Json]:
        """Return all as JSON values."""
        return {
            # What nothing looks at again is left out: what is older, and the scatter within a block.
            "recent": [jsonable(each[:-1]) for each in self.recent[-RECENT_BLOCKS:]],
            "candidate": None if self.candidate is None else self.candidate.as_json(),
            "again": None if self._again is None else jsonable(self._again),
            "suspicious": self._suspicious,
        }

    def restore(self, plain: Mapping[str, Json]) -> None:
        """Go on from what `as_json` gave."""
        self.recent = [Block(row[0], *numbers([*row[1:7], None])) for row in plain["recent"]]
        candidate, again = plain["candidate"], plain["again"]
        self.candidate = None if candidate is None else Candidate.from_json(candidate)
        self._again = None if again is None else Level(*numbers(again))
        self._suspicious = plain["suspicious"]

    # --- finding a change ----------------------------------------------------------------------

    def _compare(self, block: Block, minutes: int, *, minute_over: bool) -> None:
        """Hold the newest readings against the levels before them; makes a candidate."""
        base = self._baseline
        now = Level(*block[1:5])
        found: list[tuple[float, int]] = []
        for i, span in enumerate(SPANS if minute_over else SPANS[:1]):
            before = self._before(i)
            if before is None:
                continue
            if span.every_min > 1 and minutes % span.every_min:
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
            self.candidate = Candidate(
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
        rows = self.recent[-RECENT_BLOCKS:]
        for i in range(len(rows) - 1, 1, -1):
            if spread.distance(*self._by.change(before, mean_level(rows[i - 2 : i + 1]))) < 4.0:
                return rows[i].end_ms
        first_ms = rows[0].end_ms
        for end_ms, *values in reversed(self._baseline.minutes):
            if end_ms < first_ms and spread.distance(*self._by.change(before, Level(*values))) < 4.0:
                return end_ms
        return first_ms - 10_000

    # --- watching it ---------------------------------------------------------------------------

    def _watch(self, candidate: Candidate, ms: int) -> Iterator[EpisodeEvent]:
        """Score a candidate and tell it once a cause leads clearly."""
        now = mean_level(self.recent[-3:])
        distance = candidate.spread.distance(*self._by.change(candidate.before, now))
        candidate.quiet = candidate.quiet + 1 if distance < QUIET else 0
        if candidate.quiet >= QUIET_BLOCKS or self._episodes.undoes(now):
            self.candidate = None
            return
        if candidate.quiet:
            return
        if candidate.way is None:
            candidate.way = self._by.way(candidate.before)
        scores, told = self.judge(candidate.before, candidate.spread, candidate.way, candidate.began_ms, ms)
        candidate.looks = candidate.looks + 1 if told.favourite == candidate.favourite else 1
        candidate.favourite = told.favourite
        waited_ms = ms - candidate.started_ms
        if candidate.looks >= told.needs_looks and waited_ms >= told.needs_ms:
            if told.favourite in verdict.EXPLAINED or self._tail(ms):
                self.rest(ms)
                return
            if verdict.worth_telling(told, scores):
                yield self._open(candidate, told.favourite, scores, now, ms)
                self.rest(ms)
                return
        if waited_ms > GIVEN_UP_MS:
            self.rest(ms)

    def _tail(self, ms: int) -> bool:
        """Return whether all that changed since an episode began is still what it was told for."""
        for episode in self._episodes.open:
            if episode.dissolves and ms - episode.opened_ms <= TAIL_MS:
                way = self._episodes.way(episode, episode.before.temperature_c)
                _, told = self.judge(episode.before, episode.spread, way, episode.began_ms, ms)
                if verdict.diagnosis_of(told.favourite) == episode.diagnosis:
                    return True
        return False

    def _open(
        self, candidate: Candidate, favourite: str, scores: Scores, now: Level, ms: int
    ) -> EpisodeEvent:
        diagnosis = verdict.diagnosis_of(favourite)
        known = self._episodes.further(diagnosis, ms)
        if known is not None:
            self._episodes.measure(known, now)
            return self._episodes.tell(known, "updated", now, ms, self.recent)
        return self._episodes.begin(
            diagnosis,
            now,
            ms,
            before=candidate.before,
            spread=candidate.spread,
            began_ms=candidate.began_ms,
            kind="leak-or-junction" if favourite == "leak-or-junction" else "",
            ratios=scores.ratio,
            recent=self.recent,
        )


def _pure_enough(before: Level) -> bool:
    """Return whether water of this pH may be pure: between air's carbonic acid and a little alkali."""
    neutral = float(solve_ph(PURE_WATER, min(max(before.temperature_c, 0.0), 100.0)))
    return neutral - 1.0 < before.ph < neutral + 0.4
