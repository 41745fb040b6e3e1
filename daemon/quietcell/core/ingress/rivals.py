"""Rival explanations of one change, each with the changes of pH and conductivity it predicts.

All are scored on the same stretch of readings, as log likelihood ratios against no change at all. A
chemical cause has to follow its path; a fault of the pH leaves conductivity alone, and the other way
round; two causes at once explain anything, at a price. Prices are negative log odds; they stand beside
their reasons.
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from quietcell.core.ingress.baseline import Spread
from quietcell.core.ingress.blocks import BLOCK_MS, Array
from quietcell.core.ingress.event import IngressSettings
from quietcell.core.ingress.evidence import CO2_UG_PER_MOL, REFERENCE_US_CM, Paths

LAGS_S: Final = (0.0, 15.0, 40.0, 90.0, -20.0, -60.0)
"""By how much pH may lag behind conductivity (electrode), or conductivity behind pH (transport), s."""
_LAG_PRICE: Final = (0.0, 0.0, 0.0, 0.5, 0.5, 1.0)
_GROUPS: Final = 8
_INDEPENDENT: Final = 6.0
"""So many parts of a stretch count as independent: what is wrong with a model stays wrong."""
_PH_MODEL, _LOG_MODEL, _LOG_MODEL_REL = 0.010, 0.008, 0.015
"""How well a path is known: pH, ln conductivity, and its share of a change of ln conductivity."""
_MOVING: Final = 0.35
"""Share of the change from one part of a stretch to the next that lags leave open."""
_TWO_CAUSES: Final = 10.0
"""Price of two independent causes within minutes."""
_UNLIKELY, _MISSING = 8.0, 1e3
_ACID: Final = 2.0
"""Strong acid comes into purified water less often than air does."""
_SUDDEN_READING, _STEP_READING, _SUDDEN_BLOCKS = 0.5, 0.15, 0.8
"""A change is sudden if so much of it lies between two readings (where conductivity shows that the water
has not changed, a meter's own filter is allowed for) and between three blocks."""
_STREAMING_PH: Final = 0.2
"""What a change of flow moves the pH by, usually (common practice, no source)."""
_FLOW_MOVE: Final = 0.01
"""So much, as a share, the flow must have moved for the reference to come into it: meters wander less."""
_MOST_OUTFLOW_UL_H: Final = 30.0
"""Outflow of a reference electrode that declares none."""
_UNEVEN: Final = 1.5
"""What a change of flow does in a cell that is not well mixed, as a share of what it does in a mixed one."""
_PURE_US_CM: Final = 0.05
"""So much is water's own at least."""
FLOW_STEP: Final = 0.08
"""Change of ln flow that counts as one."""


@dataclass(frozen=True, slots=True, eq=False)
class Stretch:
    """Blocks from somewhat before a change until now, as changes against the level before."""

    ph: Array
    log: Array
    """Of ln conductivity; NaN is not measured."""
    temperature_c: Array
    """Change of temperature."""
    log_flow: Array
    """Change of ln flow; NaN is not measured."""
    ph_jump: Array
    log_jump: Array
    rate_c_per_min: float
    """How fast the temperature moves."""
    first: int
    """Block at which the change began."""
    even: bool
    """Whether blocks follow each other without holes, so that lags can be modelled."""
    log_before: float
    """ln conductivity before, NaN where not measured."""
    flow_before: float


@dataclass(frozen=True, slots=True)
class Scores:
    """What the rivals are worth."""

    ratio: dict[str, float]
    """Log likelihood ratio against no change."""
    misfit: float
    """Half the sum of squares the carbon dioxide path leaves."""
    change: tuple[float, float]
    """Latest changes of pH and ln conductivity."""
    co2_ug_l: float
    """Rise of carbonate that the change of pH asks for, as CO2."""

    def best(self) -> str:
        """Return the rival that explains most."""
        return max(self.ratio, key=lambda name: self.ratio[name])

    def margin(self, name: str, *, beside: tuple[str, ...] = ()) -> float:
        """Return by how much a rival leads over all others, those `beside` it left out."""
        others = [value for other, value in self.ratio.items() if other != name and other not in beside]
        return self.ratio[name] - max(others, default=0.0)


def score(stretch: Stretch, spread: Spread, way: Paths, settings: IngressSettings) -> Scores:
    """Score all rivals on a stretch where pH and conductivity are both measured."""
    groups = _Groups(stretch, spread)
    dp, dk = groups.ph, groups.log
    total = groups.total
    null = total(_full(groups, spread))
    only_ph, only_log = total(dk * dk / groups.log_var), total(dp * dp / groups.ph_var)
    fall, rise = float(dp[-1]), float(dk[-1])
    chemical = {name: _along(name, stretch, groups, way, settings) for name in way.ph}
    sudden_ph = _sudden(stretch.ph, stretch.ph_jump, stretch.first, reading=_STEP_READING)
    sudden_log = _sudden(stretch.log, stretch.log_jump, stretch.first)
    flow_moved = abs(_last(stretch.log_flow)) > FLOW_STEP
    outflow = _reference_explains(stretch, rise, settings)
    warm = _temperature(stretch, groups)
    dosed = way.water.ammonia[0] > 5e-7
    half = {
        "co2-ingress": chemical["co2-ingress"],
        "acidic-ingress": chemical["acidic-ingress"] + _ACID,
        "base-ingress": min(chemical["sodium-base"], chemical["ammonia-base"]) + 3.0,
        "salt-ingress": 0.5 * only_log
        + (0.0 if rise > 0 else _UNLIKELY)
        + 4.0 * sudden_log
        + (12.0 if outflow else 0.0),
        "reference-outflow": 0.5 * only_log + (0.0 if outflow else _MISSING),
        "conductivity-fault": 0.5 * only_log + (0.0 if sudden_log or (rise < 0 and not outflow) else 4.0),
        "junction-drift": 0.5 * only_ph + (6.0 if sudden_ph else 0.0) + (4.0 if flow_moved else 0.0),
        "electrical-step": 0.5 * only_ph + (0.0 if sudden_ph else 8.0) + (2.0 if flow_moved else 0.0),
        "streaming": 0.5 * only_ph + (0.0 if flow_moved else _MISSING),
        "temperature": warm,
        "ammonia-loss": chemical["ammonia-loss"] + (1.0 if dosed else 5.0),
        "carbonate-loss": _loss(groups, way) + 3.0,
        "two-causes": _TWO_CAUSES,
    }
    ratio = {name: 0.5 * null - value for name, value in half.items() if value < _MISSING}
    return Scores(ratio, chemical["co2-ingress"], (fall, rise), _asked_for(way, fall))


def score_ph_alone(
    stretch: Stretch, spread: Spread, way: Paths, *, minutes: float, plausible: bool
) -> Scores:
    """Score the rivals of a change of pH where no conductivity of this water is known.

    Parameters
    ----------
    stretch, spread, way
        As for `score`.
    minutes : float
        Since the change began: a slow one is more often the electrode's.
    plausible : bool
        Whether the water before was pure enough for carbon dioxide to be what moves it.

    Notes
    -----
    Size and suddenness are all there is: junctions and ageing drift by 0.1 in minutes and by
    up to 0.3 in hours, and a change of flow moves pH by up to 0.3 (common practice, no source).
    """
    groups = _Groups(stretch, spread)
    null = groups.total(groups.ph * groups.ph / groups.ph_var)
    change = float(groups.ph[-1])
    usual = 0.11 if minutes < 45.0 else 0.17
    drift = 0.5 * (change / usual) ** 2
    reach = -float(way.ph["co2-ingress"][0, -1])
    sudden = _sudden(stretch.ph, stretch.ph_jump, stretch.first)
    flow_moved = abs(_last(stretch.log_flow)) > FLOW_STEP
    by_chance = (12.0 if sudden else 0.0) + (4.0 if flow_moved else 0.0)  # what comes in does not do so
    gas = _MISSING
    if change < 0.0 and plausible:
        gas = 1.5 + by_chance + (0.0 if -change < reach else 0.5 * ((-change - reach) / 0.05) ** 2)
    half = {
        "co2-ingress": min(gas, _MISSING),
        "acidic-ingress": 4.0 + by_chance if change < 0.0 else _MISSING,
        "base-ingress": 4.0 if change > 0.0 else _MISSING,
        "junction-drift": drift + (6.0 if sudden else 0.0) + (4.0 if flow_moved else 0.0),
        "electrical-step": 1.0 if sudden else 14.0,
        "streaming": 0.5 * (change / _STREAMING_PH) ** 2 if flow_moved else _MISSING,
        "temperature": _temperature(stretch, groups),
        "two-causes": _TWO_CAUSES,
    }
    ratio = {name: 0.5 * null - value for name, value in half.items() if value < _MISSING}
    return Scores(ratio, gas, (change, math.nan), _asked_for(way, change))


def _asked_for(way: Paths, change: float) -> float:
    """Return the CO2, µg/L, that moves the nominal background by a change of pH."""
    fall = -way.ph["co2-ingress"][0]
    return float(np.interp(-change, fall, way.amount["co2-ingress"][0])) * CO2_UG_PER_MOL


class _Groups:
    """Parts of a stretch since the change began, with the variances that hold for them."""

    def __init__(self, stretch: Stretch, spread: Spread) -> None:
        first = min(stretch.first, len(stretch.ph) - 1)
        n = len(stretch.ph) - first
        size = max(1, -(-n // _GROUPS))
        # Counted back from now, so that the newest part is always whole.
        ends = np.arange(len(stretch.ph), first, -size)[::-1]
        self.starts = np.concatenate(([first], ends[:-1]))
        self.sizes = ends - self.starts
        self.ph = self.of(stretch.ph)
        self.log = self.of(stretch.log)
        self.warmer = self.of(stretch.temperature_c)
        moving = abs(stretch.rate_c_per_min)
        self.ph_var = spread.ph + (0.002 * self.warmer) ** 2 + (0.012 * moving) ** 2
        self.log_var = spread.log + (0.003 * self.warmer) ** 2 + (0.03 * moving) ** 2
        self.weight = min(1.0, _INDEPENDENT / len(self.ph))

    def of(self, values: Array) -> Array:
        """Return the mean of each part."""
        found: Array = np.add.reduceat(values, self.starts) / self.sizes
        return found

    def total(self, squares: Array) -> float:
        """Return a sum of squares over all parts, as many counting as are independent."""
        return self.weight * float(squares.sum())


def _full(groups: _Groups, spread: Spread) -> Array:
    """Return the squared distance from no change, both quantities together."""
    r2 = spread.both * spread.both / (spread.ph * spread.log)
    zp, zk = groups.ph / np.sqrt(groups.ph_var), groups.log / np.sqrt(groups.log_var)
    r = math.copysign(math.sqrt(r2), spread.both)
    found: Array = (zp * zp - 2.0 * r * zp * zk + zk * zk) / (1.0 - r2)
    return found


def _along(name: str, stretch: Stretch, groups: _Groups, way: Paths, settings: IngressSettings) -> float:
    """Return half the sum of squares from the nearest points of a path, the best lag and background."""
    mp, mk = way.ph[name], way.log_conductivity[name]
    lags = LAGS_S if stretch.even else LAGS_S[:1]
    ph = np.stack([groups.of(_lagged(stretch.ph, -lag)) for lag in lags])
    log = np.stack([groups.of(_lagged(stretch.log, lag)) for lag in lags])
    ph_sd = np.sqrt(
        groups.ph_var + _PH_MODEL**2 + (settings.ph_change_rel_u * ph) ** 2 + (_MOVING * _steps(ph)) ** 2
    )
    log_sd = np.sqrt(
        groups.log_var + _LOG_MODEL**2 + (_LOG_MODEL_REL * log) ** 2 + (_MOVING * _steps(log)) ** 2
    )
    squares = _nearest(mp, mk, ph, log, ph_sd, log_sd)
    half = 0.5 * groups.weight * squares.sum(axis=-1)  # lags by backgrounds
    half = half + np.array(_LAG_PRICE[: len(lags)])[:, None] + way.water.price[None, :]
    return float(half.min())


def _steps(values: Array) -> Array:
    """Return the change from the part before, the first one from rest; shape (lags, parts)."""
    return np.diff(values, axis=-1, prepend=0.0)


def _nearest(mp: Array, mk: Array, ph: Array, log: Array, ph_sd: Array, log_sd: Array) -> Array:
    """Return squared distances of points (lags, parts) from paths (backgrounds, steps).

    Shape (lags, backgrounds, parts). The nearest step, then the nearest point of the segments on
    both sides of it.
    """
    sp, sk = ph_sd[:, None, :, None], log_sd[:, None, :, None]
    x, y = mp[None, :, None, :] / sp, mk[None, :, None, :] / sk
    px, py = (ph / ph_sd)[:, None, :, None], (log / log_sd)[:, None, :, None]
    far = (x - px) ** 2 + (y - py) ** 2
    at = far.argmin(axis=-1)[..., None]
    best = np.take_along_axis(far, at, -1)
    last = mp.shape[-1] - 1
    for low, high in ((np.maximum(at - 1, 0), at), (at, np.minimum(at + 1, last))):
        x0, y0 = np.take_along_axis(x, low, -1), np.take_along_axis(y, low, -1)
        dx, dy = np.take_along_axis(x, high, -1) - x0, np.take_along_axis(y, high, -1) - y0
        length = dx * dx + dy * dy
        t = np.clip(((px - x0) * dx + (py - y0) * dy) / np.where(length > 0.0, length, 1.0), 0.0, 1.0)
        best = np.minimum(best, (x0 + t * dx - px) ** 2 + (y0 + t * dy - py) ** 2)
    found: Array = best[..., 0]
    return found


def _lagged(values: Array, lag_s: float) -> Array:
    """Return what a first-order lag makes of a series that began at rest; none for a lag of 0 or less."""
    if lag_s <= 0.0:
        return values
    kept = math.exp(-BLOCK_MS / 1000.0 / lag_s)
    length = min(len(values), math.ceil(-5.0 / math.log(kept)))
    kernel = (1.0 - kept) * kept ** np.arange(length)
    # Past the kernel the series is what it was first: at rest near zero.
    return np.convolve(values, kernel)[: len(values)]


def _loss(groups: _Groups, way: Paths) -> float:
    """Return half the sum of squares if carbonate left the water: the path continued backwards."""
    p, k = way.ph["co2-ingress"][0], way.log_conductivity["co2-ingress"][0]
    step = int(np.searchsorted(-p, 0.05))
    step = min(max(step, 1), len(p) - 1)
    along = np.array([-p[step], -k[step]])
    sd = np.stack([np.sqrt(groups.ph_var + 0.03**2), np.sqrt(groups.log_var + 0.03**2)])
    points = np.stack([groups.ph, groups.log]) / sd
    line = along[:, None] / sd
    line = line / np.sqrt((line * line).sum(axis=0))
    reach = np.maximum((points * line).sum(axis=0), 0.0)
    return 0.5 * groups.total(((points - reach * line) ** 2).sum(axis=0))


def _temperature(stretch: Stretch, groups: _Groups) -> float:
    """Return half the sum of squares if what is left follows the temperature: wrong compensation."""
    if np.abs(stretch.temperature_c).max() < 1.0:
        return _MISSING
    t = groups.warmer
    norm = float((t * t).sum()) + 1e-9
    half = 2.0
    for values, variance, usual in (
        (groups.ph, groups.ph_var, 0.008),
        (groups.log, groups.log_var, 0.010),
    ):
        if not np.isfinite(values).all():
            continue
        slope = float((values * t).sum()) / norm
        half += 0.5 * groups.total((values - slope * t) ** 2 / variance) + 0.5 * (slope / usual) ** 2
    return half


def _sudden(values: Array, jumps: Array, first: int, *, reading: float = _SUDDEN_READING) -> bool:
    """Return whether nearly all of a change came between two readings and within three blocks."""
    change = float(values[-3:].mean())
    if not math.isfinite(change) or change == 0.0:
        return False
    start = max(first - 3, 0)
    largest = float(np.max(jumps[start:] * math.copysign(1.0, change), initial=0.0))
    steps = values[start + 2 :] - values[start:-2]
    blocks = float(np.max(steps * math.copysign(1.0, change), initial=0.0))
    return largest > reading * abs(change) and blocks > _SUDDEN_BLOCKS * abs(change)


def _reference_explains(stretch: Stretch, rise: float, settings: IngressSettings) -> bool:
    """Return whether electrolyte of the reference explains a rise, the flow having fallen, or a fall.

    In pure water it may carry most of the conductivity, which then goes with every wavering of the flow.
    """
    moved = _last(stretch.log_flow)
    if not (settings.sees_same_water and abs(moved) > _FLOW_MOVE and rise * moved < 0.0):
        return False
    flow_before, before = max(stretch.flow_before, 1e-3), math.exp(stretch.log_before)
    flow = max(flow_before * math.exp(moved), 1e-3)
    declared = settings.reference_outflow_ul_h
    if declared is None:
        own = min(REFERENCE_US_CM * _MOST_OUTFLOW_UL_H / flow_before, before - _PURE_US_CM)
        brought = _UNEVEN * own
    else:  # what was declared has been taken off
        brought = 3.0 * REFERENCE_US_CM * declared / flow_before
    return before * abs(math.expm1(rise)) < brought * abs(flow_before / flow - 1.0)


def _last(values: Array) -> float:
    """Return the mean of the newest three, 0 where not measured."""
    newest = float(values[-3:].mean())
    return newest if math.isfinite(newest) else 0.0
