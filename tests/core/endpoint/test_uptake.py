"""Carbon dioxide taken up by a sample, told from settling, salt and the electrode."""

import numpy as np
import pytest

from quietcell.core.endpoint.uptake import Uptake, co2_uptake
from tests.support.settling import MV_PER_PH, Array, settling_trace

MS = np.arange(300, dtype=np.int64) * 1000
MINUTES = np.arange(300) / 60.0


def at(ph: Array, conductivity: Array, seed: int = 1) -> Uptake:
    rng = np.random.default_rng(seed)
    found = co2_uptake(
        MS,
        -MV_PER_PH * (ph - 7.0) + rng.normal(0.0, 0.05, len(MS)),
        conductivity + rng.normal(0.0, 0.001, len(MS)),
        ph=float(ph.mean()),
        mv_per_ph=-MV_PER_PH,
        max_remaining_ph=0.02,
    )
    assert found is not None
    return found


# Pairs of pH and conductivity of closed water with carbon dioxide at 25 °C, total 1 and 2 µmol/kg:
# PHREEQC, tests/data/co2-equilibrium-computed/closed-system-25C.csv.
def test_rise_and_fall_along_the_carbon_dioxide_line_are_uptake() -> None:
    share = MINUTES / MINUTES[-1]
    found = at(6.3062 - 0.1840 * share, 0.19787 + 0.10166 * share)
    assert found.suspected
    assert found.equivalent_ph_per_min == pytest.approx(0.1840 / 5.0, rel=0.1)


def test_a_rise_without_a_fall_is_salt() -> None:
    assert not at(np.full(300, 6.3), 0.2 + 0.05 * MINUTES).suspected


def test_a_fall_without_a_rise_is_the_electrode() -> None:
    assert not at(6.4 - 0.02 * MINUTES, np.full(300, 0.2)).suspected


def test_a_steady_sample_is_not_suspected() -> None:
    assert sum(at(np.full(300, 6.3), np.full(300, 0.2), seed).suspected for seed in range(100)) <= 1


def test_in_base_the_conductivity_says_nothing_about_uptake() -> None:
    assert not at(9.0 - 0.01 * MINUTES, 2.0 + 0.05 * MINUTES).suspected


def test_without_conductivity_nothing_is_said() -> None:
    nothing = np.full(300, np.nan)
    assert co2_uptake(MS, np.zeros(300), nothing, ph=7.0, mv_per_ph=-MV_PER_PH, max_remaining_ph=0.02) is None


@pytest.mark.parametrize("seed", range(8))
def test_uptake_from_air_is_seen_within_ten_minutes(seed: int) -> None:
    trace = settling_trace("co2-uptake", seed)
    n = int(np.searchsorted(trace.ms, 600_000))
    found = co2_uptake(
        trace.ms[:n],
        trace.mv[:n],
        trace.conductivity_us_cm[:n],
        ph=7.0 - float(trace.mv[n - 60 : n].mean()) / MV_PER_PH,
        mv_per_ph=-MV_PER_PH,
        max_remaining_ph=0.02,
    )
    assert found is not None
    assert found.suspected
