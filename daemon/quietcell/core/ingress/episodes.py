"""The open episodes of a cell: opened, followed once a minute, told again, placed, closed."""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from quietcell.core.ingress.baseline import MINUTE_MS, Level, Spread, jsonable, numbers
from quietcell.core.ingress.blocks import Block
from quietcell.core.ingress.comparison import Comparison, mean_level
from quietcell.core.ingress.event import Diagnosis, EpisodeEvent, Place, State
from quietcell.core.ingress.evidence import Paths, Sizes, air_share, sizes
from quietcell.core.ingress.faults import FAULTS
from quietcell.core.ingress.place import placed_by_flow
from quietcell.core.records import Json

UNDONE: Final = 0.35
UNDONE_LOOKS: Final = 3
"""An episode closes once so little of its peak is left, for so many minutes."""
SHOWN: Final = 0.5
"""Conductivity that showed this share of the carbon dioxide that pH did must lose as great a share of what pH
loses: what leaves the water takes its ions along, an electrode that fails doesn't."""
SHOWN_LOG: Final = 0.04
"""Acid and base it showed from this change of ln conductivity on; smaller ones are nobody's business."""
GROWN: Final = {"co2-ingress": 1.3}
GROWN_ELSE: Final = 1.6
"""It is told again when its size has changed by this factor,"""
SETTLED: Final = 1.1
SETTLED_MS: Final = 600_000
"""and carbon dioxide by this one if nothing was told for so long."""
SAME_CAUSE_MS: Final = 7_200_000
"""A change nobody can explain belongs to what began less than this before."""
STANDING: Final = "standing"
_CHEMICAL: Final = ("co2-ingress", "acidic-ingress", "base-ingress")
_PH_SIDE: Final = ("junction-drift", "electrical-step", "streaming")
_SAME_WATER_C: Final = 3.0
"""Paths are found anew when the water is so much warmer or colder."""
_POINTS: Final = 15
_AGO: Final = (2, 5)
"""Blocks, from the newest back, that a change is followed from: half a minute ago in the mean."""
_ELECTRODE_LAG, _CELL_LAG = 45.0 / 30.0, 20.0 / 30.0
"""In half minutes, how long a slow electrode lags, and a conductivity cell with its line (common practice, no
source): so far the water may be ahead, the way they move and never behind."""


@dataclass(slots=True, kw_only=True)
class Episode:
    """What an open episode is compared with, and what was told of it."""

    number: int
    diagnosis: Diagnosis
    place: Place
    kind: str = ""
    """``standing``: there from the first second; ``leak-or-junction``; a kind of fault."""
    began_ms: int
    opened_ms: int
    flagged_ms: int
    before: Level
    """What it is compared with."""
    spread: Spread
    """Of a change without cause."""
    ratios: dict[str, float]
    peak: float = 0.0
    """Largest size so far: µg/L of CO2, pH, ln conductivity, or spreads."""
    shown: list[float] = field(default_factory=list)
    """Largest sizes so far by pH and by conductivity: µg/L of CO2, else pH and ln conductivity; empty where
    only one of them tells."""
    told: float = 0.0
    """Size when it was last told of."""
    told_ms: int = 0
    undone: int = 0
    """Minutes in a row that found it gone."""
    other: int = 0
    """Minutes in a row that favoured another diagnosis."""
    points: list[tuple[float, float]] = field(default_factory=list)
    """Per minute ln flow and ln size, of carbon dioxide."""

    @property
    def sequential(self) -> bool:
        """Whether it is a change against a level before."""
        return self.kind != STANDING and self.kind not in FAULTS

    @property
    def of_gas(self) -> bool:
        """Whether its size is one of carbon dioxide."""
        return self.diagnosis == "co2-ingress" or self.kind == STANDING

    @property
    def dissolves(self) -> bool:
        """Whether it is a change of the water by what comes into it."""
        return self.sequential and self.diagnosis in _CHEMICAL

    def moved(self, ms: int) -> "Episode":
        """Return the episode on the time of a segment whose zero lies `ms` later."""
        return replace(
            self,
            began_ms=self.began_ms - ms,
            opened_ms=self.opened_ms - ms,
            flagged_ms=self.flagged_ms - ms,
            told_ms=self.told_ms - ms,
        )

    def as_json(self) -> dict[str, Json]:
        """Return the episode as JSON values."""
        plain = {name: getattr(self, name) for name in self.__dataclass_fields__}
        plain["before"], plain["spread"] = jsonable(self.before), list(self.spread)
        return {**plain, "ratios": dict(self.ratios), "points": [list(one) for one in self.points]}

    @classmethod
    def from_json(cls, plain: dict[str, Json]) -> "Episode":
        """Rebuild an episode from what `as_json` gave."""
        return cls(
            **{
                **plain,
                "before": Level(*numbers(plain["before"])),
                "spread": Spread(*plain["spread"]),
                "ratios": dict(plain["ratios"]),
                "points": [(one[0], one[1]) for one in plain["points"]],
            }
        )


class Episodes:
    """Keeps the open episodes of one cell.

    Parameters
    ----------
    comparison : Comparison
        How levels are compared.
    """

    def __init__(self, comparison: Comparison) -> None:
        self._by = comparison
        self.open: list[Episode] = []
        self.told = 0
        """Episodes so far."""
        self._ways: dict[int, Paths] = {}

    # --- beginning and end ---------------------------------------------------------------------

    def begin(
        self,
        diagnosis: Diagnosis,
        now: Level,
        ms: int,
        *,
        before: Level,
        spread: Spread,
        began_ms: int,
        kind: str = "",
        ratios: Mapping[str, float] | None = None,
        recent: Sequence[Block] = (),
    ) -> EpisodeEvent:
        """Open an episode."""
        seen_upstream = self._by.settings.conductivity_position in ("upstream", "separate-portion")
        placed = diagnosis in _CHEMICAL and seen_upstream and not self._by.alone(before)
        self.told += 1
        episode = Episode(
            number=self.told,
            diagnosis=diagnosis,
            place="upstream" if placed and kind != STANDING else "unlocated",
            kind=kind,
            began_ms=began_ms,
            opened_ms=ms,
            flagged_ms=ms,
            before=before,
            spread=spread,
            ratios=rounded(ratios or {}),
        )
        self.measure(episode, now)
        self.open.append(episode)
        return self.tell(episode, "opened", now, ms, recent)

    def close(self, episode: Episode, now: Level, ms: int) -> EpisodeEvent:
        """Close an episode."""
        self.open.remove(episode)
        event = self.tell(episode, "closed", now, ms, ())
        self._ways.pop(episode.number, None)
        return event

    def further(self, diagnosis: Diagnosis, ms: int) -> Episode | None:
        """Return the open episode that a further change with this diagnosis belongs to."""
        for episode in reversed(self.open):
            if not episode.sequential:
                continue
            more = {episode.diagnosis, diagnosis} == {"co2-ingress", "acidic-ingress"}
            late = diagnosis == "cannot-tell" and ms - episode.opened_ms < SAME_CAUSE_MS
            if episode.diagnosis == diagnosis or more or late:
                return episode
        return None

    def undoes(self, now: Level) -> bool:
        """Return whether `now` is about the level before an open episode."""
        return any(each.sequential and self._gone(each, now, self.left(each, now)) for each in self.open)

    def shift(self, ms: int) -> None:
        """Move to the time of a segment whose zero lies `ms` later."""
        self.open = [each.moved(ms) for each in self.open]

    def keep_dates(self, ms: int) -> None:
        """Let those that are open have begun and been flagged `ms` earlier."""
        for each in self.open:
            each.began_ms -= ms
            each.flagged_ms -= ms

    # --- minute by minute ----------------------------------------------------------------------

    def follow(
        self, episode: Episode, now: Level, ms: int, recent: Sequence[Block]
    ) -> Iterator[EpisodeEvent]:
        """See what became of an open episode; closes it, or tells it again."""
        if ms - episode.opened_ms < MINUTE_MS or episode.kind in FAULTS:
            return  # `faults` says when those are over
        left = self.measure(episode, now)
        episode.undone = episode.undone + 1 if self._gone(episode, now, left) else 0
        if episode.undone >= UNDONE_LOOKS:
            yield self.close(episode, now, ms)
            return
        placed = self._place(episode, now, left)
        grown = GROWN.get(episode.diagnosis, GROWN_ELSE)
        since_ms = ms - episode.told_ms
        if episode.diagnosis == "co2-ingress" and since_ms >= SETTLED_MS:
            grown = SETTLED
        least = max(min(left, episode.told), UNDONE * episode.peak)  # smaller sizes differ by noise alone
        changed = max(left, episode.told) > grown * least
        if placed or (since_ms >= 2 * MINUTE_MS and changed):
            yield self.tell(episode, "updated", now, ms, recent)

    def rename(
        self,
        episode: Episode,
        diagnosis: Diagnosis,
        ratios: Mapping[str, float],
        now: Level,
        ms: int,
        recent: Sequence[Block],
    ) -> EpisodeEvent:
        """Give an episode another diagnosis."""
        episode.diagnosis, episode.kind, episode.other = diagnosis, "", 0
        episode.flagged_ms, episode.ratios = ms, rounded(ratios)
        episode.peak, episode.shown = 0.0, []
        self.measure(episode, now)
        return self.tell(episode, "updated", now, ms, recent)

    def _place(self, episode: Episode, now: Level, left: float) -> bool:
        """Place carbon dioxide by a step of the flow; returns whether its place is news."""
        if not episode.of_gas or not now.flow_ml_min > 0.0 or not left > 0.0:
            return False
        episode.points = [*episode.points[-_POINTS + 1 :], (math.log(now.flow_ml_min), math.log(left))]
        place = placed_by_flow(episode.points) or episode.place
        if place == episode.place:
            return False
        episode.place = place
        if place == "sample-path" and episode.kind == STANDING and episode.diagnosis == "cannot-tell":
            episode.diagnosis = "co2-ingress"
        return True

    def measure(self, episode: Episode, now: Level) -> float:
        """Return what is left of an episode, and keep the most there was."""
        left, each = self.left(episode, now), self._by_each(episode, now)
        episode.peak = max(episode.peak, left)
        if each:
            most = episode.shown or each
            episode.shown = [max(pair) for pair in zip(most, each, strict=True)]
        return left

    def _gone(self, episode: Episode, now: Level, left: float) -> bool:
        """Return whether an episode is undone, by conductivity too where that showed it."""
        if left >= UNDONE * episode.peak:
            return False
        each = self._by_each(episode, now)
        if not (each and episode.shown):
            return True
        (ph, kappa), (most_ph, most_kappa) = each, episode.shown
        if episode.of_gas:
            return most_kappa < SHOWN * most_ph or most_kappa - kappa >= SHOWN * (most_ph - ph)
        return most_kappa < SHOWN_LOG or 1.0 - kappa / most_kappa >= SHOWN * (1.0 - ph / most_ph)

    def _by_each(self, episode: Episode, now: Level) -> list[float]:
        """Return the size of an episode by pH and by conductivity; empty where one alone tells."""
        if episode.of_gas:
            each = self.sizes(episode, now, (), settled=True).apparent_each_ug_l
            return list(each) if len(each) > 1 else []
        ph, log = self._by.change(episode.before, now)
        return [] if episode.diagnosis not in _CHEMICAL or math.isnan(log) else [abs(ph), abs(log)]

    # --- sizes and words -----------------------------------------------------------------------

    def left(self, episode: Episode, now: Level) -> float:
        """Return the size of what is left of an episode, in the unit of its diagnosis."""
        if episode.diagnosis == "temperature":
            return abs(now.temperature_c - episode.before.temperature_c)
        ph, log = self._by.change(episode.before, now)
        blind = math.isnan(log)
        if episode.of_gas:
            return abs(ph) if blind else max(self.sizes(episode, now, (), settled=True).apparent_ug_l, 0.0)
        if episode.diagnosis in (*_CHEMICAL, *_PH_SIDE) or blind:
            return abs(ph)
        if episode.diagnosis in ("salt-ingress", "sensor-fault"):
            return abs(log)
        return math.sqrt(max(episode.spread.distance(ph, log), 0.0))

    def way(self, episode: Episode, temperature_c: float) -> Paths:
        """Return the paths from the water before an episode."""
        way = self._ways.get(episode.number)
        if way is None or abs(way.temperature_c - temperature_c) > _SAME_WATER_C:
            way = self._ways[episode.number] = self._by.way(episode.before, temperature_c)
        return way

    def sizes(self, episode: Episode, now: Level, recent: Sequence[Block], *, settled: bool = False) -> Sizes:
        """Return the CO2 an episode asks for; while sensors move, the water is ahead of them.

        `settled` spares the hydration, where only what shows is asked for.
        """
        own = self._by.settings
        if recent:
            now = mean_level(recent[-1:])
        ph, log = self._by.change(episode.before, now)
        blind = math.isnan(log) or self._by.alone(episode.before)
        ph_ahead = log_ahead = 0.0
        if len(recent) >= _AGO[1]:
            was_ph, was_log = self._by.change(episode.before, mean_level(recent[-_AGO[1] : -_AGO[0]]))
            ph_ahead = _ELECTRODE_LAG * (ph - was_ph)
            # A cell lags in conductivity, an electrode in pH.
            share = 0.0 if blind else _CELL_LAG * -math.expm1(was_log - log)
            log_ahead = math.log(max(1.0 + share, 1e-3))
        return sizes(
            self.way(episode, now.temperature_c),
            (ph, None if blind else log),
            (
                math.sqrt(episode.spread.ph + 0.01**2 + (own.ph_change_rel_u * ph) ** 2),
                1.0 if blind else math.sqrt(episode.spread.log + own.conductivity_rel_u**2),
            ),
            own.sample_age_s(now.flow_ml_min),
            whole=settled or episode.place == "upstream",
            to_come=(ph_ahead, log_ahead),
        )

    def tell(
        self, episode: Episode, state: State, now: Level, ms: int, recent: Sequence[Block]
    ) -> EpisodeEvent:
        """Return the event that tells of an episode as it is."""
        episode.told, episode.told_ms = max(self.left(episode, now), 1e-9), ms
        own, before = self._by.settings, episode.before
        size = None
        if episode.diagnosis in ("co2-ingress", "acidic-ingress", "cannot-tell") and state != "closed":
            size = self.sizes(episode, now, recent)
        kappa = self._by.conductivity(now)
        share = air_share(now.ph, kappa, now.temperature_c, own)
        return EpisodeEvent(
            diagnosis=episode.diagnosis,
            place=episode.place,
            state=state,
            began_ms=episode.began_ms,
            flagged_ms=episode.flagged_ms,
            closed_ms=ms if state == "closed" else None,
            at_ms=ms,
            number=episode.number,
            log_likelihood_ratios=dict(episode.ratios),
            # Where the water went the other way no amount fits: none, and none that is certain.
            co2_rise_ug_per_l=size.rise if size is not None and size.rise.expanded_uncertainty > 0 else None,
            co2_ug_per_l_from_ph=None if size is None else size.from_ph,
            co2_ug_per_l_from_conductivity=None if size is None else size.from_conductivity,
            equilibrium_with_air_pct=None if share is None else share.pct,
            ph_before=before.ph,
            ph_now=now.ph,
            conductivity_before_us_cm=self._by.conductivity(before),
            conductivity_now_us_cm=kappa,
            temperature_before_c=before.temperature_c,
            temperature_now_c=now.temperature_c,
            sample_age_s=own.sample_age_s(now.flow_ml_min),
            kind=episode.kind,
        )

    def as_json(self) -> dict[str, Json]:
        """Return all as JSON values."""
        # The paths need only be found again, but about the temperature they were found at.
        ways = {n: self._ways[n].temperature_c for each in self.open if (n := each.number) in self._ways}
        return {
            "open": [each.as_json() for each in self.open],
            "told": self.told,
            "ways_c": [[number, temperature_c] for number, temperature_c in ways.items()],
        }

    def restore(self, plain: dict[str, Json]) -> None:
        """Go on from what `as_json` gave."""
        self.open, self.told = [Episode.from_json(each) for each in plain["open"]], plain["told"]
        before = {each.number: each.before for each in self.open}
        self._ways = {n: self._by.way(before[n], temperature_c) for n, temperature_c in plain["ways_c"]}


def rounded(ratios: Mapping[str, float]) -> dict[str, float]:
    """Return log likelihood ratios as records keep them."""
    return {name: round(value, 2) for name, value in ratios.items()}
