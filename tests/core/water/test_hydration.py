"""Carbon dioxide that has not yet turned to ions."""

import numpy as np
import pytest

from quietcell.core.constants import CO2_MOLAR_MASS_G_MOL
from quietcell.core.water import Composition, hydration, speciation

MOL_KG_PER_UG = 1e-6 / CO2_MOLAR_MASS_G_MOL


def test_half_life_lies_between_the_published_ones() -> None:
    # Pinsent et al. 1956: 27 s; later work down to 19 s; Soli and Byrne 2002: 23 s.
    published: dict[hydration.RateSource, float] = {"pinsent-1956": 26.7, "soli-byrne-2002": 23.0}
    for source, half_life_s in published.items():
        rate = hydration.hydration_rate_per_s(25.0, source=source)
        assert np.log(2.0) / rate == pytest.approx(half_life_s, rel=0.03)


def test_20_micrograms_ten_seconds_old_read_as_6_to_8() -> None:
    # Computed range for the published rate constants.
    sources: tuple[hydration.RateSource, ...] = ("pinsent-1956", "soli-byrne-2002")
    for source in sources:
        seen = hydration.apparent_carbonate(
            20.0 * MOL_KG_PER_UG,
            10.0,
            25.0,
            source=source,
        )
        assert 6.0 <= seen / MOL_KG_PER_UG <= 8.0


def test_apparent_carbonate_runs_from_the_background_to_the_whole() -> None:
    background = Composition(total_carbonate_mol_kg=1e-7)
    age_s = np.array([0.0, 1.0, 5.0, 20.0, 60.0, 300.0, 3600.0])
    seen = np.asarray(hydration.apparent_carbonate(5e-7, age_s, 25.0, background))
    assert seen[0] == pytest.approx(1e-7, rel=1e-3)
    assert seen[-1] == pytest.approx(6e-7, rel=1e-6)
    assert np.all(np.diff(seen) > 0.0)


@pytest.mark.parametrize(
    ("added", "background"),
    [
        (1e-8, Composition()),
        (5e-7, Composition()),
        (2e-5, Composition()),
        (5e-7, Composition(ammonia_mol_kg=1e-6)),
        (5e-6, Composition(strong_base_mol_kg=2e-5)),
    ],
)
def test_course_agrees_with_small_steps_of_the_rate_equation(added: float, background: Composition) -> None:
    # The rate equation itself, in steps of 2 ms on the ions the speciation gives for the carbonate turned.
    age_s, step_s = 10.0, 0.002
    k = hydration.hydration_rate_per_s(25.0)
    k_hydroxide = 10.0 ** (13.635 - 2895.0 / 298.15)

    shown = np.concatenate([[0.0], added * 10.0 ** np.linspace(-5.0, 0.0, 400)])
    water = speciation.speciate(
        Composition(
            total_carbonate_mol_kg=shown,
            ammonia_mol_kg=background.ammonia_mol_kg,
            strong_base_mol_kg=background.strong_base_mol_kg,
        ),
        25.0,
    )
    turned = np.asarray(water.bicarbonate_mol_kg) + water.carbonate_mol_kg
    turned_now = 0.0
    for _ in range(round(age_s / step_s)):
        settled = np.interp(turned_now, turned, water.co2_mol_kg)
        hydroxide = np.interp(turned_now, turned, water.hydroxide_mol_kg)
        turned_now += step_s * (k + k_hydroxide * hydroxide) * (added - turned_now - settled)
    expected = np.interp(turned_now, turned, shown)
    seen = hydration.apparent_carbonate(added, age_s, 25.0, background)
    assert seen == pytest.approx(expected, rel=0.005)


def test_added_co2_comes_back_from_what_shows() -> None:
    added = np.array([1e-8, 1e-7, 5e-7, 5e-6])
    for background in (Composition(), Composition(ammonia_mol_kg=1e-6, total_carbonate_mol_kg=1e-7)):
        for age_s in (2.0, 15.0, 120.0):
            seen = hydration.apparent_carbonate(added, age_s, 20.0, background)
            back = hydration.added_co2(seen, age_s, 20.0, background)
            np.testing.assert_allclose(back, added, rtol=1e-6)


def test_nothing_more_than_the_background_means_nothing_added() -> None:
    assert hydration.added_co2(-1e-9, 10.0, 25.0) == 0.0
    assert hydration.added_co2(1e-7, 10.0, 25.0, Composition(total_carbonate_mol_kg=2e-7)) == 0.0
