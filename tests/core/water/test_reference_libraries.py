"""The chemistry against programs of others, on grids: iapws, PHREEQC and PyCO2SYS."""

# ruff: noqa: PLC0415 # they take seconds to load, which of several processes only one should spend
from typing import Any

import numpy as np
import pytest

from quietcell.core.water import Composition, ion_product, solvent, speciation

GRID_C = np.arange(0.0, 100.1, 5.0)


@pytest.fixture(scope="module")
def phreeqc() -> Any:
    import phreeqpython

    return phreeqpython.PhreeqPython(database="phreeqc.dat")


def in_phreeqc(phreeqc: Any, temperature_c: float, **mol_kg: float) -> tuple[float, float]:
    """Return pH and conductivity of a solution balanced by its pH; amounts by PHREEQC's element names."""
    elements = {name.replace("C4", "C(4)").replace("N3", "N(-3)"): amount for name, amount in mol_kg.items()}
    solution = phreeqc.add_solution({"temp": temperature_c, "pH": "7 charge", "units": "mol/kgw", **elements})
    result = float(solution.pH), float(solution.sc)
    solution.forget()
    return result


def test_pkw_density_and_permittivity_agree_with_iapws() -> None:
    from iapws._iapws import _Dielectric, _Kw, _Liquid

    # iapws 1.5: its ion product is R11-24, its liquid water SR6-08 at 0.1 MPa.
    kelvin = GRID_C + 273.15
    density = np.array([_Liquid(t)["rho"] for t in kelvin])
    pkw = np.array([_Kw(rho, t) for rho, t in zip(density, kelvin, strict=True)])
    np.testing.assert_allclose(ion_product.pkw(GRID_C), pkw, rtol=0, atol=0.0005)  # the bar is 0.003
    np.testing.assert_allclose(1000.0 * np.asarray(solvent.density_kg_l(GRID_C)), density, rtol=0, atol=0.03)
    permittivity = np.array([_Dielectric(rho, t) for rho, t in zip(density, kelvin, strict=True)])
    np.testing.assert_allclose(solvent.permittivity(GRID_C), permittivity, rtol=0.004)
    viscosity = np.array([_Liquid(t)["mu"] for t in kelvin])
    np.testing.assert_allclose(1e-3 * np.asarray(solvent.viscosity_mpa_s(GRID_C)), viscosity, rtol=1e-4)


def test_ion_product_of_the_older_release_stays_within_its_uncertainty_of_the_library() -> None:
    import iapws

    assert iapws.__version__ >= "1.5"
    old, new = ion_product.pkw(GRID_C, release="R11-07"), ion_product.pkw(GRID_C)
    np.testing.assert_allclose(old, new, rtol=0, atol=0.0021)


def test_carbonate_with_alkali_or_acid_agrees_with_pyco2sys() -> None:
    import PyCO2SYS

    # PyCO2SYS with the fresh-water constants of Millero 1979 (option 8): salinity 0, 0..50 °C. Salinity 0
    # means no activity correction there, which above 2e-5 mol/kg of bicarbonate would be seen.
    carbonate, excess, temperature_c = np.meshgrid(
        [1e-7, 1e-6, 5e-6, 2e-5], [-1.0, 0.0, 0.5, 1.0], [5.0, 15.0, 25.0, 35.0, 45.0]
    )
    alkalinity = np.where(excess < 0.0, -1e-7, excess * carbonate)
    theirs = PyCO2SYS.sys(
        par1=1e6 * alkalinity.ravel(),
        par1_type=1,
        par2=1e6 * carbonate.ravel(),
        par2_type=2,
        salinity=0.0,
        temperature=temperature_c.ravel(),
        opt_k_carbonic=8,
    )["pH_free"]
    water = Composition(
        total_carbonate_mol_kg=carbonate,
        strong_base_mol_kg=np.maximum(alkalinity, 0.0),
        strong_acid_mol_kg=np.maximum(-alkalinity, 0.0),
    )
    np.testing.assert_allclose(
        np.asarray(speciation.solve_ph(water, temperature_c)).ravel(), theirs, rtol=0, atol=0.005
    )


@pytest.mark.parametrize("temperature_c", [5.0, 15.0, 25.0, 35.0, 50.0])
def test_mixtures_have_the_ph_phreeqc_gives(phreeqc: Any, temperature_c: float) -> None:
    # Up to 50 °C: from 60 °C on, PHREEQC's own ion product leaves that of IAPWS by more than 0.005.
    for carbonate in (1e-7, 2e-6, 5e-5):
        for base, acid in ((0.0, 0.0), (1e-6, 0.0), (1e-4, 0.0), (0.0, 1e-6), (0.0, 1e-4), (3e-4, 2e-4)):
            theirs, _ = in_phreeqc(phreeqc, temperature_c, C4=carbonate, Na=base + 1e-6, Cl=acid + 1e-6)
            water = Composition(
                total_carbonate_mol_kg=carbonate,
                strong_base_mol_kg=base,
                strong_acid_mol_kg=acid,
                neutral_salt_mol_kg=1e-6,
            )
            assert speciation.solve_ph(water, temperature_c) == pytest.approx(theirs, abs=0.005)


@pytest.mark.parametrize("temperature_c", [10.0, 25.0, 40.0, 50.0])
def test_ammoniated_mixtures_have_the_ph_phreeqc_gives(phreeqc: Any, temperature_c: float) -> None:
    for ammonia in (1e-6, 1e-5, 1e-4):
        for carbonate in (1e-7, 2e-6, 5e-5):
            theirs, _ = in_phreeqc(phreeqc, temperature_c, N3=ammonia, C4=carbonate)
            water = Composition(ammonia_mol_kg=ammonia, total_carbonate_mol_kg=carbonate)
            assert speciation.solve_ph(water, temperature_c) == pytest.approx(theirs, abs=0.01)


def test_conductivity_at_25_c_agrees_with_phreeqc(phreeqc: Any) -> None:
    # At 25 °C only: PHREEQC lets every ion follow viscosity, too steep where H+ carries the current.
    for elements, water in (
        ({"C4": 1e-7}, Composition(total_carbonate_mol_kg=1e-7)),
        ({"C4": 2e-5}, Composition(total_carbonate_mol_kg=2e-5)),
        ({"C4": 2e-4}, Composition(total_carbonate_mol_kg=2e-4)),
        ({"Na": 1e-6}, Composition(strong_base_mol_kg=1e-6)),
        ({"Na": 1e-4}, Composition(strong_base_mol_kg=1e-4)),
        ({"Cl": 1e-6}, Composition(strong_acid_mol_kg=1e-6)),
        ({"Cl": 1e-4}, Composition(strong_acid_mol_kg=1e-4)),
        ({"Na": 1e-4, "Cl": 1e-4}, Composition(neutral_salt_mol_kg=1e-4)),
        ({"Na": 5e-4, "Cl": 5e-4}, Composition(neutral_salt_mol_kg=5e-4)),
        ({"N3": 1e-5}, Composition(ammonia_mol_kg=1e-5)),
        ({"N3": 1e-4, "C4": 1e-5}, Composition(ammonia_mol_kg=1e-4, total_carbonate_mol_kg=1e-5)),
        ({"Na": 1e-4, "C4": 1e-4}, Composition(strong_base_mol_kg=1e-4, total_carbonate_mol_kg=1e-4)),
    ):
        _, theirs = in_phreeqc(phreeqc, 25.0, **elements)
        assert speciation.conductivity_us_cm(water, 25.0) == pytest.approx(theirs, rel=0.015), water
