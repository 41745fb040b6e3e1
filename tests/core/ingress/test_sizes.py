"""How much carbon dioxide a change asks for, whether or not it has had time to turn to ions."""

import math

import numpy as np
import pytest

from quietcell.core.ingress.event import IngressSettings
from quietcell.core.ingress.evidence import CO2_UG_PER_MOL, backgrounds, paths, sizes
from quietcell.core.water.hydration import apparent_carbonate
from quietcell.core.water.speciation import Composition, speciate

SETTINGS = IngressSettings(hold_up_ml=25.0)
WARM_C = 25.0


def _asked_for(
    came_ug_l: float, *, ammonia: float, age_s: float | None, known_age_s: float | None, whole: bool = False
) -> tuple[float, float]:
    """Return the rise and its expanded uncertainty for gas of an age (None is settled)."""
    settled = 2.0 / CO2_UG_PER_MOL
    before = Composition(total_carbonate_mol_kg=settled, ammonia_mol_kg=ammonia)
    came = came_ug_l / CO2_UG_PER_MOL
    carbonate = settled + came
    if age_s is not None:
        carbonate = float(apparent_carbonate(came, age_s, WARM_C, before))
    was = speciate(before, WARM_C)
    now = speciate(Composition(total_carbonate_mol_kg=carbonate, ammonia_mol_kg=ammonia), WARM_C)
    kappa = float(was.conductivity_us_cm)
    way = paths(backgrounds(float(was.ph), kappa, WARM_C, SETTINGS), WARM_C, SETTINGS)
    change = float(now.ph - was.ph), math.log(float(now.conductivity_us_cm) / kappa)
    found = sizes(way, change, (0.015, 0.015), known_age_s, whole=whole)
    return found.rise.value, found.rise.expanded_uncertainty


@pytest.mark.parametrize("ammonia", [0.0, 4e-6])
@pytest.mark.parametrize("came_ug_l", [20.0, 60.0, 250.0])
@pytest.mark.parametrize("age_s", [10.0, 15.0, 40.0, None])
@pytest.mark.parametrize("known", [True, False])
def test_what_came_in_lies_within_the_uncertainty_young_or_settled(
    ammonia: float, came_ug_l: float, age_s: float | None, *, known: bool
) -> None:
    known_age_s = (age_s or 20.0) if known else None
    value, expanded = _asked_for(came_ug_l, ammonia=ammonia, age_s=age_s, known_age_s=known_age_s)
    assert abs(value - came_ug_l) <= expanded


def test_an_age_nobody_knows_makes_a_size_less_certain() -> None:
    _, known = _asked_for(60.0, ammonia=0.0, age_s=None, known_age_s=120.0)
    _, unknown = _asked_for(60.0, ammonia=0.0, age_s=None, known_age_s=None)
    assert unknown > 2.0 * known


def test_gas_from_far_upstream_is_sized_as_what_shows() -> None:
    value, expanded = _asked_for(60.0, ammonia=0.0, age_s=None, known_age_s=10.0, whole=True)
    assert np.isclose(value, 60.0, rtol=0.02)
    assert expanded < 0.25 * value


@pytest.mark.parametrize("shown_share", [0.4, 0.7, 1.0])
def test_water_ahead_of_its_sensors_lies_within_a_size_that_is_never_less_than_nothing(
    shown_share: float,
) -> None:
    before = Composition(total_carbonate_mol_kg=2.0 / CO2_UG_PER_MOL)
    now = Composition(total_carbonate_mol_kg=92.0 / CO2_UG_PER_MOL)
    was, water = speciate(before, WARM_C), speciate(now, WARM_C)
    kappa = float(was.conductivity_us_cm)
    fall, rise = float(water.ph - was.ph), float(water.conductivity_us_cm) - kappa
    shown = shown_share * fall, math.log1p(shown_share * rise / kappa)
    to_come = fall - shown[0], math.log1p(rise / kappa) - shown[1]
    way = paths(backgrounds(float(was.ph), kappa, WARM_C, SETTINGS), WARM_C, SETTINGS)
    found = sizes(way, shown, (0.015, 0.015), None, whole=True, to_come=to_come).rise
    assert abs(found.value - 90.0) <= found.expanded_uncertainty < found.value
