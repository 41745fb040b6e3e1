"""What holds for every composition: balance, there and back, direction."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import ArrayLike, NDArray

from quietcell.core.water import (
    PURE_WATER,
    Composition,
    bases,
    carbonate,
    inverse_both,
    inverse_conductivity,
    inverse_ph,
    ion_product,
    solvent,
    speciation,
)
from tests.core.water.waters import holding

AMOUNTS = st.one_of(st.just(0.0), st.floats(-9.0, -2.5).map(lambda exponent: float(10.0**exponent)))
TEMPERATURES_C = st.floats(0.0, 100.0)
COMPOSITIONS = st.builds(
    Composition,
    total_carbonate_mol_kg=AMOUNTS,
    ammonia_mol_kg=AMOUNTS,
    strong_acid_mol_kg=AMOUNTS,
    strong_base_mol_kg=AMOUNTS,
    neutral_salt_mol_kg=AMOUNTS,
)
ROWS = 5000
SOLUTES: tuple[speciation.Solute, ...] = ("total_carbonate", "ammonia", "strong_acid", "strong_base")


def charges(
    water: Composition, found: speciation.Speciation
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the sums of positive and of negative charge, mol/kg."""
    plus = (
        np.asarray(found.hydrogen_mol_kg)
        + found.ammonium_mol_kg
        + found.aminium_mol_kg
        + np.asarray(water.strong_base_mol_kg)
        + np.asarray(water.neutral_salt_mol_kg)
    )
    minus = (
        np.asarray(found.hydroxide_mol_kg)
        + found.bicarbonate_mol_kg
        + 2.0 * np.asarray(found.carbonate_mol_kg)
        + np.asarray(water.strong_acid_mol_kg)
        + np.asarray(water.neutral_salt_mol_kg)
    )
    return plus, minus


@settings(max_examples=300)
@given(water=COMPOSITIONS, temperature_c=TEMPERATURES_C)
def test_charge_balance_closes_to_a_part_in_1e12(water: Composition, temperature_c: float) -> None:
    plus, minus = charges(water, speciation.speciate(water, temperature_c))
    assert abs(plus - minus) <= 1e-12 * (plus + minus)


@pytest.mark.parametrize("fugacity_uatm", [0.01, 420.0, 5000.0])
def test_charge_balance_closes_in_water_open_to_a_gas(fugacity_uatm: float) -> None:
    water = Composition(strong_base_mol_kg=np.array([0.0, 1e-6, 1e-3]), ammonia_mol_kg=1e-6)
    plus, minus = charges(water, speciation.speciate(water, 25.0, co2_fugacity_uatm=fugacity_uatm))
    assert np.all(np.abs(plus - minus) <= 1e-12 * (plus + minus))


@settings(max_examples=100)
@given(water=COMPOSITIONS, temperature_c=st.floats(0.0, 90.0))
def test_ions_obey_the_law_of_mass_action(water: Composition, temperature_c: float) -> None:
    found = speciation.speciate(water, temperature_c)
    _, k1, k2 = carbonate.constants(temperature_c)
    gamma, activity = found.activity_coefficient, 10.0**-found.ph
    assert activity == pytest.approx(found.hydrogen_mol_kg * gamma, rel=1e-11)
    kw = activity * found.hydroxide_mol_kg * gamma
    assert np.log10(kw) == pytest.approx(-ion_product.pkw(temperature_c), abs=1e-11)
    total = found.co2_mol_kg + found.bicarbonate_mol_kg + found.carbonate_mol_kg
    assert total == pytest.approx(water.total_carbonate_mol_kg, rel=1e-12)
    if total:
        first = activity * found.bicarbonate_mol_kg * gamma / found.co2_mol_kg
        second = activity * found.carbonate_mol_kg * gamma**4 / (found.bicarbonate_mol_kg * gamma)
        assert np.log10(first) == pytest.approx(k1, abs=1e-10)
        assert np.log10(second) == pytest.approx(k2, abs=1e-10)
    ammonia = float(np.asarray(water.ammonia_mol_kg))
    if ammonia:
        free = ammonia - float(found.ammonium_mol_kg)
        ka = activity * free / (found.ammonium_mol_kg * gamma)
        # The free part is a small difference where all is ammonium.
        within = 1e-10 + 1e-15 * ammonia / free
        assert np.log10(ka) == pytest.approx(-bases.ammonium_pka(temperature_c), abs=within)


def test_activity_correction_stays_below_a_thousandth_of_ph_where_water_is_pure() -> None:
    # 0.51 √I = 0.001 at I = 4e-6 mol/kg.
    gamma = speciation.speciate(Composition(neutral_salt_mol_kg=3.8e-6), 25.0).activity_coefficient
    assert -np.log10(gamma) == pytest.approx(0.001, abs=1e-4)


@pytest.fixture(name="waters")
def _waters() -> tuple[Composition, NDArray[np.float64]]:
    generator = np.random.default_rng(7)
    background = Composition(
        ammonia_mol_kg=10.0 ** generator.uniform(-8.0, -5.0, ROWS),
        neutral_salt_mol_kg=10.0 ** generator.uniform(-9.0, -5.0, ROWS),
    )
    return background, generator.uniform(0.0, 100.0, ROWS)


@pytest.mark.parametrize("unknown", SOLUTES)
def test_amount_comes_back_from_ph(
    waters: tuple[Composition, NDArray[np.float64]], unknown: speciation.Solute
) -> None:
    background, temperature_c = waters
    amount = 10.0 ** np.random.default_rng(1).uniform(-7.5, -4.0, ROWS)
    water = holding(background, unknown, amount)
    ph = speciation.solve_ph(water, temperature_c)
    back = inverse_ph.amount_from_ph(unknown, ph, temperature_c, background)
    np.testing.assert_allclose(back, amount, rtol=1e-9)  # the bar is 1e-6


@pytest.mark.parametrize("unknown", SOLUTES)
def test_amount_comes_back_from_conductivity_on_its_side(
    waters: tuple[Composition, NDArray[np.float64]], unknown: speciation.Solute
) -> None:
    background, temperature_c = waters
    amount = 10.0 ** np.random.default_rng(2).uniform(-7.5, -4.0, ROWS)
    water = speciation.speciate(holding(background, unknown, amount), temperature_c)
    least = inverse_conductivity.least_conductivity(unknown, temperature_c, background)
    away = np.abs(np.asarray(water.ph) - least.ph) > 0.02
    acid = np.asarray(water.ph) < least.ph
    for side, here in (("acid", acid & away), ("alkaline", ~acid & away)):
        back = inverse_conductivity.amount_from_conductivity(
            unknown,
            water.conductivity_us_cm,
            temperature_c,
            background,
            side=side,  # type: ignore[arg-type]  # the loop's literal is inferred as str
            on_invalid="nan",
        )
        np.testing.assert_allclose(np.asarray(back)[here], amount[here], rtol=1e-9)  # the bar is 1e-6


def test_conductivity_alone_leaves_two_waters() -> None:
    background = Composition(ammonia_mol_kg=1e-6)
    seen = 0.20
    acid, alkaline = (
        inverse_conductivity.total_carbonate_from_conductivity(seen, 25.0, background, side=side)
        for side in ("acid", "alkaline")
    )
    assert acid > 3.0 * alkaline > 0.0
    for amount in (acid, alkaline):
        water = replace(background, total_carbonate_mol_kg=amount)
        assert speciation.conductivity_us_cm(water, 25.0) == pytest.approx(seen, rel=1e-9)


def test_first_co2_lowers_the_conductivity_of_ammoniated_water_by_a_quarter() -> None:
    # Computed illustration: 1e-6 mol/L of ammonia, 20 µg/L of CO2.
    before = speciation.conductivity_us_cm(Composition(ammonia_mol_kg=1e-6), 25.0)
    after = speciation.conductivity_us_cm(
        Composition(ammonia_mol_kg=1e-6, total_carbonate_mol_kg=20e-6 / 44.0), 25.0
    )
    assert 1.0 - after / before == pytest.approx(0.25, abs=0.05)


@pytest.mark.parametrize("unknown", SOLUTES)
def test_amount_and_salt_come_back_from_ph_and_conductivity(unknown: speciation.Solute) -> None:
    generator = np.random.default_rng(3)
    amount = 10.0 ** generator.uniform(-7.5, -4.0, ROWS)
    salt = 10.0 ** generator.uniform(-7.0, -4.0, ROWS)
    temperature_c = generator.uniform(0.0, 100.0, ROWS)
    water = speciation.speciate(
        holding(Composition(neutral_salt_mol_kg=salt), unknown, amount), temperature_c
    )
    back, salt_back = inverse_both.amount_and_salt(unknown, water.ph, water.conductivity_us_cm, temperature_c)
    np.testing.assert_allclose(back, amount, rtol=1e-6)
    # Salt is a difference of conductivities: identifiable to the rounding of the whole.
    np.testing.assert_allclose(salt_back, salt, rtol=1e-6, atol=1e-12)


def test_negative_salt_says_that_ph_asks_for_more_conductivity() -> None:
    _, salt = inverse_both.amount_and_salt("total_carbonate", 5.5, 0.5, 25.0)
    assert salt < 0.0


def test_agreeing_ph_and_conductivity_give_the_amount_with_chi_square_zero() -> None:
    water = speciation.speciate(Composition(total_carbonate_mol_kg=2e-6), 30.0)
    fit = inverse_both.amount_from_both(
        "total_carbonate", water.ph, water.conductivity_us_cm, 30.0, ph_u=0.02, conductivity_rel_u=0.01
    )
    assert fit.amount_mol_kg == pytest.approx(2e-6, rel=1e-9)
    assert fit.chi_square == pytest.approx(0.0, abs=1e-12)


def test_fit_of_both_is_the_least_of_the_weighted_squares() -> None:
    ph, conductivity = 6.2, 0.30
    fit = inverse_both.amount_from_both(
        "total_carbonate", ph, conductivity, 25.0, ph_u=0.03, conductivity_rel_u=0.02
    )

    def cost(amount: ArrayLike) -> float:
        water = speciation.speciate(Composition(total_carbonate_mol_kg=amount), 25.0)
        of_ph = (ph - water.ph) / 0.03
        of_conductivity = np.log(conductivity / water.conductivity_us_cm) / 0.02
        return float(of_ph**2 + of_conductivity**2)

    assert cost(fit.amount_mol_kg) == pytest.approx(fit.chi_square, rel=1e-6)
    for factor in (0.999, 1.001):
        assert cost(fit.amount_mol_kg * factor) > cost(fit.amount_mol_kg)


def test_contradicting_ph_and_conductivity_show_in_chi_square() -> None:
    fit = inverse_both.amount_from_both("total_carbonate", 5.8, 0.2, 25.0, ph_u=0.03, conductivity_rel_u=0.02)
    assert fit.chi_square > 3.84


def test_uncertainty_of_the_fit_covers_seeded_noise() -> None:
    generator = np.random.default_rng(11)
    truth = 1.5e-6
    water = speciation.speciate(Composition(total_carbonate_mol_kg=truth), 25.0)
    fit = inverse_both.amount_from_both(
        "total_carbonate",
        water.ph + generator.normal(0.0, 0.02, 4000),
        water.conductivity_us_cm * np.exp(generator.normal(0.0, 0.02, 4000)),
        25.0,
        ph_u=0.02,
        conductivity_rel_u=0.02,
    )
    off = (np.asarray(fit.amount_mol_kg) - truth) / fit.amount_u_mol_kg
    assert np.std(off) == pytest.approx(1.0, abs=0.05)
    assert np.mean(fit.chi_square) == pytest.approx(1.0, abs=0.1)


@pytest.mark.parametrize("temperature_c", [0.0, 25.0, 60.0, 100.0])
def test_ph_moves_one_way_with_every_acid_and_base(temperature_c: float) -> None:
    amount = 10.0 ** np.linspace(-9.0, -3.0, 200)
    for unknown in SOLUTES:
        ph = np.asarray(speciation.solve_ph(holding(PURE_WATER, unknown, amount), temperature_c))
        assert np.all((np.diff(ph) < 0.0) == (unknown in ("total_carbonate", "strong_acid")))


@pytest.mark.parametrize("temperature_c", [0.0, 25.0, 60.0, 100.0])
def test_conductivity_of_pure_water_rises_with_anything_dissolved(temperature_c: float) -> None:
    # A hair of strong base lowers it: Na+ in place of H+. Above a tenth of water's own ions it rises.
    amount = 10.0 ** np.linspace(-6.0, -3.0, 200)
    for solute in (*SOLUTES, "neutral_salt"):
        water = holding(PURE_WATER, solute, amount)
        seen = np.asarray(speciation.conductivity_us_cm(water, temperature_c))
        assert np.all(np.diff(seen) > 0.0)


def test_neutral_water_conducts_more_the_warmer_it_is() -> None:
    seen = np.asarray(speciation.conductivity_us_cm(PURE_WATER, np.linspace(0.0, 100.0, 200)))
    assert np.all(np.diff(seen) > 0.0)


def test_negative_carbonate_stands_for_a_ph_above_neutral() -> None:
    assert (
        inverse_ph.total_carbonate_from_ph(7.05, 25.0) < 0.0 < inverse_ph.total_carbonate_from_ph(6.95, 25.0)
    )


def test_carbonate_in_terms_of_air_is_the_gas_it_came_from() -> None:
    ph = speciation.solve_ph(PURE_WATER, [5.0, 25.0, 60.0], co2_fugacity_uatm=600.0)
    back = inverse_ph.co2_fugacity_uatm_from_ph(ph, [5.0, 25.0, 60.0])
    np.testing.assert_allclose(back, 600.0, rtol=1e-9)


def test_amine_behaves_as_ammonia_does_when_given_its_constants() -> None:
    like_ammonia = bases.WeakBase(
        name="like-ammonia",
        pka_25c=bases.ammonium_pka(25.0),  # type: ignore[arg-type]  # a scalar comes back as a float
        enthalpy_kj_mol=52.2,
        cation_conductance_25c=73.5,
    )
    ammonia = speciation.speciate(Composition(ammonia_mol_kg=1e-5), 25.0)
    amine = speciation.speciate(Composition(amine_mol_kg=1e-5, amine=like_ammonia), 25.0)
    assert amine.ph == pytest.approx(ammonia.ph, abs=1e-12)
    assert amine.conductivity_us_cm == pytest.approx(ammonia.conductivity_us_cm, rel=1e-12)
    assert amine.aminium_mol_kg == pytest.approx(ammonia.ammonium_mol_kg, rel=1e-12)


def test_solvent_is_the_same_for_every_function() -> None:
    assert solvent.density_kg_l(25.0) == pytest.approx(0.99704, abs=1e-5)
