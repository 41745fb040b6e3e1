"""Excursions of the water past its limits, as the readings show them.

They are found in every stored reading through the line in force, whether or not anything was accepted
meanwhile: a result may be refused just because the water moves. Left out are readings the meter flagged,
those no electrode gives, and those taken while someone worked at the cell.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from quietcell.core.electrode.influences import LowIonicCheck
from quietcell.core.electrode.nernst import Line
from quietcell.core.readings import Quantity, ReadingBlock
from quietcell.core.records import Json
from quietcell.core.water.inverse_ph import amount_from_ph
from quietcell.core.water.pharmacopoeia import stage_1_limit_us_cm
from quietcell.core.water.reference25 import PH_MODELS, ph_25c
from quietcell.core.water.speciation import PURE_WATER, Composition, solve_ph
from quietcell.errors import UsageError

BRIDGE_S: Final = 300.0
"""Readings past a limit that lie closer together than this are one excursion."""
MV_RANGE: Final = (-1500.0, 1500.0)
PH_RANGE: Final = (3.0, 11.0)
"""Where a pH can be referred to 25 °C."""
_GRID_C: Final = np.linspace(0.0, 100.0, 401)
Side = Literal["low", "high"]
STAGE_1: Final = "conductivity_stage_1"
LIMITS: Final[Mapping[str, tuple[str, str, Side]]] = {
    "ph_low": ("ph_25c", "", "low"),
    "ph_high": ("ph_25c", "", "high"),
    "conductivity_low_us_cm": ("conductivity_us_cm", "µS/cm", "low"),
    "conductivity_high_us_cm": ("conductivity_us_cm", "µS/cm", "high"),
    STAGE_1: ("conductivity_us_cm", "µS/cm", "high"),
    "temperature_low_c": ("temperature_c", "°C", "low"),
    "temperature_high_c": ("temperature_c", "°C", "high"),
    "flow_low_ml_min": ("flow_ml_min", "mL/min", "low"),
    "flow_high_ml_min": ("flow_ml_min", "mL/min", "high"),
}
"""Limits as the configuration of a cell names them: quantity, unit, side."""


@dataclass(slots=True, kw_only=True)
class Excursion:
    """A stretch of readings past one limit; times UTC, ms."""

    limit: str
    """Name of the limit."""
    limit_value: float | None
    """None for a table."""
    quantity: str
    unit: str
    from_ms: int
    """First reading past it."""
    to_ms: int
    """Last reading past it."""
    readings: int
    furthest: float
    """The value furthest past it."""
    furthest_ms: int
    _past: float = field(default=0.0, repr=False)

    @property
    def duration_s(self) -> float:
        """From the first to the last reading past the limit."""
        return (self.to_ms - self.from_ms) / 1000.0


def limits_of(settings: Mapping[str, Json], cell: str) -> dict[str, float | None]:
    """Return the limits of a cell in the settings of a run; None as value for a table.

    Parameters
    ----------
    settings : mapping
        Effective configuration, as a run records it.
    cell : str
        Which cell; one that is not there has no limits.
    """
    own = settings.get("cells", {}).get(cell)
    if own is None:
        return {}
    given = own.get("limits", {})
    found: dict[str, float | None] = {
        name: float(given[name]) for name in LIMITS if name != STAGE_1 and given.get(name) is not None
    }
    if given.get(STAGE_1):
        found[STAGE_1] = None
    if not any(name.startswith("flow") for name in found):
        criterion = settings.get("criteria", {}).get(own.get("criterion"), {})
        for name in ("flow_low_ml_min", "flow_high_ml_min"):
            if criterion.get(name) is not None:
                found[name] = float(criterion[name])
    return found


def limits_from(texts: Iterable[str]) -> dict[str, float | None]:
    """Return limits from texts such as ``ph_low=6.2``.

    Raises
    ------
    UsageError
        If one is none.
    """
    found: dict[str, float | None] = {}
    for text in texts:
        name, _, value = text.partition("=")
        known = [each for each in LIMITS if each != STAGE_1]
        if name not in known:
            raise UsageError(f"--limit {text!r}: there is {', '.join(known)}")
        try:
            number = float(value)
        except ValueError:
            number = float("nan")
        if not np.isfinite(number):
            raise UsageError(f"--limit {text!r}: {value!r} is no number", hint=f"Write it like {name}=6.5")
        found[name] = number
    return found


@cache
def _ph_grid(limit_25c: float, model: str) -> Quantity:
    """Return the pH over `_GRID_C` of the water that has this pH at 25 °C."""
    water = PH_MODELS[model]
    neutral = float(solve_ph(PURE_WATER, 25.0))
    solute = water.acid_side if limit_25c < neutral else water.alkaline_side
    amount = amount_from_ph(solute, limit_25c, 25.0, water.background)
    dissolved: dict[str, Any] = {f"{solute}_mol_kg": amount}
    composition = Composition(**dissolved)
    return np.asarray(solve_ph(composition, _GRID_C), np.float64)


def ph_limit_at(limit_25c: float, temperature_c: Quantity, model: str = "carbonate") -> Quantity:
    """Return which pH at sample temperature stands for a limit at 25 °C.

    Parameters
    ----------
    limit_25c : float
        pH at 25 °C, 3..11.
    temperature_c : array
        Sample temperature, °C, 0..100.
    model : str
        What is dissolved, a name of `PH_MODELS`.
    """
    return np.asarray(np.interp(temperature_c, _GRID_C, _ph_grid(limit_25c, model)), np.float64)


def counting(block: ReadingBlock, anchor_ms: int, apart: Sequence[tuple[int, int]]) -> NDArray[np.bool_]:
    """Return which readings say something about the water, shape (n,).

    Parameters
    ----------
    block : ReadingBlock
        The readings.
    anchor_ms : int
        UTC when their segment began, ms.
    apart : sequence of (int, int)
        When someone worked at the cell, UTC ms.
    """
    at_ms = block.ms + anchor_ms
    good: NDArray[np.bool_] = block.flags == 0
    for from_ms, to_ms in apart:
        good &= (at_ms < from_ms) | (at_ms >= to_ms)
    return good


def ph_of(block: ReadingBlock, line: Line | None, check: LowIonicCheck | None = None) -> Quantity:
    """Return the pH at sample temperature by line and low-ionic check in force; NaN without a line."""
    ph = np.full(len(block), np.nan)
    if line is None:
        return ph
    mv, temperature_c = block.mv, block.temperature_c
    good = (mv >= MV_RANGE[0]) & (mv <= MV_RANGE[1]) & (temperature_c >= 0) & (temperature_c <= 100)
    ph[good] = line.ph(mv[good], temperature_c[good])
    return ph if check is None else ph - check.taken_off(block.conductivity_us_cm)


@dataclass(slots=True, kw_only=True)
class Excursions:
    """Collects excursions from blocks of readings in order of time."""

    found: list[Excursion] = field(default_factory=list)
    last: dict[str, Excursion] = field(default_factory=dict)

    def feed(
        self,
        at_ms: NDArray[np.int64],
        columns: Mapping[str, Quantity],
        limits: Mapping[str, float | None],
        model: str,
    ) -> None:
        """Take readings that count.

        Parameters
        ----------
        at_ms : ndarray
            UTC, shape (n,), in order.
        columns : mapping
            ``ph`` (at sample temperature), ``conductivity_us_cm``, ``temperature_c``, ``flow_ml_min``,
            each of shape (n,), NaN for not measured.
        limits : mapping
            As `limits_of` gives them.
        model : str
            What is taken to be dissolved when a pH is referred to 25 °C.
        """
        for name, limit in limits.items():
            quantity, unit, side = LIMITS[name]
            values = columns["ph" if quantity == "ph_25c" else quantity]
            past = values - _threshold(name, limit, columns["temperature_c"], model)
            if side == "low":
                past = -past
            rows = np.flatnonzero(past > 0)
            if not len(rows):
                continue
            breaks = np.flatnonzero(np.diff(at_ms[rows]) > BRIDGE_S * 1000) + 1
            for part in np.split(rows, breaks):
                worst = part[np.argmax(past[part])]
                value = float(values[worst])
                if quantity == "ph_25c":
                    value = _at_25c(value, float(columns["temperature_c"][worst]), model)
                self._add(
                    Excursion(
                        limit=name,
                        limit_value=limit,
                        quantity=quantity,
                        unit=unit,
                        from_ms=int(at_ms[part[0]]),
                        to_ms=int(at_ms[part[-1]]),
                        readings=len(part),
                        furthest=value,
                        furthest_ms=int(at_ms[worst]),
                        _past=float(past[worst]),
                    )
                )

    def _add(self, new: Excursion) -> None:
        """Append an excursion, or let it go on from the last of its limit."""
        old = self.last.get(new.limit)
        if old is None or new.from_ms - old.to_ms > BRIDGE_S * 1000 or old.limit_value != new.limit_value:
            self.found.append(new)
            self.last[new.limit] = new
            return
        old.to_ms = new.to_ms
        old.readings += new.readings
        if new._past > old._past:  # noqa: SLF001 # one of its own kind
            old.furthest, old.furthest_ms, old._past = new.furthest, new.furthest_ms, new._past  # noqa: SLF001 # same


def may_be_past(
    limits: Mapping[str, float | None], extremes: Mapping[str, tuple[float, float]], model: str
) -> bool:
    """Return whether readings with these extremes may lie past a limit; if not, none does.

    Parameters
    ----------
    limits, model
        As for `Excursions.feed`.
    extremes : mapping
        Lowest and highest of each of its columns, NaN for not measured.
    """
    coldest_c, warmest_c = extremes["temperature_c"]
    between = _GRID_C[(coldest_c < _GRID_C) & (warmest_c > _GRID_C)]
    temperature_c = np.concatenate(([coldest_c], between, [warmest_c]))
    for name, limit in limits.items():
        quantity, _, side = LIMITS[name]
        low, high = extremes["ph" if quantity == "ph_25c" else quantity]
        thresholds = np.atleast_1d(_threshold(name, limit, temperature_c, model))
        thresholds = thresholds[np.isfinite(thresholds)]  # none where the temperature is not known
        if not len(thresholds):
            continue
        if (low < thresholds.max()) if side == "low" else (high > thresholds.min()):
            return True
    return False


def _threshold(name: str, limit: float | None, temperature_c: Quantity, model: str) -> Quantity | float:
    if limit is None:
        return np.asarray(stage_1_limit_us_cm(temperature_c, on_invalid="nan"), np.float64)
    return ph_limit_at(limit, temperature_c, model) if name.startswith("ph") else limit


def _at_25c(ph: float, temperature_c: float, model: str) -> float:
    low, high = PH_RANGE
    clipped = min(max(ph, low), high)
    return float(ph_25c(clipped, temperature_c, model, on_invalid="nan").value)
