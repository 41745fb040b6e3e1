"""A first detector of carbon dioxide: pH and conductivity move together along the carbonic line.

Total carbonate is inferred twice every half minute, from pH and from conductivity, as if nothing else
were dissolved beyond what was there before. Carbon dioxide raises both by the same amount; a drifting
junction raises only the one from pH, salt only the one from conductivity, base lowers the one from pH.
What it cannot do: tell a strong acid from carbon dioxide, see anything without conductivity at the
sample, or say where the gas came in. It needs some minutes of undisturbed water to compare with.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from statistics import median
from typing import Literal

from quietcell.core.water.inverse import total_carbonate_from_conductivity, total_carbonate_from_ph

LOOK_MS = 30_000
"""Means over so long are compared; water changes slowly and noise averages out."""
COMPARED = (4, 30)
"""The baseline is the median of looks from so many to so many back: 2 to 15 minutes ago."""
FEWEST = 6
"""Looks a baseline needs."""
SMALLEST_UG_L = 5.0
"""A smaller rise is left to a better detector."""
NOISE_FACTOR = 6.0
"""A rise must exceed so many robust standard deviations of the looks before it."""
NOISE_FLOOR_UG_L, NOISE_FLOOR_SHARE = 0.3, 0.02
"""Quiet looks may repeat by chance; their spread counts as at least this."""
SAME_WITHIN = (0.4, 2.5)
"""Ratio of the rises by pH and by conductivity that carbon dioxide explains; the electrode lags."""
CONFIRMED_BY = 2
"""Looks in a row that must agree before an episode opens."""
UNDONE = 0.3
"""It closes once the rise has fallen to this share of its peak,"""
CLOSED_BY = 3
"""for so many looks in a row."""
TOLD_AGAIN = 1.5
"""An open episode is told again when its size has changed by this factor."""
CO2_UG_PER_MOL = 44.0095e6


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """Means over one look; carbonate as CO2, µg/L."""

    ms: int
    ph: float
    conductivity_us_cm: float
    from_ph_ug_l: float
    from_conductivity_ug_l: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """What a look says of an episode."""

    state: Literal["opened", "updated", "closed"]
    began_ms: int
    flagged_ms: int
    closed_ms: int | None
    before: Look
    """Medians of the looks compared with."""
    now: Look
    from_ph_ug_l: float
    """Rise by pH."""
    from_conductivity_ug_l: float
    """Rise by conductivity."""
    from_ph_u_ug_l: float
    """Expanded (k = 2) uncertainty of the first: repeatability and 0.02 pH."""
    from_conductivity_u_ug_l: float
    """Expanded (k = 2) uncertainty of the second: repeatability and 2 %."""


def look(ms: int, ph: float, conductivity_us_cm: float, temperature_c: float) -> Look | None:
    """Infer carbonate from one set of means; None outside what the chemistry covers."""
    by_ph = float(total_carbonate_from_ph(ph, temperature_c, on_invalid="nan")) * CO2_UG_PER_MOL
    by_conductivity = CO2_UG_PER_MOL * float(
        total_carbonate_from_conductivity(conductivity_us_cm, temperature_c, side="acid", on_invalid="nan")
    )
    if not (math.isfinite(by_ph) and math.isfinite(by_conductivity)):
        return None
    return Look(
        ms=ms,
        ph=ph,
        conductivity_us_cm=conductivity_us_cm,
        from_ph_ug_l=by_ph,
        from_conductivity_ug_l=by_conductivity,
    )


@dataclass(slots=True)
class CarbonicLine:
    """Compares each look with those before it."""

    _looks: list[Look] = field(default_factory=list)
    _before: Look | None = None
    """Baseline of the open episode."""
    _spread: tuple[float, float] = (0.0, 0.0)
    _began_ms: int = 0
    _flagged_ms: int = 0
    _agreeing: int = 0
    _undone: int = 0
    _peak_ug_l: float = 0.0
    _told_ug_l: float = 0.0

    @property
    def open(self) -> bool:
        """True while an episode is open."""
        return self._before is not None

    def shift(self, ms: int) -> None:
        """Move to the time of the next segment, whose zero lies `ms` later."""
        self._looks = [_moved(each, ms) for each in self._looks]
        self._before = None if self._before is None else _moved(self._before, ms)
        self._began_ms -= ms
        self._flagged_ms -= ms

    def see(self, now: Look) -> Finding | None:
        """Take the next look; returns what it says of an episode, if anything is to be told."""
        finding = self._while_open(now) if self._before is not None else self._while_closed(now)
        self._looks = [*self._looks[-COMPARED[1] :], now]
        return finding

    def _while_closed(self, now: Look) -> Finding | None:
        compared = self._looks[: -COMPARED[0]]
        if len(compared) < FEWEST:
            return None
        before = Look(
            ms=compared[-1].ms,
            ph=median(each.ph for each in compared),
            conductivity_us_cm=median(each.conductivity_us_cm for each in compared),
            from_ph_ug_l=median(each.from_ph_ug_l for each in compared),
            from_conductivity_ug_l=median(each.from_conductivity_ug_l for each in compared),
        )
        spread = (
            _spread([each.from_ph_ug_l for each in compared]),
            _spread([each.from_conductivity_ug_l for each in compared]),
        )
        by_ph = now.from_ph_ug_l - before.from_ph_ug_l
        by_conductivity = now.from_conductivity_ug_l - before.from_conductivity_ug_l
        agree = (
            by_ph > max(SMALLEST_UG_L, NOISE_FACTOR * spread[0])
            and by_conductivity > max(SMALLEST_UG_L, NOISE_FACTOR * spread[1])
            and SAME_WITHIN[0] <= by_ph / by_conductivity <= SAME_WITHIN[1]
        )
        self._agreeing = self._agreeing + 1 if agree else 0
        if self._agreeing < CONFIRMED_BY:
            return None
        self._before, self._spread, self._agreeing, self._undone = before, spread, 0, 0
        self._peak_ug_l = self._told_ug_l = by_conductivity
        quiet = [
            each.ms
            for each in self._looks
            if each.from_conductivity_ug_l - before.from_conductivity_ug_l < 2.0 * spread[1]
        ]
        self._began_ms, self._flagged_ms = (quiet or [before.ms])[-1], now.ms
        return self._finding("opened", now)

    def _while_open(self, now: Look) -> Finding | None:
        before = self._before
        if before is None:
            return None
        rise = now.from_conductivity_ug_l - before.from_conductivity_ug_l
        self._peak_ug_l = max(self._peak_ug_l, rise)
        self._undone = self._undone + 1 if rise < UNDONE * self._peak_ug_l else 0
        if self._undone >= CLOSED_BY:
            finding = self._finding("closed", now)
            self._before, self._looks = None, []
            return finding
        if max(rise, self._told_ug_l) > TOLD_AGAIN * max(min(rise, self._told_ug_l), SMALLEST_UG_L):
            self._told_ug_l = rise
            return self._finding("updated", now)
        return None

    def _finding(self, state: Literal["opened", "updated", "closed"], now: Look) -> Finding:
        before = self._before or now
        by_ph = now.from_ph_ug_l - before.from_ph_ug_l
        by_conductivity = now.from_conductivity_ug_l - before.from_conductivity_ug_l
        return Finding(
            state=state,
            began_ms=self._began_ms,
            flagged_ms=self._flagged_ms,
            closed_ms=now.ms if state == "closed" else None,
            before=before,
            now=now,
            from_ph_ug_l=by_ph,
            from_conductivity_ug_l=by_conductivity,
            # Carbonate goes with the square of H+: 0.02 pH are 9 %, 1 % of conductivity about 2 %.
            from_ph_u_ug_l=math.hypot(2.0 * self._spread[0], 0.18 * now.from_ph_ug_l),
            from_conductivity_u_ug_l=math.hypot(2.0 * self._spread[1], 0.04 * now.from_conductivity_ug_l),
        )


def _moved(one: Look, ms: int) -> Look:
    return Look(
        ms=one.ms - ms,
        ph=one.ph,
        conductivity_us_cm=one.conductivity_us_cm,
        from_ph_ug_l=one.from_ph_ug_l,
        from_conductivity_ug_l=one.from_conductivity_ug_l,
    )


def _spread(values: Sequence[float]) -> float:
    """Return a robust standard deviation, never below the floor."""
    middle = median(values)
    deviation = 1.4826 * median(abs(value - middle) for value in values)
    return max(deviation, NOISE_FLOOR_UG_L, NOISE_FLOOR_SHARE * abs(middle))


def wording(finding: Finding, began: str, sample_age_s: float | None) -> str:
    """Return one plain sentence or two for the technician.

    Parameters
    ----------
    finding : Finding
        What was found.
    began : str
        Its beginning as people read it.
    sample_age_s : float or None
        From sample point to electrode.
    """
    before, now = finding.before, finding.now
    numbers = (
        f"conductivity {before.conductivity_us_cm:.3f} to {now.conductivity_us_cm:.3f} µS/cm, "
        f"pH {before.ph:.2f} to {now.ph:.2f}"
    )
    if finding.state == "closed":
        return f"The carbon dioxide suspected since {began} is gone ({numbers})."
    age = "" if sample_age_s is None else f" at a sample age of {sample_age_s:.0f} s"
    return (
        f"Carbon dioxide is suspected in the water since {began}: "
        f"{finding.from_conductivity_ug_l:.0f} ± {finding.from_conductivity_u_ug_l:.0f} µg/L by "
        f"conductivity, {finding.from_ph_ug_l:.0f} ± {finding.from_ph_u_ug_l:.0f} µg/L by pH{age} "
        f"({numbers}). "
        "A strong acid would look the same. Look first at fittings, tubing and seals before the electrode, "
        "then at the vent filter of the tank; does it change with the flow?"
    )
