"""The water before: levels to compare with over four spans of time, and how far they move for no cause.

A span compares the mean of the newest minutes with the median of earlier ones. How much that
difference wanders while nothing happens is learnt from the cell itself, on top of what is assumed at the
start; so white, flicker, random-walk noise and a wandering background count alike.
"""

import math
from bisect import bisect_right
from dataclasses import dataclass, field
from operator import itemgetter
from typing import Final, NamedTuple

from quietcell.core.ingress.blocks import Block
from quietcell.core.ingress.evidence import TemperatureCourse
from quietcell.core.records import Json

MINUTE_MS: Final = 60_000
_KEPT: Final = 200
_END = itemgetter(0)
_NAN = float("nan")


class Span(NamedTuple):
    """One span of comparison."""

    recent_min: float
    """Length of the newest mean; 0 is the newest block alone."""
    from_min: float
    to_min: float
    """The reference lies between so long ago."""
    fewest: int
    """Minutes a reference needs."""
    every_min: int
    """So often it is compared."""
    ph_sd: float
    log_sd: float
    """Standard deviations assumed at the start for a change without cause."""
    memory: float
    """Comparisons the learnt covariance remembers."""


SPANS: Final = (
    Span(0.0, 14.0, 2.0, 3, 0, 0.0060, 0.0050, 8640.0),
    Span(1.0, 26.0, 5.0, 4, 1, 0.0080, 0.0060, 1440.0),
    Span(4.0, 66.0, 18.0, 12, 1, 0.0120, 0.0090, 1440.0),
    Span(12.0, 190.0, 60.0, 30, 5, 0.0200, 0.0150, 288.0),
)
_START_WEIGHT: Final = 0.25
"""Weight of what is assumed, as a share of the memory: so much that a drift of hours, soon after the start,
is held against it before it is learnt."""
_LEAST: Final = 0.3
"""What is learnt never makes a standard deviation smaller than this share of what is assumed."""
_LEAST_VARIANCES: Final = tuple(((_LEAST * s.ph_sd) ** 2, (_LEAST * s.log_sd) ** 2) for s in SPANS)
_BEYOND: Final = 9.0
"""A comparison further off than this (squared, in learnt spreads) counts as if it lay there."""


class Level(NamedTuple):
    """A level to compare with."""

    ph: float
    log_conductivity: float
    temperature_c: float
    flow_ml_min: float


class Spread(NamedTuple):
    """Covariance of a change without cause."""

    ph: float
    log: float
    both: float

    def distance(self, ph: float, log: float) -> float:
        """Return the squared distance of a change in units of its spread; pH alone where `log` is NaN."""
        if math.isnan(log):
            return ph * ph / self.ph
        det = self.ph * self.log - self.both * self.both
        return (ph * ph * self.log - 2.0 * ph * log * self.both + log * log * self.ph) / det


@dataclass(slots=True)
class Baseline:
    """Minute means of up to three hours, the levels they give, and the learnt spreads."""

    minutes: list[tuple[int, float, float, float, float]] = field(default_factory=list)
    """End, pH, ln conductivity, temperature, flow."""
    _open: list[Block] = field(default_factory=list)
    """Blocks of the minute that is not over."""
    not_before_ms: int = -(2**50)
    """Levels never rest on minutes before this: an episode began there."""
    levels: list[Level | None] = field(default_factory=lambda: [None] * len(SPANS))
    spreads: list[Spread] = field(default_factory=lambda: [_at_start(span) for span in SPANS])
    _weights: list[float] = field(default_factory=lambda: [_START_WEIGHT * span.memory for span in SPANS])

    def take(self, block: Block) -> bool:
        """Take the next block; returns whether a minute ended with it or before it."""
        minute = -(-block.end_ms // MINUTE_MS)
        ended = False
        if self._open and -(-self._open[0].end_ms // MINUTE_MS) != minute:
            self._finish()
            ended = True
        self._open.append(block)
        if block.end_ms == minute * MINUTE_MS:
            self._finish()
            ended = True
        return ended

    def _finish(self) -> None:
        blocks, self._open = self._open, []
        n = len(blocks)
        end_ms = -(-blocks[-1].end_ms // MINUTE_MS) * MINUTE_MS
        _, ph, log, temperature_c, flow, *_ = zip(*blocks, strict=True)
        self.minutes.append((end_ms, sum(ph) / n, sum(log) / n, sum(temperature_c) / n, sum(flow) / n))
        oldest_ms = end_ms - round(SPANS[-1].from_min) * MINUTE_MS
        if len(self.minutes) > _KEPT or self.minutes[0][0] < oldest_ms - 20 * MINUTE_MS:
            self.minutes = [each for each in self.minutes[-_KEPT:] if each[0] >= oldest_ms]

    def renew(self, now_ms: int) -> None:
        """Find the levels anew; called once a minute."""
        whole = now_ms // MINUTE_MS
        for i, span in enumerate(SPANS):
            if i >= 2 and whole % 5 and self.levels[i] is not None:
                continue
            self.levels[i] = self._level(now_ms, span)

    def _level(self, now_ms: int, span: Span) -> Level | None:
        first = max(now_ms - span.from_min * MINUTE_MS, self.not_before_ms)
        last = now_ms - span.to_min * MINUTE_MS
        rows = self.minutes[self._behind(first) : self._behind(last)]
        return Level(*_medians(rows)) if len(rows) >= span.fewest else None

    def recent(self, now_ms: int, span: Span) -> Level | None:
        """Return the mean of the newest minutes of a span."""
        first = now_ms - span.recent_min * MINUTE_MS
        rows = self.minutes[self._behind(first) :]
        if not rows:
            return None
        _, *columns = zip(*rows, strict=True)
        return Level(*[sum(column) / len(rows) for column in columns])

    def _behind(self, ms: float) -> int:
        """Return the place of the first minute that ends later."""
        return bisect_right(self.minutes, ms, key=_END)

    def learn(self, i: int, ph: float, log: float) -> float:
        """Learn from a change that had no cause; returns its squared distance by what was known before."""
        old, weight, span = self.spreads[i], self._weights[i], SPANS[i]
        distance = old.distance(ph, log)
        scale = 1.0 if distance <= _BEYOND else _BEYOND / distance
        share = 1.0 / (weight + 1.0)
        self._weights[i] = min(weight + 1.0, span.memory)
        least_ph, least_log = _LEAST_VARIANCES[i]
        var_ph = max(old.ph + share * (scale * ph * ph - old.ph), least_ph)
        if math.isnan(log):
            self.spreads[i] = Spread(var_ph, old.log, old.both)
            return distance
        var_log = max(old.log + share * (scale * log * log - old.log), least_log)
        both = old.both + share * (scale * ph * log - old.both)
        most = 0.9 * math.sqrt(var_ph * var_log)
        self.spreads[i] = Spread(
            var_ph, var_log, both if -most <= both <= most else math.copysign(most, both)
        )
        return distance

    def forget(self, now_ms: int) -> None:
        """Let levels rest on later minutes only."""
        self.not_before_ms = now_ms
        self.levels = [None] * len(SPANS)
        self._open = []

    def shift(self, ms: int) -> None:
        """Move to the time of a segment whose zero lies `ms` later."""
        self.minutes = [(each[0] - ms, *each[1:]) for each in self.minutes]
        self._open = [b._replace(end_ms=b.end_ms - ms) for b in self._open]
        self.not_before_ms -= ms

    def as_json(self) -> dict[str, Json]:
        """Return all as JSON values."""
        return {
            "minutes": [jsonable(each) for each in self.minutes],
            "open": [jsonable(each) for each in self._open],
            "not_before_ms": self.not_before_ms,
            "levels": [None if each is None else jsonable(each) for each in self.levels],
            "spreads": [list(each) for each in self.spreads],
            "weights": list(self._weights),
        }

    @classmethod
    def from_json(cls, plain: dict[str, Json]) -> "Baseline":
        """Rebuild from what `as_json` gave."""
        return cls(
            minutes=[(row[0], *numbers(row[1:])) for row in plain["minutes"]],
            _open=[Block(row[0], *numbers(row[1:])) for row in plain["open"]],
            not_before_ms=plain["not_before_ms"],
            levels=[None if each is None else Level(*numbers(each)) for each in plain["levels"]],
            spreads=[Spread(*each) for each in plain["spreads"]],
            _weights=list(plain["weights"]),
        )


def residual(now: Level, before: Level, course: TemperatureCourse) -> tuple[float, float]:
    """Return the changes of pH and ln conductivity that temperature does not explain."""
    by_ph, by_log = course.between(before.temperature_c, now.temperature_c)
    return now.ph - before.ph - by_ph, now.log_conductivity - before.log_conductivity - by_log


def jsonable(values: tuple[float, ...]) -> list[float | None]:
    """Return numbers as JSON can hold them."""
    return [None if value != value else value for value in values]  # noqa: PLR0124 - NaN is not itself


def numbers(values: list[float | None]) -> list[float]:
    """Return what `jsonable` gave as numbers."""
    return [_NAN if value is None else value for value in values]


def _at_start(span: Span) -> Spread:
    return Spread(span.ph_sd**2, span.log_sd**2, 0.0)


def _medians(minutes: list[tuple[int, float, float, float, float]]) -> list[float]:
    """Return the median of the numbers in each column behind the times, NaN where there is none."""
    found = []
    _, *columns = zip(*minutes, strict=True)
    for column in columns:
        known = column if not math.isnan(sum(column)) else [v for v in column if not math.isnan(v)]
        values = sorted(known)
        n = len(values)
        found.append(0.5 * (values[(n - 1) // 2] + values[n // 2]) if n else _NAN)
    return found
