"""The guided flow test: three flows and back tell where carbon dioxide comes in.

A constant leak into the sample path goes with 1/flow, more so while hydration is unfinished; air drawn in
goes *with* the flow; what the water brings stays; streaming moves pH alone, in proportion to the flow and
of either sign. Each explanation is weighed by how probable it makes all readings together, over all sizes
and backgrounds, with what is uncertain about pH (bias, drift during the test) and conductivity
(salt, electrolyte from the reference) allowed for.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from quietcell.core.ingress.event import Amount, IngressSettings, Place
from quietcell.core.ingress.evidence import CO2_UG_PER_MOL, REFERENCE_US_CM, YOUNGEST_S
from quietcell.core.readings import ReadingBlock
from quietcell.core.water.hydration import apparent_carbonate
from quietcell.core.water.speciation import PURE_WATER, Composition, solve_ph, speciate
from quietcell.errors import DomainError

FlowVerdict = Literal[
    "leak", "air-drawn-in", "carbon-dioxide-in-water", "streaming", "nothing-found", "cannot-tell"
]
Array = NDArray[np.float64]

LEAD: Final = 2.3
"""Log odds by which an effect of the flow must lead over everything else: ten to one."""
LEAST_FLOW_ML_MIN: Final = 0.1
"""A valve that lets less through is shut."""
LEAST_FLOW_RATIO: Final = 1.2
"""Neighbouring flows must differ by this factor,"""
BACK_RATIO: Final = 1.1
"""and the last agree with the first within this one."""
SETTLED_VOLUMES: Final = 5.0
"""Hold-ups to let through at each flow before its readings are taken (plug flow would need one)."""
LEAST_SETTLE_S: Final = 180.0
"""An electrode in water of low ionic strength needs longer than the water (common practice, no source)."""

_SIZES_UG_L: Final = np.geomspace(1.0, 1500.0, 80)
_BACKGROUNDS_UG_L: Final = np.concatenate(([0.0], np.geomspace(0.5, 500.0, 24)))
_AMMONIA: Final = np.concatenate(([0.0], np.geomspace(3e-7, 2e-5, 6)))
_AGES_S: Final = np.array([YOUNGEST_S, 20.0, 50.0])
"""Sample ages at the first flow that are tried where the hold-up is not known."""
_SETTLED_S: Final = 1e4
"""Older gas has surely turned to ions."""
_MOST_MOL_KG: Final = 0.01
"""No gas at atmospheric pressure brings as much from air."""
_DRIFT_PH: Final = 0.006
"""Drift of pH from one flow to the next."""
_STREAMING_PH: Final = 0.15
"""Streaming where the flow changes by its own size (common practice, no source)."""
_MOVED_PH: Final = 0.15
_KAPPA_STEP: Final = 0.006
"""Relative standard deviation of conductivity from step to step, that of the temperature included,"""
_KAPPA_MODEL: Final = 0.06
"""and as a share of what the flow does to it by the explanation tried: rate of hydration, sizes tried."""
_OUTFLOWS: Final = np.array([0.0, 0.3, 0.7, 1.2, 2.0])
"""Outflows of the reference that are tried, as multiples of the usual one: it only ever adds."""
_DECLARED: Final = np.array([-2.0, -1.0, 0.0, 1.0, 2.0])
"""The same in standard uncertainties from a declared one."""
_OUTFLOW_UL_H: Final = 2.0
"""Usual outflow where none is declared (common practice, no source); a declared one is known to 30 %."""
_IN_WATER_UG_L: Final = 10.0
"""Less carbonate than this is nothing to speak of (common practice, no source)."""
_GRID: Final = 0.08
"""Relative standard uncertainty from the steps between the sizes tried."""
PLACES: Final[dict[FlowVerdict, Place]] = {
    "leak": "sample-path",
    "air-drawn-in": "sample-path",
    "carbon-dioxide-in-water": "upstream",
}
"""Where each finding says that carbon dioxide comes in."""
_SEEN: Final = ("leak", "air-drawn-in", "streaming")


@dataclass(frozen=True, slots=True, kw_only=True)
class FlowStep:
    """Means at one flow, once readings have settled there.

    Raises
    ------
    DomainError
        If a figure cannot be one of running water.
    """

    flow_ml_min: float
    ph: float
    temperature_c: float
    conductivity_us_cm: float | None = None
    ph_u: float = 0.01
    """Standard uncertainty of the mean as far as it differs from step to step."""

    def __post_init__(self) -> None:
        """Refuse what no test gives."""
        for name, unit, low, high in (
            ("flow_ml_min", "mL/min", LEAST_FLOW_ML_MIN, 1e5),
            ("ph", "", 3.0, 11.0),
            ("temperature_c", "°C", 0.0, 100.0),
            ("conductivity_us_cm", "µS/cm", 1e-3, 1000.0),
            ("ph_u", "", 1e-4, 1.0),
        ):
            value = getattr(self, name)
            if value is not None and not low <= value <= high:
                raise DomainError(
                    f"{name} = {value:g} {unit}".rstrip() + " cannot be judged by a flow test",
                    hint=f"it has to lie in {low:g}..{high:g} {unit}".rstrip(),
                )

    @classmethod
    def of(cls, readings: ReadingBlock, ph: Array) -> "FlowStep":
        """Return the step that settled readings and their pH, shape (n,), make.

        Raises
        ------
        DomainError
            If there is no reading with pH, temperature and flow.
        """
        known = np.isfinite(ph) & np.isfinite(readings.temperature_c) & np.isfinite(readings.flow_ml_min)
        if not known.any():
            raise DomainError(
                "no reading with potential, temperature and flow", hint="a flow test needs a flow meter"
            )
        conductivity = readings.conductivity_us_cm[known & np.isfinite(readings.conductivity_us_cm)]
        halves = np.array_split(ph[known], 2)
        moved = abs(float(halves[-1].mean() - halves[0].mean())) if len(halves[-1]) else 0.0
        return cls(
            flow_ml_min=float(readings.flow_ml_min[known].mean()),
            ph=float(ph[known].mean()),
            temperature_c=float(readings.temperature_c[known].mean()),
            conductivity_us_cm=float(conductivity.mean()) if len(conductivity) else None,
            ph_u=math.hypot(0.01, moved),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class FlowFinding:
    """What a flow test says."""

    verdict: FlowVerdict
    log_evidence: dict[str, float]
    """Per explanation, relative to no effect of the flow."""
    co2_ug_per_l: Amount | None
    """What came in at the first flow, for a leak or air drawn in; what the water brings, if it does."""
    smallest_co2_ug_per_l: float
    """At the first flow: a leak of this size would have shown."""
    text: str
    """One or two plain sentences, with what to look at first."""


def settle_s(flow_ml_min: float, settings: IngressSettings) -> float:
    """Return how long to wait at a flow before its readings are taken, s."""
    volumes = 60.0 * SETTLED_VOLUMES * (settings.hold_up_ml or 0.0) / flow_ml_min
    return max(volumes, LEAST_SETTLE_S)


def judge_flow_test(steps: Sequence[FlowStep], settings: IngressSettings) -> FlowFinding:
    """Weigh the explanations of what a cell read at three flows and back.

    Parameters
    ----------
    steps : sequence of FlowStep
        Four: three different flows in any order, then the first again.
    settings : IngressSettings
        What is known of the cell.

    Raises
    ------
    DomainError
        If there are not four steps, flows are too alike, or the last is not the first again.
    """
    _check(steps)
    test = _Test(steps, settings)
    evidence, sizes = {}, {}
    for name in ("none", "leak", "air-drawn-in"):
        evidence[name], sizes[name] = test.weigh(name)
    evidence["streaming"], _ = test.weigh("none", streaming=True)
    evidence["moved"], _ = test.weigh("none", moved=True)
    relative = {name: round(value - evidence["none"], 2) for name, value in evidence.items()}
    best = max(relative, key=lambda name: relative[name])
    lead = relative[best] - max(value for name, value in relative.items() if name != best)
    verdict: FlowVerdict = "cannot-tell"
    amount = None
    for seen in ("leak", "air-drawn-in", "streaming"):
        if best == seen and lead >= LEAD:
            verdict = seen
    if best == "none" or (best in _SEEN and relative[best] < 1.0):
        amount = sizes["none"]
        held = amount.value - amount.expanded_uncertainty > _IN_WATER_UG_L
        verdict = "carbon-dioxide-in-water" if held else "nothing-found"
    if verdict in ("leak", "air-drawn-in"):
        amount = sizes[verdict]
    smallest = test.smallest_ug_l()
    return FlowFinding(
        verdict=verdict,
        log_evidence=relative,
        co2_ug_per_l=amount if verdict not in ("nothing-found", "streaming", "cannot-tell") else None,
        smallest_co2_ug_per_l=smallest,
        text=_text(verdict, amount, smallest, steps),
    )


def _check(steps: Sequence[FlowStep]) -> None:
    if len(steps) != 4:
        raise DomainError(
            f"a flow test of {len(steps)} steps", hint="it has four: three flows, then the first again"
        )
    flows = sorted(step.flow_ml_min for step in steps[:3])
    if flows[1] < LEAST_FLOW_RATIO * flows[0] or flows[2] < LEAST_FLOW_RATIO * flows[1]:
        told = ", ".join(f"{flow:.1f}" for flow in flows)
        raise DomainError(
            f"flows of {told} mL/min are too alike", hint=f"let each differ by a factor {LEAST_FLOW_RATIO:g}"
        )
    back = steps[3].flow_ml_min / steps[0].flow_ml_min
    if not 1.0 / BACK_RATIO <= back <= BACK_RATIO:
        raise DomainError(
            f"the last flow, {steps[3].flow_ml_min:.1f} mL/min, is not the first, "
            f"{steps[0].flow_ml_min:.1f} mL/min",
            hint="set the first flow again and repeat the last step",
        )


class _Test:
    """The readings of one test and how probable explanations make them."""

    def __init__(self, steps: Sequence[FlowStep], settings: IngressSettings) -> None:
        self.settings = settings
        self.flow = np.array([step.flow_ml_min for step in steps])
        self.ph = np.array([step.ph for step in steps])
        self.warm = np.array([step.temperature_c for step in steps])
        self.ph_u = np.array([step.ph_u for step in steps])
        kappa = [step.conductivity_us_cm for step in steps]
        self.kappa = None
        if settings.sees_same_water and all(value is not None for value in kappa):
            self.kappa = np.array(kappa, np.float64)
        known = settings.hold_up_ml
        volumes = [known] if known else [0.0, *(_AGES_S * self.flow[0] / 60.0)]
        self.ages = [
            np.minimum(60.0 * volume / self.flow, _SETTLED_S) if volume else None for volume in volumes
        ]
        neutral = float(np.asarray(solve_ph(PURE_WATER, self.warm)).mean())
        dosed = self.ph.max() > neutral + 2.0 * settings.ph_bias_u
        ammonia = _AMMONIA if dosed else _AMMONIA[:1]
        carbonate = _BACKGROUNDS_UG_L / CO2_UG_PER_MOL
        self.carbonate, self.ammonia = (each.ravel() for each in np.meshgrid(carbonate, ammonia))

    def weigh(self, name: str, *, streaming: bool = False, moved: bool = False) -> tuple[float, Amount]:
        """Return the log evidence of an explanation and the amount of carbonate it finds, µg/L."""
        size = _SIZES_UG_L if name != "none" else np.zeros(1)
        log_like = np.stack(
            [
                self._log_likelihood(self._shown(name, size, age), streaming=streaming, moved=moved)
                for age in (self.ages if name != "none" else [None])
            ]
        )
        most = float(log_like.max())
        weight = np.exp(log_like - most)
        what = np.broadcast_to(
            size[:, None] if name != "none" else self.carbonate * CO2_UG_PER_MOL, weight.shape
        )
        total = weight.sum()
        mean = float((weight * what).sum() / total)
        spread = math.sqrt(max(float((weight * (what - mean) ** 2).sum() / total), 0.0))
        return most + math.log(float(weight.mean())), Amount(
            value=mean, expanded_uncertainty=2.0 * math.hypot(spread, _GRID * mean)
        )

    def smallest_ug_l(self) -> float:
        """Return the smallest leak that would have led clearly, its readings being what it predicts."""
        shown = self._shown("leak", _SIZES_UG_L, self.ages[-1])
        none = self._shown("none", np.zeros(1), None)
        with_leak = self._predicted(shown)[0]
        without = self._predicted(none)[0]
        away = with_leak[:, 0, :] - without[0, 0, :]
        inverse = np.linalg.inv(self._ph_covariance(streaming=False, moved=False))
        distance = np.einsum("ij,jk,ik->i", away, inverse, away)
        found = distance > 2.0 * (LEAD + 4.0)
        return float(_SIZES_UG_L[int(np.argmax(found))]) if found.any() else math.inf

    def _shown(self, name: str, size_ug_l: Array, age_s: Array | None) -> Array:
        """Return the carbonate that shows, mol/kg, shape (sizes, backgrounds, steps).

        `age_s` is the age of what came in, None where it is settled.
        """
        ratio = self.flow / self.flow[0]
        share = {"none": 0.0 * ratio, "leak": 1.0 / ratio, "air-drawn-in": ratio}[name]
        added = np.minimum((size_ug_l[:, None] * share)[:, None, :] / CO2_UG_PER_MOL, _MOST_MOL_KG)
        base = self.carbonate[None, :, None]
        if name == "none" or age_s is None:
            return np.asarray(base + added + 0.0 * self.ammonia[None, :, None])
        before = Composition(total_carbonate_mol_kg=base, ammonia_mol_kg=self.ammonia[None, :, None])
        return np.maximum(apparent_carbonate(added, age_s, self.warm, before), 0.0)

    def _predicted(self, carbonate: Array) -> tuple[Array, Array]:
        made = speciate(
            Composition(total_carbonate_mol_kg=carbonate, ammonia_mol_kg=self.ammonia[None, :, None]),
            self.warm,
        )
        return np.asarray(made.ph), np.asarray(made.conductivity_us_cm)

    def _ph_covariance(self, *, streaming: bool, moved: bool) -> Array:
        order = np.arange(4.0)
        found = np.diag(self.ph_u**2) + self.settings.ph_bias_u**2
        found += (_MOVED_PH if moved else _DRIFT_PH) ** 2 * np.outer(order, order)
        if moved:
            found += _MOVED_PH**2 * np.eye(4)
        if streaming:
            change = self.flow / self.flow[0] - 1.0
            found += _STREAMING_PH**2 * np.outer(change, change)
        return np.asarray(found)

    def _log_likelihood(self, carbonate: Array, *, streaming: bool, moved: bool) -> Array:
        ph, kappa = self._predicted(carbonate)
        found = _gauss(self.ph - ph, self._ph_covariance(streaming=streaming, moved=moved))
        if self.kappa is not None:
            found = found + self._kappa_log_likelihood(kappa, self.kappa)
        return found

    def _kappa_log_likelihood(self, kappa: Array, read: Array) -> Array:
        """Return the log density of conductivities, whatever neutral salt and reference electrolyte."""
        common = np.outer(read, read) * self.settings.conductivity_rel_u**2 + (2.0 * read.max()) ** 2
        away, moved = read - kappa, np.ptp(kappa, axis=-1)
        # Explanations by which the flow does about the same share a covariance, to invert it once.
        edges = np.concatenate(([0.0], np.geomspace(0.01, 3.0, 12))) * float(read.max())
        which = np.minimum(np.searchsorted(edges, moved), len(edges) - 1)
        found = np.empty(moved.shape)
        for i in np.unique(which):
            alike = which == i
            covariance = np.diag((_KAPPA_STEP * read) ** 2 + (_KAPPA_MODEL * edges[i]) ** 2) + common
            density = [_gauss(away[alike] - salt, covariance) - price for salt, price in self._outflows()]
            found[alike] = np.logaddexp.reduce(density, axis=0) - math.log(len(density))
        return found

    def _outflows(self) -> list[tuple[Array, float]]:
        """Return the conductivity that outflows of the reference bring at each flow, and their prices."""
        declared = self.settings.reference_outflow_ul_h
        if declared is None:
            outflows, prices = _OUTFLOW_UL_H * _OUTFLOWS, 0.5 * _OUTFLOWS**2
        else:
            outflows, prices = declared * (1.0 + 0.3 * _DECLARED), 0.5 * _DECLARED**2
        return [
            (REFERENCE_US_CM * float(outflow) / self.flow, float(price))
            for outflow, price in zip(outflows, prices, strict=True)
        ]


def _gauss(away: Array, covariance: Array) -> Array:
    """Return the log density of residuals, shape (..., 4), without its constant."""
    inverse = np.linalg.inv(covariance)
    _, log_det = np.linalg.slogdet(covariance)
    return np.asarray(-0.5 * (np.einsum("...i,ij,...j->...", away, inverse, away) + log_det))


def _text(verdict: FlowVerdict, amount: Amount | None, smallest: float, steps: Sequence[FlowStep]) -> str:
    """Return what a technician needs to know."""
    told = ", ".join(f"pH {step.ph:.2f} at {step.flow_ml_min:.0f} mL/min" for step in steps)
    size = "" if amount is None else f"{amount.value:.0f} ± {amount.expanded_uncertainty:.0f} µg/L"
    first = f"{steps[0].flow_ml_min:.0f} mL/min"
    what = {
        "leak": f"Air leaks into the sample path, {size} of carbon dioxide at {first}: the less flow "
        "the more. Look first at fittings, tubing and seals between sample point and electrode.",
        "air-drawn-in": f"Air is drawn into the sample path, {size} of carbon dioxide at {first}: the more "
        "flow the more. Look first at fittings on the suction side and at a sample pump.",
        "carbon-dioxide-in-water": f"The water itself brings {size} of carbon dioxide; it stays as the flow "
        "changes. Look first upstream: vent filter of the tank, membrane degasser, ion exchanger.",
        "streaming": "pH follows the flow in proportion and carbon dioxide does not explain it: a streaming "
        "potential or a ground loop. Look first at flow regulation and at the earthing of the cell.",
        "nothing-found": "Nothing follows the flow"
        + (f"; a leak of {smallest:.0f} µg/L at {first} would have shown." if smallest < math.inf else "."),
        "cannot-tell": "The readings fit no single cause. Let each flow settle for longer and repeat the "
        "test; check the electrode in a buffer of low ionic strength if pH does not come back.",
    }[verdict]
    return f"{what} ({told})"
