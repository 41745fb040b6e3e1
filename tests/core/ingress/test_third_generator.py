"""The third generator's own chemistry beside the core's: neither may hide the other's slip."""

import numpy as np
import pytest

from quietcell.core.water.hydration import apparent_carbonate
from quietcell.core.water.speciation import Composition, speciate
from tests.support import ingress_third as third
from tests.support.ingress_simulation import UG_PER_MOL
from tests.support.plain_water import Ions, reads

NONE = np.zeros(1)


@pytest.mark.parametrize("t_c", [5.0, 25.0, 60.0, 85.0])
@pytest.mark.parametrize("carbonate", [0.0, 5e-7, 1e-5])
@pytest.mark.parametrize("ammonia", [0.0, 1e-6])
def test_settled_water_reads_as_by_the_core(t_c: float, carbonate: float, ammonia: float) -> None:
    ph, kappa = reads(Ions(NONE, NONE, NONE, NONE + ammonia), NONE + t_c, NONE + carbonate, NONE, NONE)
    core = speciate(Composition(total_carbonate_mol_kg=carbonate, ammonia_mol_kg=ammonia), t_c)
    assert float(ph[0]) == pytest.approx(float(core.ph), abs=0.002)
    assert float(kappa[0]) == pytest.approx(float(core.conductivity_us_cm), rel=0.008)


def test_young_gas_shows_about_as_much_as_by_the_core() -> None:
    added = 20.0 / UG_PER_MOL
    ph, _ = reads(Ions(NONE, NONE, NONE, NONE), NONE + 25.0, NONE, NONE + added, NONE + 10.0)
    shown = apparent_carbonate(added, 10.0, 25.0, Composition())
    core = speciate(Composition(total_carbonate_mol_kg=float(np.asarray(shown))), 25.0)
    assert float(ph[0]) == pytest.approx(float(core.ph), abs=0.05)


def test_a_seed_gives_the_same_scenario_again() -> None:
    first, again = third.leak(3, "5-20"), third.leak(3, "5-20")
    assert np.array_equal(first.ph, again.ph)
    assert first.onset_ms == again.onset_ms
