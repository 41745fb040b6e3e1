"""pH and conductivity referred to 25 °C."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietcell.core.water import PURE_WATER, Composition, ion_product, reference25, speciation


@given(ph=st.floats(3.0, 11.0), model=st.sampled_from(sorted(reference25.PH_MODELS)))
def test_a_sample_at_25_c_keeps_its_ph_to_the_last_bit(ph: float, model: str) -> None:
    reference = reference25.ph_25c(ph, 25.0, model)
    assert reference.value == ph
    assert reference.spread == 0.0
    assert reference.model == model


@given(conductivity_us_cm=st.floats(0.0, 1000.0), model=st.sampled_from(reference25.CONDUCTIVITY_MODELS))
def test_a_sample_at_25_c_keeps_its_conductivity_to_the_last_bit(
    conductivity_us_cm: float, model: reference25.ConductivityModel
) -> None:
    reference = reference25.conductivity_25c(conductivity_us_cm, 25.0, model)
    assert reference.value == conductivity_us_cm
    assert reference.spread == 0.0


def test_pure_water_is_neutral_at_25_c_whatever_it_was() -> None:
    temperature_c = np.linspace(0.0, 100.0, 41)
    for model in reference25.PH_MODELS:
        reference = reference25.ph_25c(ion_product.neutral_ph(temperature_c), temperature_c, model)
        np.testing.assert_allclose(reference.value, ion_product.neutral_ph(25.0), rtol=0, atol=1e-3)
    own = speciation.conductivity_us_cm(PURE_WATER, temperature_c)
    for name in reference25.CONDUCTIVITY_MODELS:
        at_25c = reference25.conductivity_25c(own, temperature_c, name).value
        # A little alkali conducts as pure water does: Na+ in place of H+ makes up for its OH-.
        rtol = 5e-3 if name == "strong_base" else 1e-3
        np.testing.assert_allclose(at_25c, speciation.conductivity_us_cm(PURE_WATER, 25.0), rtol=rtol)


@pytest.mark.parametrize(
    ("model", "water"),
    [
        ("carbonate", Composition(total_carbonate_mol_kg=3e-6)),
        ("carbonate", Composition(strong_base_mol_kg=3e-6)),
        ("strong", Composition(strong_acid_mol_kg=3e-6)),
        ("ammonia", Composition(ammonia_mol_kg=3e-5)),
    ],
)
def test_reference_is_the_ph_of_the_same_water_at_25_c(model: str, water: Composition) -> None:
    temperature_c = np.array([0.0, 10.0, 24.0, 26.0, 50.0, 90.0])
    reference = reference25.ph_25c(speciation.solve_ph(water, temperature_c), temperature_c, model)
    np.testing.assert_allclose(reference.value, speciation.solve_ph(water, 25.0), rtol=0, atol=1e-9)


def test_reference_follows_a_stated_background() -> None:
    background = Composition(ammonia_mol_kg=2e-6, neutral_salt_mol_kg=1e-6)
    model = reference25.WaterModel(
        name="loop-with-ammonia",
        acid_side="total_carbonate",
        alkaline_side="strong_base",
        background=background,
    )
    water = Composition(ammonia_mol_kg=2e-6, neutral_salt_mol_kg=1e-6, total_carbonate_mol_kg=1e-6)
    reference = reference25.ph_25c(speciation.solve_ph(water, 40.0), 40.0, model)
    assert reference.value == pytest.approx(speciation.solve_ph(water, 25.0), abs=1e-9)
    assert reference.model == "loop-with-ammonia"


@pytest.mark.parametrize(
    ("model", "water"),
    [
        ("salt", Composition(neutral_salt_mol_kg=1e-6)),
        ("total_carbonate", Composition(total_carbonate_mol_kg=3e-6)),
        ("strong_acid", Composition(strong_acid_mol_kg=1e-6)),
        ("strong_base", Composition(strong_base_mol_kg=1e-6)),
        ("ammonia", Composition(ammonia_mol_kg=3e-5)),
    ],
)
def test_conductivity_at_25_c_is_that_of_the_same_water(
    model: reference25.ConductivityModel, water: Composition
) -> None:
    temperature_c = np.array([0.0, 10.0, 24.0, 26.0, 50.0, 90.0])
    reference = reference25.conductivity_25c(
        speciation.conductivity_us_cm(water, temperature_c), temperature_c, model
    )
    np.testing.assert_allclose(reference.value, speciation.conductivity_us_cm(water, 25.0), rtol=0.003)


@given(st.floats(0.0, 50.0), st.floats(0.0, 90.0), st.floats(0.0, 90.0))
def test_conductivity_of_a_salt_is_taken_to_another_temperature_and_back(
    salt_umol_kg: float, one_c: float, other_c: float
) -> None:
    water = Composition(neutral_salt_mol_kg=1e-6 * salt_umol_kg)
    seen, there = (float(speciation.conductivity_us_cm(water, t)) for t in (one_c, other_c))
    moved = reference25.conductivity_at(seen, one_c, other_c)
    assert moved == pytest.approx(there, rel=0.003)
    assert reference25.conductivity_at(moved, other_c, one_c) == pytest.approx(seen, rel=1e-6)
    assert reference25.conductivity_at(seen, one_c, one_c) == seen
    salt = reference25.salt_conductivity_25c(seen, one_c)
    assert salt == reference25.conductivity_25c(seen, one_c, "salt").value


def test_spread_covers_the_other_acids_and_alkalis() -> None:
    for ph, waters in (
        (5.8, ("carbonate", "strong")),
        (8.9, ("carbonate", "ammonia")),
    ):
        values = [reference25.ph_25c(ph, 60.0, model).value for model in waters]
        for model in waters:
            assert reference25.ph_25c(ph, 60.0, model).spread == pytest.approx(
                max(values) - min(values), abs=1e-12
            )


def test_conductivity_left_over_adds_the_buffered_water_to_the_spread() -> None:
    alone = reference25.ph_25c(6.3, 50.0)
    with_salt = reference25.ph_25c(6.3, 50.0, conductivity_us_cm=5.0)
    assert with_salt.value == alone.value
    assert with_salt.spread > 2.0 * alone.spread
    # No conductivity left over, no other water.
    water = speciation.speciate(Composition(total_carbonate_mol_kg=1e-6), 50.0)
    bare = reference25.ph_25c(water.ph, 50.0, conductivity_us_cm=0.999 * water.conductivity_us_cm)
    assert bare.spread == reference25.ph_25c(water.ph, 50.0).spread


def test_one_temperature_coefficient_would_be_wrong() -> None:
    # Pure -0.0166, ammoniated -0.033, carbonated about 0 per degree: reference libraries.
    neutral, alkaline, acid = (reference25.ph_25c(ph, 35.0, "ammonia").value - ph for ph in (6.840, 9.0, 5.6))
    assert neutral == pytest.approx(0.157, abs=0.01)
    assert alkaline == pytest.approx(0.31, abs=0.02)
    assert acid == pytest.approx(0.0, abs=0.03)


def test_reference_changes_smoothly_through_neutral() -> None:
    ph = np.linspace(6.2, 6.4, 401)  # neutral is 6.3 at 80 °C
    value = np.asarray(reference25.ph_25c(ph, 80.0).value)
    assert np.all(np.diff(value) > 0.0)
    assert np.max(np.diff(value)) < 0.01
