"""A cell of purified water as its meter would see it: seeded, for demonstrations and tests.

Water: pure water with carbon dioxide and a trace of salt; ion product and first dissociation of
carbonic acid with their temperature dependence, conductivity from the ions at hand. Electrode: two time
constants, a junction that relaxes after buffer, noise that is white and 1/f-like, a converter with steps.
Close enough to look right on a screen; nothing is calibrated against it.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Literal, Self

import numpy as np
from pydantic import Field, model_validator

from quietcell.contracts import DriverSettings

_CO2_G_PER_MOL = 44.0095
_NERNST_MV_PER_K = 0.198416
_FLICKER_S = (3.0, 30.0, 300.0)
"""Time constants of the random walks back to zero whose sum looks like 1/f noise."""


def water_ph_and_conductivity(
    co2_mol_l: float, salt_mol_l: float, temperature_c: float
) -> tuple[float, float]:
    """Return pH and conductivity (µS/cm) of pure water with carbon dioxide and a neutral salt.

    Van 't Hoff and quadratic fits between 0 and 60 °C, good to 0.02 pH and 3 %; conductances of CRC
    with 2 % per °C (H+: 1.4 %).

    Examples
    --------
    >>> ph, conductivity = water_ph_and_conductivity(0.0, 0.0, 25.0)
    >>> round(ph, 2), round(conductivity, 3)
    (7.0, 0.055)
    >>> ph, conductivity = water_ph_and_conductivity(1e-6, 0.0, 25.0)
    >>> round(ph, 2), round(conductivity, 2)
    (6.31, 0.2)
    """
    off = temperature_c - 25.0
    kw = 10.0 ** -(13.995 - 0.0329 * off + 1.6e-4 * off * off)
    k1 = 10.0 ** -(6.352 - 0.0055 * off + 1.1e-4 * off * off)
    hydrogen = math.sqrt(kw)
    for _ in range(30):  # Newton on the charge balance; convex, so it never overshoots twice
        bicarbonate = co2_mol_l * k1 / (hydrogen + k1)
        excess = hydrogen - kw / hydrogen - bicarbonate
        slope = 1.0 + kw / hydrogen**2 + bicarbonate / (hydrogen + k1)
        hydrogen = max(1e-14, hydrogen - excess / slope)
    bicarbonate = co2_mol_l * k1 / (hydrogen + k1)
    warmer = 1.0 + 0.02 * off
    carried = (
        349.65 * (1.0 + 0.014 * off) * hydrogen
        + 198.0 * (1.0 + 0.018 * off) * kw / hydrogen
        + 44.5 * warmer * bicarbonate
        + (50.08 + 76.31) * warmer * salt_mol_l
    )
    return -math.log10(hydrogen), 1000.0 * carried


class Shift(DriverSettings):
    """Something happens: a quantity moves by an amount and, at the end, back again."""

    of: Literal["co2_ug_l", "salt_mol_l", "temperature_c", "flow_ml_min", "mv"] = Field(
        description="What moves: carbon dioxide (µg/L), salt (mol/L), temperature (°C), flow (mL/min), or "
        "the electrode's potential (mV)."
    )
    by: float = Field(ge=-1e6, le=1e6, description="How far, in the unit of the quantity.")
    at_s: float = Field(ge=0, description="When it begins, s.")
    until_s: float | None = Field(default=None, gt=0, description="When it ends, s; left out: never.")
    rise_s: float = Field(
        default=0.0, ge=0, description="Time constant of its coming and going, s; 0: at once."
    )

    @model_validator(mode="after")
    def _ends_after_it_begins(self) -> Self:
        if self.until_s is not None and self.until_s <= self.at_s:
            raise ValueError(f"until_s is {self.until_s:g} s, must be more than at_s ({self.at_s:g} s)")
        return self

    def after(self, elapsed_s: float) -> float:
        """Return how far the quantity has moved."""
        if elapsed_s < self.at_s:
            return 0.0
        until_s = math.inf if self.until_s is None else self.until_s
        if self.rise_s == 0.0:
            return self.by if elapsed_s < until_s else 0.0
        risen = -math.expm1(-(min(elapsed_s, until_s) - self.at_s) / self.rise_s)
        return self.by * risen * math.exp(-max(0.0, elapsed_s - until_s) / self.rise_s)


class Scenario(DriverSettings):
    """What the water and the electrode do."""

    co2_ug_l: float = Field(
        default=2.0, ge=0, le=1e6, description="Carbon dioxide the water always holds, µg/L."
    )
    salt_mol_l: float = Field(
        default=2e-8, ge=0, le=0.1, description="Neutral salt the water always holds, mol/L."
    )
    temperature_c: float = Field(default=21.0, ge=0, le=60, description="Sample temperature, °C.")
    temperature_swing_c: float = Field(
        default=0.1, ge=0, le=20, description="It swings so far to either side within some hours, °C."
    )
    flow_ml_min: float = Field(default=100.0, ge=0, le=1e5, description="Sample flow, mL/min.")
    slope_pct: float = Field(
        default=98.4, ge=-120, le=120, description="Slope of the electrode, % of theory."
    )
    zero_mv: float = Field(default=3.1, ge=-500, le=500, description="Its potential at pH 7 and 25 °C, mV.")
    fast_s: float = Field(default=4.0, gt=0, le=1e5, description="Its fast time constant, s.")
    slow_s: float = Field(default=45.0, gt=0, le=1e5, description="Its slow time constant, s.")
    slow_share: float = Field(
        default=0.15, ge=0, le=1, description="Share of a step that follows the slow time constant."
    )
    junction_mv: float = Field(
        default=0.0, ge=-100, le=100, description="Offset of the junction at the beginning, mV."
    )
    junction_s: float = Field(
        default=900.0, gt=0, le=1e6, description="Time constant of the junction's relaxation, s."
    )
    white_mv: float = Field(default=0.02, ge=0, le=100, description="White noise, mV rms.")
    flicker_mv: float = Field(default=0.03, ge=0, le=100, description="Noise like 1/f, mV rms.")
    events: tuple[Shift, ...] = Field(
        default=(),
        description='What happens, such as { of = "co2_ug_l", by = 40.0, at_s = 420.0, rise_s = 45.0 }; '
        "of is co2_ug_l, salt_mol_l, temperature_c, flow_ml_min or mv, until_s ends it.",
    )


SCENARIOS = {
    "quiet": Scenario(),
    "air-gets-in": Scenario(events=(Shift(of="co2_ug_l", by=40.0, at_s=420.0, until_s=1200.0, rise_s=45.0),)),
    "fresh-from-buffer": Scenario(junction_mv=-9.0, junction_s=1500.0, slow_share=0.3, slow_s=120.0),
}
"""Scenarios by name."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """What a meter would show, not yet put into words."""

    elapsed_s: float
    mv: float
    temperature_c: float
    conductivity_us_cm: float
    flow_ml_min: float


@dataclass(slots=True)
class Simulation:
    """Steps through a scenario; the same seed gives the same samples.

    Parameters
    ----------
    scenario : Scenario
        What happens.
    seed : int
        Of the noise.
    step_mv : float
        Resolution of the converter, mV.
    """

    scenario: Scenario
    seed: int
    step_mv: float = 0.01
    _rng: np.random.Generator = field(init=False)
    _flicker: list[float] = field(init=False)
    _fast_mv: float = field(init=False)
    _slow_mv: float = field(init=False)

    def __post_init__(self) -> None:
        """Start with an electrode that has long been in the water, apart from its junction."""
        self._rng = np.random.default_rng(self.seed)
        self._flicker = [0.0 for _ in _FLICKER_S]
        first_mv = self._potential_mv(0.0)[0]
        self._fast_mv = self._slow_mv = first_mv

    def samples(self, interval_s: float) -> Iterator[Sample]:
        """Yield samples for ever, `interval_s` apart."""
        elapsed_s = 0.0
        while True:
            yield self._sample(elapsed_s, interval_s)
            elapsed_s += interval_s

    def _sample(self, elapsed_s: float, interval_s: float) -> Sample:
        scenario = self.scenario
        true_mv, temperature_c, conductivity, flow = self._potential_mv(elapsed_s)
        self._fast_mv += (true_mv - self._fast_mv) * -math.expm1(-interval_s / scenario.fast_s)
        self._slow_mv += (true_mv - self._slow_mv) * -math.expm1(-interval_s / scenario.slow_s)
        follows = (1.0 - scenario.slow_share) * self._fast_mv + scenario.slow_share * self._slow_mv
        junction = scenario.junction_mv * math.exp(-elapsed_s / scenario.junction_s)
        # What comes in through the cable waits for no membrane.
        mv = follows + junction + self._moved("mv", elapsed_s) + self._noise_mv(interval_s)
        return Sample(
            elapsed_s=elapsed_s,
            mv=round(mv / self.step_mv) * self.step_mv,
            temperature_c=temperature_c + float(self._rng.normal(0.0, 0.004)),
            conductivity_us_cm=conductivity * (1.0 + float(self._rng.normal(0.0, 0.002))),
            flow_ml_min=max(0.0, flow + float(self._rng.normal(0.0, 0.4))) if flow else 0.0,
        )

    def _noise_mv(self, interval_s: float) -> float:
        total = float(self._rng.normal(0.0, self.scenario.white_mv))
        for row, time_s in enumerate(_FLICKER_S):
            kept = math.exp(-interval_s / time_s)
            kick = self.scenario.flicker_mv * math.sqrt((1.0 - kept * kept) / len(_FLICKER_S))
            self._flicker[row] = kept * self._flicker[row] + float(self._rng.normal(0.0, kick))
            total += self._flicker[row]
        return total

    def _potential_mv(self, elapsed_s: float) -> tuple[float, float, float, float]:
        """Return what an ideal electrode and meter would see."""
        scenario = self.scenario
        swing_c = scenario.temperature_swing_c * math.sin(elapsed_s / 1900.0)
        moved_c = scenario.temperature_c + swing_c + self._moved("temperature_c", elapsed_s)
        temperature_c = min(100.0, max(0.0, moved_c))
        ph, conductivity = water_ph_and_conductivity(
            max(0.0, scenario.co2_ug_l + self._moved("co2_ug_l", elapsed_s)) * 1e-6 / _CO2_G_PER_MOL,
            max(0.0, scenario.salt_mol_l + self._moved("salt_mol_l", elapsed_s)),
            temperature_c,
        )
        flow = max(0.0, scenario.flow_ml_min + self._moved("flow_ml_min", elapsed_s))
        factor_mv = _NERNST_MV_PER_K * (temperature_c + 273.15)
        mv = scenario.zero_mv - scenario.slope_pct / 100.0 * factor_mv * (ph - 7.0)
        return mv, temperature_c, conductivity, flow

    def _moved(self, quantity: str, elapsed_s: float) -> float:
        """Return how far events have moved a quantity."""
        return sum(event.after(elapsed_s) for event in self.scenario.events if event.of == quantity)
