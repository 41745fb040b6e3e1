"""How often pH ± U holds the truth, and how wide U is: virtual electrodes measured end to end.

Run from the project's root as ``python -m tests.bench.coverage [number] [seed]``.

Each virtual measurement draws an electrode and keeps its errors constant: slope, zero, isopotential
point, junction, streaming, wrong bottles, a drifting zero. It is calibrated in those bottles, or comes
with a configured slope and zero that are somewhat wrong, and then measures a water of known pH. The
potentials are made here from the Nernst equation written out once more, so that a wrong sign or
sensitivity in the package shows as lost coverage. Four ways of knowing the electrode are mixed:

- ``calibrated``: two or three buffers, junction left to the one-sided allowance;
- ``checked``: the same, and a check in water of known pH and low ionic strength;
- ``recalibrated``: the same check, read by a line up to 30 days old, and a calibration since;
- ``configured``: slope and zero from configuration, nothing else known.
"""

import math
import sys
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from quietcell.core.electrode.buffers import buffer
from quietcell.core.electrode.calibration import CalibrationPoint, calibrate
from quietcell.core.electrode.influences import LowIonicCheck
from quietcell.core.electrode.known_line import KnownLine
from quietcell.core.electrode.nernst import Line
from quietcell.core.electrode.ph_budget import Measured, line_standard_uncertainty_ph, ph_budget

ARMS = ("calibrated", "checked", "recalibrated", "configured")
BUFFER_CHOICES = (("phthalate", "phosphate"), ("phosphate", "borax"), ("phthalate", "phosphate", "borax"))
CHECK_STANDARD_UNCERTAINTY_PH = 0.02
CHECK_PH = 6.5
ALLOWED_JUNCTION_MV = (-6.0, 0.0)
"""Where the budget allows the junction to be."""
OTHER_JUNCTIONS_MV = {
    "at the far end of the allowance": (-6.0, -5.0),
    "as far on the other side, as in stirred water": (0.0, 6.0),
    "beyond it on both sides": (-9.0, 3.0),
}
"""Harder than what the budget states, for the bench alone."""


@dataclass(frozen=True, slots=True, kw_only=True)
class VirtualCell:
    """A cell with constant errors, obeying E = E_iso - s k (pH - pH_iso)."""

    slope: float
    zero_mv: float
    isopotential_ph: float

    def mv(self, ph: float, temperature_c: float) -> float:
        """Return the potential without any disturbance."""
        factor_mv, factor_25_mv = (
            1000.0 * 8.31446261815324 * (t + 273.15) * math.log(10.0) / 96485.33212331
            for t in (temperature_c, 25.0)
        )
        isopotential_mv = self.zero_mv + self.slope * factor_25_mv * (7.0 - self.isopotential_ph)
        return isopotential_mv - self.slope * factor_mv * (ph - self.isopotential_ph)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Campaign:
    """Outcome of many virtual measurements; arrays of shape (n,)."""

    arm: NDArray[np.int64]
    error_ph: NDArray[np.float64]
    expanded_uncertainty_ph: NDArray[np.float64]
    repeatability_ph: NDArray[np.float64]

    def rows(self) -> list[tuple[str, int, float, float, float]]:
        """Return name, n, coverage, median U and the least constant width that would cover 95 %."""
        table = []
        for index, name in enumerate((*ARMS, "all")):
            chosen = self.arm == index if index < len(ARMS) else np.ones_like(self.arm, bool)
            size = np.abs(self.error_ph[chosen])
            width = self.expanded_uncertainty_ph[chosen]
            coverage = float(np.mean(size <= width))
            table.append(
                (name, int(chosen.sum()), coverage, float(np.median(width)), float(np.quantile(size, 0.95)))
            )
        return table


def virtual_measurements(
    number: int, seed: int, junction_mv: tuple[float, float] = ALLOWED_JUNCTION_MV
) -> Campaign:
    """Make, calibrate and use `number` virtual cells, their junctions somewhere in `junction_mv`."""
    rng = np.random.default_rng(seed)
    outcome = np.array([_one(rng, index % len(ARMS), junction_mv) for index in range(number)])
    return Campaign(
        arm=np.arange(number) % len(ARMS),
        error_ph=outcome[:, 0],
        expanded_uncertainty_ph=outcome[:, 1],
        repeatability_ph=outcome[:, 2],
    )


def _one(
    rng: np.random.Generator, arm: int, junction_span_mv: tuple[float, float]
) -> tuple[float, float, float]:
    """Return error, U and repeatability of one virtual measurement."""
    true_cell = VirtualCell(
        slope=rng.uniform(0.92, 1.02), zero_mv=rng.normal(0.0, 10.0), isopotential_ph=rng.uniform(6.5, 7.5)
    )
    age_d = rng.uniform(0.0, 14.0)
    known = _configured(rng, true_cell) if ARMS[arm] == "configured" else _calibrated(rng, true_cell, age_d)
    calibration_c = 25.0 if known.temperature_c is None else known.temperature_c

    aged = _aged(rng, true_cell, age_d)
    junction_mv = rng.uniform(*junction_span_mv)
    meter_mv = rng.uniform(-0.2, 0.2)

    check = None
    if ARMS[arm] == "checked":  # just now: what drifted until then is in the bias
        check = _checked(rng, known, aged, junction_mv + meter_mv)
        known = replace(known, age_d=0.0)
    elif ARMS[arm] == "recalibrated":
        before_d = rng.uniform(0.0, 30.0)
        earlier = _aged(rng, true_cell, -before_d)
        old = _calibrated(rng, earlier, before_d)
        check = replace(
            _checked(rng, old, true_cell, junction_mv + meter_mv),
            line_standard_uncertainty_ph=line_standard_uncertainty_ph(old, CHECK_PH, 25.0),
        )

    true_ph, temperature_c = rng.uniform(5.5, 9.5), rng.uniform(5.0, 85.0)
    conductivity = math.exp(rng.uniform(math.log(0.06), math.log(20.0)))
    disturbed_mv = (
        aged.mv(true_ph - rng.uniform(-0.01, 0.01), temperature_c)
        + junction_mv
        + meter_mv
        + rng.uniform(-2.0, 2.0) * 0.055 / conductivity
        + rng.uniform(-0.02, 0.02) * abs(temperature_c - calibration_c)
        + rng.normal(0.0, 0.2)
    )
    budget = ph_budget(
        known,
        Measured(
            mv=round(disturbed_mv, 1),
            temperature_c=temperature_c + rng.normal(0.0, 0.2),
            repeatability_mv=0.2,
            remaining_ph=(-0.01, 0.01),
            conductivity_us_cm=conductivity,
            flow_ml_min=100.0,
        ),
        low_ionic_check=check,
    )
    return budget.ph - true_ph, budget.expanded_uncertainty_ph, budget.repeatability_ph


def _aged(rng: np.random.Generator, cell: VirtualCell, age_d: float) -> VirtualCell:
    """Let slope and zero drift."""
    return VirtualCell(
        slope=cell.slope + age_d * rng.uniform(-0.03, 0.03) / 100.0,
        zero_mv=cell.zero_mv + age_d * rng.uniform(-0.2, 0.2),
        isopotential_ph=cell.isopotential_ph,
    )


def _checked(
    rng: np.random.Generator, known: KnownLine, cell: VirtualCell, disturbance_mv: float
) -> LowIonicCheck:
    """Find the bias in water of a pH somebody knows."""
    read = known.line.ph(cell.mv(CHECK_PH, 25.0) + disturbance_mv, 25.0)
    known_ph = CHECK_PH + rng.normal(0.0, CHECK_STANDARD_UNCERTAINTY_PH)
    return LowIonicCheck(bias_ph=read - known_ph, standard_uncertainty_ph=CHECK_STANDARD_UNCERTAINTY_PH)


def _calibrated(rng: np.random.Generator, cell: VirtualCell, age_d: float) -> KnownLine:
    """Calibrate in bottles that are wrong, at a temperature read wrongly."""
    names = BUFFER_CHOICES[rng.integers(len(BUFFER_CHOICES))]
    around_c = rng.uniform(18.0, 28.0)
    points = []
    for name in names:
        bottle = buffer("iupac-2002", name)
        temperature_c = around_c + rng.uniform(-1.0, 1.0)
        ph = bottle.ph(temperature_c) + rng.uniform(-0.02, 0.02)
        points.append(
            CalibrationPoint(
                buffer=bottle,
                mv=cell.mv(ph, temperature_c) + rng.normal(0.0, 0.3),
                temperature_c=temperature_c + rng.normal(0.0, 0.2),
            )
        )
    return calibrate(points).known_line(age_d=age_d)


def _configured(rng: np.random.Generator, cell: VirtualCell) -> KnownLine:
    """Give slope and zero as someone once wrote them down."""
    return KnownLine.from_figures(
        Line(slope_pct=100.0 * cell.slope + rng.normal(0.0, 1.0), zero_mv=cell.zero_mv + rng.normal(0.0, 1.5))
    )


def main() -> None:
    """Print the table of the full campaign."""
    number = int(sys.argv[1]) if len(sys.argv) > 1 else 5000
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 20261125
    print(f"{number} virtual measurements, seed {seed}, pH 5.5 to 9.5, 5 to 85 °C, 0.06 to 20 µS/cm")
    for words, junction_mv in {
        "anywhere in the allowance": ALLOWED_JUNCTION_MV,
        **OTHER_JUNCTIONS_MV,
    }.items():
        print(f"\njunction {words}, {junction_mv[0]:g} to {junction_mv[1]:g} mV")
        print(f"{'known by':<12}{'n':>6}{'pH ± U holds':>14}{'median U':>10}{'95 % of |error|':>17}")
        for name, count, coverage, median, width in virtual_measurements(number, seed, junction_mv).rows():
            print(f"{name:<12}{count:>6}{coverage:>13.2%} {median:>9.3f}{width:>17.3f}")


if __name__ == "__main__":
    main()
