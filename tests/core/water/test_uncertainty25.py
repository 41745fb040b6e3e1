"""What is uncertain about a pH is another amount once it is referred to 25 °C."""

import numpy as np
import pytest

from quietcell.core.water.reference25 import ph_25c
from quietcell.core.water.speciation import Composition, speciate
from quietcell.core.water.uncertainty25 import ph_25c_expanded_uncertainty

U_PH, U_C = 0.12, 0.3


@pytest.mark.parametrize(
    "water",
    [
        Composition(total_carbonate_mol_kg=2e-8),
        Composition(total_carbonate_mol_kg=5e-6),
        Composition(strong_base_mol_kg=1e-7),
        Composition(strong_base_mol_kg=3e-6),
    ],
    ids=["pure", "carbonic", "hardly alkaline", "alkaline"],
)
@pytest.mark.parametrize("temperature_c", [5.0, 21.0, 60.0, 80.0])
def test_it_holds_the_truth_as_often_as_it_should_from_cold_to_hot(
    water: Composition, temperature_c: float
) -> None:
    # Propagation of distributions, JCGM 101:2008; truth by the speciation, which the sources of
    # `speciate` and other programs confirm.
    rng = np.random.default_rng(3)
    truth = float(speciate(water, 25.0).ph)
    ph = float(speciate(water, temperature_c).ph) + rng.normal(0.0, U_PH / 2.0, 1500)
    shown_c = temperature_c + rng.normal(0.0, U_C / 2.0, 1500)
    found = ph_25c(ph, shown_c)
    u = ph_25c_expanded_uncertainty(
        ph,
        shown_c,
        ph_expanded_uncertainty=U_PH,
        temperature_expanded_uncertainty_c=U_C,
        spread=found.spread,
    )
    assert np.mean(np.abs(found.value - truth) <= u) > 0.94


def test_near_neutral_it_grows_as_cold_water_has_fewer_ions_of_its_own() -> None:
    # IAPWS R11-24: neutral pH 6.2997 at 80 °C, 6.9972 at 25 °C; a small excess of ions is worth
    # sqrt(Kw) times as much pH, ten to the 0.6975.
    hot = ph_25c_expanded_uncertainty(
        6.2997, 80.0, "strong", ph_expanded_uncertainty=1e-3, temperature_expanded_uncertainty_c=0.0
    )
    assert float(hot) == pytest.approx(1e-3 * 10**0.6975, rel=0.01)


def test_at_25_degrees_it_is_that_of_the_ph_and_the_thermometer() -> None:
    u = ph_25c_expanded_uncertainty(
        [6.0, 9.0], 25.0, ph_expanded_uncertainty=0.1, temperature_expanded_uncertainty_c=1.0, spread=0.5
    )
    # Check values: 1 mg/L NaOH -0.033 pH per °C; CO2 closed, near zero.
    assert u.tolist() == pytest.approx([0.1, np.hypot(0.1, 0.033)], abs=0.002)


def test_what_can_not_be_referred_has_none() -> None:
    u = ph_25c_expanded_uncertainty(
        [7.0, float("nan")], 40.0, ph_expanded_uncertainty=0.1, temperature_expanded_uncertainty_c=0.2
    )
    assert np.isfinite(u).tolist() == [True, False]
