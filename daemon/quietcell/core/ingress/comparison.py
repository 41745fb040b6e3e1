"""How a cell's readings are compared: by its settings, and by what temperature alone does to its water."""

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from quietcell.core.ingress.baseline import MINUTE_MS, Level, residual
from quietcell.core.ingress.blocks import Array, Block
from quietcell.core.ingress.event import IngressSettings
from quietcell.core.ingress.evidence import (
    REFERENCE_US_CM,
    Paths,
    TemperatureCourse,
    backgrounds,
    paths,
    temperature_course,
)
from quietcell.core.ingress.rivals import Stretch

COURSE_C: Final = 2.0
"""The course with temperature is found anew when the water is so much warmer or colder,"""
_OTHER_PH, _OTHER_LOG = 0.05, 0.08
"""or so much another water."""
_FAR_C: Final = 6.0
_BEFORE_BLOCKS: Final = 18
"""Blocks of a stretch before its beginning, so that lags have something to start from."""
_EVEN_MS: Final = 20_000
_RATE_BLOCKS: Final = 7


class Comparison:
    """Compares levels of one cell at unlike temperatures.

    Parameters
    ----------
    settings : IngressSettings
        What is known of the cell.
    """

    def __init__(self, settings: IngressSettings) -> None:
        self.settings = settings
        self.course: TemperatureCourse | None = None
        self.water: Level | None = None
        """What the course was found for; with `course.centre_c` all there is to keep."""

    @property
    def ready(self) -> bool:
        """Whether there is a course to compare by."""
        return self.course is not None

    def follow(self, level: Level | None, temperature_c: float) -> None:
        """Keep the course near the water and temperature as they are."""
        if level is None:
            return
        known = self.water
        if (
            known is None
            or self.course is None
            or abs(level.ph - known.ph) > _OTHER_PH
            or abs(level.log_conductivity - known.log_conductivity) > _OTHER_LOG
            or abs(temperature_c - self.course.centre_c) > COURSE_C
        ):
            self.centre(level, temperature_c)

    def centre(self, level: Level, temperature_c: float) -> None:
        """Find the course of a water about a temperature."""
        water = backgrounds(level.ph, self.conductivity(level), level.temperature_c, self.settings)
        self.course, self.water = temperature_course(water, temperature_c), level

    def change(self, before: Level, now: Level) -> tuple[float, float]:
        """Return the changes of pH and ln conductivity that temperature does not explain."""
        if self.course is None or abs(self.course.centre_c - now.temperature_c) > _FAR_C:
            self.centre(before, now.temperature_c)
        course = self.course
        return (0.0, 0.0) if course is None else residual(now, before, course)

    def alone(self, level: Level) -> bool:
        """Return whether pH has to do without conductivity."""
        return math.isnan(level.log_conductivity)

    def conductivity(self, level: Level) -> float | None:
        """Return a level's conductivity, µS/cm, or None."""
        return None if self.alone(level) else math.exp(level.log_conductivity)

    def way(self, before: Level, temperature_c: float | None = None) -> Paths:
        """Return the paths from the water at a level, at its own temperature or another."""
        water = backgrounds(before.ph, self.conductivity(before), before.temperature_c, self.settings)
        return paths(water, before.temperature_c if temperature_c is None else temperature_c, self.settings)

    def without_reference(self, block: Block) -> Block:
        """Take off what a declared outflow of the reference adds to the conductivity."""
        outflow = self.settings.reference_outflow_ul_h
        if not outflow or not self.settings.sees_same_water or not block.flow_ml_min > 0.5:
            return block
        kappa = math.exp(block.log_conductivity)
        warm = 1.0 + 0.02 * (block.temperature_c - 25.0)
        added = REFERENCE_US_CM * outflow / block.flow_ml_min * warm
        log = math.log(max(kappa - added, 0.3 * kappa))
        return Block(block.end_ms, block.ph, log, *block[3:])  # three times faster than _replace

    def stretch(self, rows: Sequence[Block], before: Level, began_ms: int) -> Stretch:
        """Return blocks as changes against a level, from somewhat before `began_ms` on."""
        table = np.array(rows, np.float64)
        first = min(int(np.searchsorted(table[:, 0], began_ms, side="right")), len(rows) - 1)
        lead = max(0, first - _BEFORE_BLOCKS)
        end, ph, log, warm, flow, ph_jump, log_jump, _ = table[lead:].T
        ph, log = ph - before.ph, log - before.log_conductivity
        if self.course is not None:
            by_ph, by_log = self.course.between(before.temperature_c, warm)
            ph, log = ph - by_ph, log - by_log
        with np.errstate(divide="ignore", invalid="ignore"):
            log_flow = np.log(np.maximum(flow, 1e-3) / max(before.flow_ml_min, 1e-3))
        n = min(len(warm), _RATE_BLOCKS)
        minutes = float(end[-1] - end[-n]) / MINUTE_MS
        return Stretch(
            ph=ph,
            log=_filled(log),
            temperature_c=warm - before.temperature_c,
            log_flow=log_flow,
            ph_jump=ph_jump,
            log_jump=log_jump,
            rate_c_per_min=float(warm[-1] - warm[-n]) / minutes if minutes > 0.0 else 0.0,
            first=first - lead,
            even=bool(np.all(np.diff(end) <= _EVEN_MS)),
            log_before=before.log_conductivity,
            flow_before=before.flow_ml_min,
        )


def mean_level(blocks: Sequence[Block]) -> Level:
    """Return the mean of some blocks."""
    return Level(*(sum(column) / len(blocks) for column in zip(*(b[1:5] for b in blocks), strict=True)))


def _filled(values: Array) -> Array:
    """Return a series with each NaN replaced by the number before it, or the first one."""
    known = np.isfinite(values)
    if known.all() or not known.any():
        return values
    last = np.maximum.accumulate(np.where(known, np.arange(len(values)), -1))
    filled: Array = values[np.where(last >= 0, last, int(np.argmax(known)))]
    return filled
