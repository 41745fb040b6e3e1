"""What makes readings no evidence: standing water, values no water has, a sensor that repeats itself.

Each is watched for itself; while one lasts the detector compares nothing and learns nothing.
"""

import math
from dataclasses import dataclass, field
from functools import cache
from typing import Final, Literal, get_args

import numpy as np

from quietcell.core.ingress.blocks import Array, Block
from quietcell.core.records import Json
from quietcell.core.water.speciation import PURE_WATER, conductivity_us_cm

FaultKind = Literal[
    "flow-stopped",
    "conductivity-too-low",
    "ph-out-of-range",
    "ph-noisy",
    "ph-stuck",
    "conductivity-stuck",
]
FAULTS: Final[tuple[str, ...]] = get_args(FaultKind)

STOPPED, FLOWING = 0.2, 0.6
"""Shares of the usual flow below which it counts as stopped and above which as back."""
_LATE: Final = 6
"""Blocks in a row that begin a fault,"""
_BACK: Final[dict[str, int]] = {
    "flow-stopped": 18,
    "conductivity-too-low": 12,
    "ph-out-of-range": 12,
    "ph-noisy": 12,
    "ph-stuck": 12,
    "conductivity-stuck": 12,
}
"""and that end it; after a stop the old water has to be flushed out."""
_UNSEEN: Final = 60
"""Blocks in a row without its quantity that end a fault: with a meter that does not measure it, nothing would
be compared ever again."""
_BELOW_PURE: Final = 0.055
_NEAR_PURE: Final = 0.035
"""ln conductivity so far below pure water's cannot be right: 2 % of the cell, 0.2 °C; and from where on it
can be again: a cell that drifts there would else come and go with its noise."""
_LOWEST_PH, _HIGHEST_PH = 3.5, 10.8
"""pH of purified water, dosed water included (common practice, no source); told only of a cell that lay
within for so many blocks, for another may be used for other waters."""
_WITHIN: Final = 60
_NOISY: Final = 8.0
"""Scatter of pH within a block, as a multiple of the usual one,"""
_NOISY_PH: Final = 0.03
"""and at least."""
_USUAL_BLOCKS: Final = 360.0
"""Blocks the usual flow and scatter remember."""
_STILL_PH: Final = 1e-4
"""A pH that moves by less from reading to reading repeats: the temperature goes into it, too."""
_REPEATS: Final = 24
_REPEATS_LONGEST: Final = 6
"""A sensor is stuck after so many blocks that repeat, and so many times the longest run of its own before,"""
_MOVED: Final = 120
"""once so many blocks have moved: a coarse display repeats for hours."""


@dataclass(slots=True)
class Repeats:
    """How long a quantity has repeated itself, beside the longest that it ever did."""

    run: int = 0
    longest: int = 0
    moved: int = 0

    def take(self, *, still: bool) -> bool:
        """Take the next block; returns whether the quantity is stuck."""
        if still:
            self.run += 1
            return self.stuck
        if self.run:
            if not self.stuck:
                self.longest = max(self.longest, self.run)
            self.run = 0
        if self.moved < _MOVED:
            self.moved += 1
        return False

    @property
    def stuck(self) -> bool:
        """Whether it has repeated itself for longer than it ever does."""
        return self.moved >= _MOVED and self.run >= max(_REPEATS, _REPEATS_LONGEST * self.longest)


@dataclass(slots=True)
class Watch:
    """Watches for faults block by block."""

    usual_flow: float = math.nan
    usual_scatter: float = math.nan
    within: int = 0
    """Blocks so far with the pH of purified water, up to `_WITHIN`."""
    _count: dict[str, int] = field(default_factory=dict)
    """Blocks in a row against (positive) or, once active, for (negative) a sensor."""
    _since_ms: dict[str, int] = field(default_factory=dict)
    """Faults that last, and when they began."""
    _ph: Repeats = field(default_factory=Repeats)
    _log: Repeats = field(default_factory=Repeats)

    @property
    def active(self) -> bool:
        """Whether readings are no evidence now."""
        return bool(self._since_ms)

    def take(self, block: Block) -> list[tuple[FaultKind, int, bool]]:
        """Take the next block; returns what began or ended: kind, when it began, whether it ended."""
        flow, scatter = block.flow_ml_min, block.ph_scatter  # NaN, not measured, is never bad
        stopped = flow < (FLOWING if "flow-stopped" in self._since_ms else STOPPED) * self.usual_flow
        noisy = scatter > max(_NOISY * self.usual_scatter, _NOISY_PH)
        out = not _LOWEST_PH < block.ph < _HIGHEST_PH
        below = _NEAR_PURE if "conductivity-too-low" in self._since_ms else _BELOW_PURE
        low = block.log_conductivity < log_pure(block.temperature_c) - below
        if not stopped:
            self.usual_flow = _usual(self.usual_flow, flow)
        if not noisy:
            self.usual_scatter = _usual(self.usual_scatter, scatter)
        if not out and self.within < _WITHIN:
            self.within += 1
        out = out and self.within == _WITHIN
        ph_stuck = self._ph.take(still=abs(block.ph_jump) < _STILL_PH)
        measured = not math.isnan(block.log_conductivity)
        log_stuck = measured and self._log.take(still=block.log_jump == 0.0)
        found: list[tuple[FaultKind, int, bool]] = []
        bad = stopped or noisy or out or low or ph_stuck or log_stuck
        if bad or self._count or self._since_ms:
            looked_at: tuple[tuple[FaultKind, float, bool], ...] = (
                ("flow-stopped", flow, stopped),
                ("conductivity-too-low", block.log_conductivity, low),
                ("ph-out-of-range", block.ph, out),
                ("ph-noisy", scatter, noisy),
                ("ph-stuck", block.ph, ph_stuck),
                ("conductivity-stuck", block.log_conductivity, log_stuck),
            )
            for kind, value, bad in looked_at:
                if not math.isnan(value):
                    self._count.pop(f"{kind}-unseen", None)
                    self._hold(kind, block, bad=bad, found=found)
                elif kind in self._since_ms:
                    self._miss(kind, found)
        return found

    def _miss(self, kind: FaultKind, found: list[tuple[FaultKind, int, bool]]) -> None:
        """Count a block without the quantity that a lasting fault is of."""
        n = self._count[f"{kind}-unseen"] = self._count.get(f"{kind}-unseen", 0) + 1
        if n >= _UNSEEN:
            found.append((kind, self._since_ms.pop(kind), True))
            self._count.pop(f"{kind}-unseen")
            self._count.pop(kind, None)

    def _hold(
        self, kind: FaultKind, block: Block, *, bad: bool, found: list[tuple[FaultKind, int, bool]]
    ) -> None:
        lasting = self._since_ms.get(kind)
        if bad is (lasting is not None):
            self._count.pop(kind, None)
            return
        n = self._count.get(kind, 0) + 1
        self._count[kind] = n
        if lasting is None and n >= _LATE:
            self._since_ms[kind] = block.end_ms - n * 10_000
            found.append((kind, self._since_ms[kind], False))
            self._count.pop(kind, None)
        elif lasting is not None and n >= _BACK[kind]:
            found.append((kind, self._since_ms.pop(kind), True))
            self._count.pop(kind, None)

    def accept(self, kind: str) -> None:
        """Take what looked like a fault as usual from here on."""
        if self._since_ms.pop(kind, None) is not None:
            self.usual_flow = self.usual_scatter = math.nan
            self.within = 0
            self._ph, self._log = Repeats(), Repeats()

    def shift(self, ms: int) -> None:
        """Move to the time of a segment whose zero lies `ms` later."""
        self._since_ms = {kind: began - ms for kind, began in self._since_ms.items()}

    def as_json(self) -> dict[str, Json]:
        """Return all as JSON values."""
        usual = [None if math.isnan(v) else v for v in (self.usual_flow, self.usual_scatter)]
        return {
            "usual": usual,
            "within": self.within,
            "count": dict(self._count),
            "since_ms": dict(self._since_ms),
            "repeats": [[one.run, one.longest, one.moved] for one in (self._ph, self._log)],
        }

    @classmethod
    def from_json(cls, plain: dict[str, Json]) -> "Watch":
        """Rebuild from what `as_json` gave."""
        flow, scatter = (math.nan if v is None else v for v in plain["usual"])
        repeats = [Repeats(*one) for one in plain["repeats"]]
        return cls(flow, scatter, plain["within"], dict(plain["count"]), dict(plain["since_ms"]), *repeats)


def _usual(usual: float, value: float) -> float:
    """Return what is usual after one more value; NaN changes nothing."""
    if math.isnan(value):
        return usual
    return value if math.isnan(usual) else usual + (value - usual) / _USUAL_BLOCKS


@cache
def _table() -> tuple[float, ...]:
    made: Array = np.log(np.asarray(conductivity_us_cm(PURE_WATER, np.arange(0.0, 101.0))))
    return tuple(made.tolist())


def log_pure(temperature_c: float) -> float:
    """Return ln conductivity of pure water, µS/cm, interpolated between whole degrees."""
    table = _table()
    t = min(max(temperature_c, 0.0), 99.999)
    i = int(t)
    return table[i] + (t - i) * (table[i + 1] - table[i])
