"""What is stated as the smallest carbon dioxide that would be found, is found when it comes in."""

import numpy as np
import pytest

from quietcell.core.ingress.detector import Detector
from tests.support import ingress_scenarios as own
from tests.support.ingress_score import first_named, told
from tests.support.ingress_simulation import Water, clean_water, simulate

WATERS: dict[str, dict[str, object]] = {
    "clean": {},
    "over 141 µg/L": {"background_ug_l": 141.0},
    "at 80 °C": {"temperature_c": 80.0},
    "ammoniated": {"ammonia": 4e-6},
    "without conductivity": {"position": None},
    "young gas": {"hold_up_ml": 20.0},
}


def water(kind: str, seed: int) -> Water:
    return clean_water(np.random.default_rng([seed, 55]), **WATERS[kind])


def stated_ug_l(kind: str, seed: int) -> float | None:
    quiet = simulate("quiet", seed, water(kind, seed))
    before = int(np.searchsorted(quiet.block.ms, quiet.onset_ms))
    detector = Detector(quiet.settings)
    detector.see(quiet.block[:before], quiet.ph[:before])
    detector.tick(quiet.onset_ms)
    return detector.smallest_co2_ug_per_l


def found(kind: str, seed: int, ug_l: float) -> bool:
    leak = water(kind, seed)
    leak.added_ug_l = ug_l * np.minimum(leak.since() / 2.0, 1.0)
    if leak.hold_up_ml is not None:
        leak.age_s = 60.0 * leak.hold_up_ml / leak.flow_usual
    scenario = simulate("leak", seed, leak)
    return first_named(told(scenario), "co2-ingress", scenario.onset_ms) is not None


@pytest.mark.parametrize("kind", WATERS)
def test_as_much_as_is_stated_to_be_found_is_found(kind: str) -> None:
    stated = stated_ug_l(kind, 3)
    assert stated is not None
    assert found(kind, 3, stated)


def test_a_third_of_what_is_stated_is_not_found_so_that_it_is_no_idle_number() -> None:
    stated = stated_ug_l("clean", 3)
    assert stated is not None
    assert not found("clean", 3, stated / 3.0)


def test_background_and_heat_make_the_detector_blinder() -> None:
    clean, over, hot = (stated_ug_l(kind, 1) for kind in ("clean", "over 141 µg/L", "at 80 °C"))
    assert clean is not None
    assert over is not None
    assert hot is not None
    assert clean < 3.0 < hot < over


def test_nothing_is_stated_before_there_is_anything_to_compare_with() -> None:
    assert Detector(own.quiet(1, 0.01).settings).smallest_co2_ug_per_l is None
