"""The chemistry against published tables; the source stands beside each check."""

import numpy as np
import pytest

from quietcell.core.constants import (
    CO2_MOLAR_MASS_G_MOL,
    HCL_MOLAR_MASS_G_MOL,
    NAOH_MOLAR_MASS_G_MOL,
    NH3_MOLAR_MASS_G_MOL,
)
from quietcell.core.water import (
    PURE_WATER,
    Composition,
    bases,
    carbonate,
    conductance,
    inverse_ph,
    ion_product,
    solvent,
    speciation,
)
from tests.support.tables import number_table, text_table


@pytest.mark.parametrize(("release", "column"), [("R11-24", "pKw_R11_24"), ("R11-07", "pKw_R11_07")])
def test_pkw_follows_the_iapws_release(release: ion_product.Release, column: str) -> None:
    # IAPWS R11-24 and R11-07.
    table = number_table("chemistry/pkw")
    pkw = ion_product.pkw(table["t_C"], release=release)
    np.testing.assert_allclose(pkw, table[column], rtol=0, atol=3e-4)  # the bar is 0.003


@pytest.mark.parametrize(("release", "column"), [("R11-24", "pKw_R11_24"), ("R11-07", "pKw_R11_07")])
def test_pkw_meets_the_check_points_printed_in_the_release(release: ion_product.Release, column: str) -> None:
    # IAPWS R11-24 and R11-07, check values; the last figure is half a unit.
    table = number_table("chemistry/pkw_release_check")
    given = ~np.isnan(table[column])
    pkw = ion_product.pkw_at_density(table["T_K"][given], table["density_g_cm3"][given], release=release)
    np.testing.assert_allclose(pkw, table[column][given], rtol=0, atol=1e-6 if release == "R11-24" else 1e-5)


def test_density_follows_iapws_95() -> None:
    # Density column of the pKw table: IAPWS-95 at 0.101325 MPa.
    table = number_table("chemistry/pkw")
    density = solvent.density_kg_l(table["t_C"])
    np.testing.assert_allclose(1000.0 * np.asarray(density), table["density_kg_m3"], rtol=0, atol=0.02)


def test_neutral_ph_falls_by_a_sixtieth_per_degree_at_25_c() -> None:
    # IAPWS R11-24: -0.0166 per degree.
    slope = (ion_product.neutral_ph(25.5) - ion_product.neutral_ph(24.5)) / 1.0
    assert slope == pytest.approx(-0.0166, abs=0.0002)


def test_pure_water_conducts_as_measured() -> None:
    # Light et al., Electrochem. Solid-State Lett. 8 (2005) E16.
    table = number_table("chemistry/conductivity_pure_water")
    own = speciation.conductivity_us_cm(PURE_WATER, table["t_C"])
    np.testing.assert_allclose(own, table["conductivity_uS_cm_Light2005"], rtol=0.015)


def test_pure_water_at_25_c_conducts_as_the_guideline_says() -> None:
    # IAPWS guideline on electrolytic conductivity (1990). Away from 25 °C it carries an older ion product
    # and lies up to 4 % from the measurements above.
    assert speciation.conductivity_us_cm(PURE_WATER, 25.0) == pytest.approx(0.05499, rel=0.005)


ION_NAMES = {"1/2 CO3--": "CO3--"}


@pytest.mark.parametrize("row", range(7))
def test_ion_conductance_at_25_c_is_the_handbooks(row: int) -> None:
    # CRC Handbook of Chemistry and Physics.
    table, names = number_table("chemistry/conductance_ions"), text_table("chemistry/conductance_ions")
    ion = ION_NAMES.get(names["ion"][row], names["ion"][row])
    value = conductance.limiting_conductance(ion, 25.0)
    assert value == pytest.approx(table["lambda_eq_25C_CRC"][row], rel=1e-12)
    # Nernst-Einstein from the handbook's diffusion coefficient.
    assert value == pytest.approx(table["lambda_eq_from_D"][row], rel=0.003)


@pytest.mark.parametrize(
    ("ion", "temperature_c", "published"),
    [
        # Robinson and Stokes, appendix 6.2 (from memory), without OH- below 25 °C: with their 105 at 0 °C
        # pure water would conduct 4 % less than measured.
        ("H+", 0.0, 225.0),
        ("H+", 18.0, 315.0),
        ("H+", 35.0, 397.0),
        ("H+", 45.0, 441.4),
        ("H+", 55.0, 483.1),
        ("OH-", 35.0, 233.0),
        ("OH-", 45.0, 267.2),
        ("OH-", 55.0, 301.4),
        ("Na+", 0.0, 26.5),
        ("Na+", 18.0, 42.8),
        ("Na+", 35.0, 61.5),
        ("Na+", 45.0, 73.7),
        ("Na+", 55.0, 86.8),
        ("Cl-", 0.0, 41.0),
        ("Cl-", 18.0, 66.0),
        ("Cl-", 35.0, 92.2),
        ("Cl-", 45.0, 108.9),
        ("Cl-", 55.0, 126.4),
        ("NH4+", 18.0, 63.9),
        ("NH4+", 35.0, 88.7),
    ],
)
def test_ion_conductance_follows_temperature(ion: str, temperature_c: float, published: float) -> None:
    # The change with temperature is compared: the two handbooks differ by up to 0.6 % at 25 °C already.
    at_25c = {"H+": 349.8, "OH-": 199.1, "Na+": 50.1, "Cl-": 76.35, "NH4+": 73.5}[ion]
    own = conductance.limiting_conductance(ion, temperature_c) / conductance.limiting_conductance(ion, 25.0)
    assert own == pytest.approx(published / at_25c, rel=0.02)


def test_carbonate_ion_at_18_c_is_within_3_percent_of_an_older_handbook() -> None:
    # Robinson and Stokes (from memory): 60.5 at 18 °C, 69.3 at 25 °C. McCleskey's newer measurements,
    # followed here, are 2.7 % lower. It carries no current below pH 9.5.
    own = conductance.limiting_conductance("CO3--", 18.0)
    assert own == pytest.approx(60.5, rel=0.03)


def test_carbonate_constants_are_those_of_plummer_and_busenberg() -> None:
    # Plummer and Busenberg, Geochim. Cosmochim. Acta 46 (1982) 1011.
    table = number_table("chemistry/carbonate_constants")
    kh, k1, k2 = carbonate.constants(table["t_C"])
    np.testing.assert_allclose(kh, table["logKH_mol_kg_atm"], rtol=0, atol=1e-4)
    np.testing.assert_allclose(k1, table["logK1"], rtol=0, atol=1e-4)
    np.testing.assert_allclose(k2, table["logK2"], rtol=0, atol=1e-4)


def test_first_dissociation_agrees_with_an_independent_measurement() -> None:
    # Harned and Davis 1943 (from memory).
    _, k1, _ = carbonate.constants([0.0, 10.0, 25.0, 40.0, 50.0])
    np.testing.assert_allclose(k1, [-6.579, -6.464, -6.352, -6.298, -6.285], rtol=0, atol=0.002)


def test_water_open_to_a_gas_has_the_ph_other_programs_give() -> None:
    # PHREEQC and PyCO2SYS; the bar is 0.01, met at 0.005.
    table = number_table("chemistry/carbonate_open")
    water = speciation.speciate(PURE_WATER, table["t_C"], co2_fugacity_uatm=table["fCO2_uatm"])
    for column in ("pH_zero_ionic_strength", "pH_PHREEQC", "pH_PyCO2SYS"):
        np.testing.assert_allclose(water.ph, table[column], rtol=0, atol=0.005)
    total = np.asarray(water.co2_mol_kg) + water.bicarbonate_mol_kg + water.carbonate_mol_kg
    np.testing.assert_allclose(1e6 * total, table["total_CO2_umol_kg"], rtol=0.002)
    # Limiting conductances without the forces between ions.
    np.testing.assert_allclose(
        water.conductivity_us_cm, table["conductivity_at_t_McCleskey_lambda_uS_cm"], rtol=0.01
    )


def test_water_saturated_with_air_conducts_as_the_handbook_says_at_25_c() -> None:
    # CRC Handbook, table of KCl standards, last column; fair at 25 °C only, CO2 of its day not stated.
    table = number_table("chemistry/crc_co2_saturated_water")
    published = table["conductivity_uS_cm_CRC"][table["t_C"] == 25.0][0]
    own = speciation.conductivity_us_cm(PURE_WATER, 25.0, co2_fugacity_uatm=420.0)
    assert own == pytest.approx(published, rel=0.15)


def test_closed_water_with_co2_has_published_ph_and_conductivity() -> None:
    # PHREEQC and PyCO2SYS.
    table = number_table("chemistry/carbonate_closed_25C")
    water = speciation.speciate(Composition(total_carbonate_mol_kg=1e-6 * table["total_CO2_umol_kg"]), 25.0)
    for column in ("pH_zero_ionic_strength", "pH_PHREEQC", "pH_PyCO2SYS"):
        given = ~np.isnan(table[column])
        np.testing.assert_allclose(np.asarray(water.ph)[given], table[column][given], rtol=0, atol=0.001)
    np.testing.assert_allclose(water.conductivity_us_cm, table["conductivity_uS_cm"], rtol=0.005)
    np.testing.assert_allclose(
        table["total_CO2_umol_kg"] * CO2_MOLAR_MASS_G_MOL / 1000.0, table["total_CO2_mg_kg"], rtol=1e-4
    )


def test_water_taking_up_co2_runs_through_the_states_another_program_gives() -> None:
    # PHREEQC: every state of the uptake curve is an equilibrium with its dissolved carbon.
    table = number_table("co2-equilibrium-computed/uptake-normalised-25C")
    water = speciation.speciate(Composition(total_carbonate_mol_kg=1e-6 * table["dic_umol_kg"]), 25.0)
    np.testing.assert_allclose(water.ph, table["pH"], rtol=0, atol=0.002)
    np.testing.assert_allclose(water.conductivity_us_cm, table["cond_uScm"], rtol=0.015)


def test_open_water_from_5_c_upwards_has_the_ph_other_programs_give() -> None:
    # PHREEQC and PyCO2SYS, 0 to 2000 µatm.
    table = number_table("co2-equilibrium-computed/open-system")
    water = speciation.speciate(PURE_WATER, table["temp_C"], co2_fugacity_uatm=1e6 * table["pco2_atm"])
    # This PHREEQC run dissolves a little more gas (0.0033 pH at 25 °C) than the one in carbonate_open.csv.
    for column, within in (("pH_phreeqc", 0.01), ("pH_pyco2sys", 0.005)):
        given = ~np.isnan(table[column])
        np.testing.assert_allclose(np.asarray(water.ph)[given], table[column][given], rtol=0, atol=within)
    at_25c = table["temp_C"] == 25.0
    np.testing.assert_allclose(
        np.asarray(water.conductivity_us_cm)[at_25c], table["cond_phreeqc_uScm"][at_25c], rtol=0.015
    )


@pytest.mark.parametrize(
    ("co2_umol_kg", "ph"), [(0.486, 6.5), (3.22, 6.0)]
)  # computed beside the tables; three figures
def test_carbonate_needed_for_a_ph(co2_umol_kg: float, ph: float) -> None:
    assert 1e6 * inverse_ph.total_carbonate_from_ph(ph, 25.0) == pytest.approx(co2_umol_kg, rel=0.003)


def test_ammonium_pka_is_that_of_bates_and_pinching() -> None:
    # Bates and Pinching, J. Res. NBS 42 (1949) 419.
    table = number_table("chemistry/ammonium_pka")
    np.testing.assert_allclose(bases.ammonium_pka(table["t_C"]), table["pKa"], rtol=0, atol=1e-4)
    assert bases.ammonium_pka(25.0) == pytest.approx(9.245, abs=0.001)  # rounded handbook value (from memory)


def test_ammoniated_water_has_the_ph_and_conductivity_phreeqc_gives() -> None:
    # PHREEQC; the bar is 0.01 in pH and 2 % in conductivity.
    table = number_table("chemistry/ammonia_water")
    water = speciation.speciate(
        Composition(ammonia_mol_kg=1e-3 * table["NH3_mg_kg"] / NH3_MOLAR_MASS_G_MOL), table["t_C"]
    )
    np.testing.assert_allclose(water.ph, table["pH_zero_ionic_strength"], rtol=0, atol=0.005)
    np.testing.assert_allclose(water.ph, table["pH_PHREEQC"], rtol=0, atol=0.005)
    given = ~np.isnan(table["conductivity_25C_uS_cm"])
    np.testing.assert_allclose(
        np.asarray(water.conductivity_us_cm)[given], table["conductivity_25C_uS_cm"][given], rtol=0.01
    )


def test_dilute_alkali_and_acid_follow_the_published_table() -> None:
    # ASTM D5128, table 1 (NaOH); HCl from CRC conductances. 2 %, below 0.1 µS/cm 0.001; 0.02 in pH.
    table, names = (
        number_table("chemistry/astm_d5128_naoh_hcl_25C"),
        text_table("chemistry/astm_d5128_naoh_hcl_25C"),
    )
    for row, solute in enumerate(names["solute"]):
        kg_l = solvent.density_kg_l(25.0)
        if solute == "NaOH":
            water = Composition(strong_base_mol_kg=1e-3 * table["mg_L"][row] / NAOH_MOLAR_MASS_G_MOL / kg_l)
        else:
            water = Composition(strong_acid_mol_kg=1e-3 * table["mg_L"][row] / HCL_MOLAR_MASS_G_MOL / kg_l)
        ph, own = speciation.solve_ph(water, 25.0), speciation.conductivity_us_cm(water, 25.0)
        for kind in ("table", "computed"):
            seen = table[f"conductivity_uS_cm_{kind}"][row]
            if not np.isnan(seen):
                assert own == pytest.approx(seen, rel=0.02, abs=0.001 if seen < 0.1 else 0.0)
                assert ph == pytest.approx(table[f"pH_{kind}"][row], abs=0.02)


def test_strongest_sodium_hydroxide_of_the_table_still_fits() -> None:
    # ASTM D5128, table 1: 8 mg/L, 49.83 µS/cm, pH 10.30.
    water = Composition(strong_base_mol_kg=8e-3 / NAOH_MOLAR_MASS_G_MOL / solvent.density_kg_l(25.0))
    assert speciation.conductivity_us_cm(water, 25.0) == pytest.approx(49.83, rel=0.02)
    assert speciation.solve_ph(water, 25.0) == pytest.approx(10.30, abs=0.02)


@pytest.mark.parametrize(
    ("water", "co2_fugacity_uatm", "published"),
    [
        # Reference libraries; tolerance 0.001 per degree.
        (PURE_WATER, None, -0.0166),
        (Composition(ammonia_mol_kg=0.1e-3 / 17.031), None, -0.0322),
        (Composition(ammonia_mol_kg=1e-3 / 17.031), None, -0.0327),
        (Composition(strong_base_mol_kg=25e-6), None, -0.033),
        (Composition(strong_acid_mol_kg=2.74e-6), None, 0.000),
        (PURE_WATER, 420.0, 0.003),
        (Composition(total_carbonate_mol_kg=1e-6), None, -0.003),
    ],
)
def test_ph_changes_with_temperature_as_published(
    water: Composition, co2_fugacity_uatm: float | None, published: float
) -> None:
    above = speciation.solve_ph(water, 26.0, co2_fugacity_uatm=co2_fugacity_uatm)
    below = speciation.solve_ph(water, 24.0, co2_fugacity_uatm=co2_fugacity_uatm)
    assert (above - below) / 2.0 == pytest.approx(published, abs=0.001)


def test_the_forces_between_ions_take_off_what_the_limiting_law_says() -> None:
    # Onsager's law for a 1:1 salt at 25 °C: loss (60.3 + 0.229 Λ) √c (Robinson and Stokes, chapter 7).
    c = 1e-4
    salt = speciation.conductivity_us_cm(Composition(neutral_salt_mol_kg=c), 25.0)
    own = speciation.conductivity_us_cm(PURE_WATER, 25.0)
    limiting = 126.39
    lost = limiting - (salt - own) / (1000.0 * solvent.density_kg_l(25.0) * c)
    assert lost == pytest.approx((60.3 + 0.229 * limiting) * np.sqrt(0.997 * c), rel=0.03)


def test_solvent_properties_follow_iapws() -> None:
    # IAPWS R12-08 viscosity (from memory: 1.0016 and 0.3543 mPa s) and R8-97 permittivity at 25 °C, 78.4.
    assert solvent.viscosity_mpa_s(20.0) == pytest.approx(1.0016, rel=2e-4)
    assert solvent.viscosity_mpa_s(80.0) == pytest.approx(0.3543, rel=2e-3)
    assert solvent.permittivity(25.0) == pytest.approx(78.4, rel=2e-3)
