"""Dilute solutions of known pH, and how well the bias is known that they show together."""

import math

import numpy as np
import pytest

from quietcell.core.electrode.low_ionic import (
    Found,
    KnownPh,
    dosed_base,
    known_solution,
    low_ionic_check,
    strong_acid,
)


@pytest.mark.parametrize(("mg_l", "conductivity_us_cm", "ph"), [(0.1, 0.625, 8.4), (1.0, 6.229, 9.4)])
def test_dosed_sodium_hydroxide_has_the_ph_of_its_conductivity(
    mg_l: float, conductivity_us_cm: float, ph: float
) -> None:
    # ASTM D5128, table 1 (NaOH in pure water, 25 °C); tolerance 0.02 as for the whole table.
    assert dosed_base("strong_base", conductivity_us_cm, 25.0).ph == pytest.approx(ph, abs=0.02), mg_l


def test_dilute_acid_has_the_ph_of_its_concentration() -> None:
    # -log10 of concentration times activity coefficient, Debye and Hückel's limiting law (0.509 at 25 °C).
    for mol_l in (5e-6, 5e-5, 5e-4):
        ideal = -math.log10(mol_l * 0.997**-1) + 0.509 * math.sqrt(mol_l)
        assert strong_acid(mol_l, 25.0).ph == pytest.approx(ideal, abs=0.003)


def test_what_is_known_by_conductivity_is_as_uncertain_as_conductivity_and_temperature() -> None:
    # Strong base: a tenth more conductivity is a tenth more OH-, log10 1.1 of pH; one °C is 0.033
    # (check values: 1 mg/L NaOH) and a fiftieth less OH- for the same conductivity.
    described = known_solution("base", conductivity_rel_u=0.1, temperature_u_c=1e-6)
    assert described(5.0, 25.0).standard_uncertainty_ph == pytest.approx(math.log10(1.1), rel=0.1)
    warm = known_solution("base", conductivity_rel_u=1e-6, temperature_u_c=1.0)
    assert warm(5.0, 25.0).standard_uncertainty_ph == pytest.approx(0.033 + math.log10(1.02), rel=0.1)


def test_three_solutions_known_by_one_meter_are_not_better_known_than_it() -> None:
    # GUM (JCGM 100) 5.2.2 and F.1.2.3: what is common to several does not become smaller in their mean.
    rng = np.random.default_rng(4)
    bias_ph, u_ph, repeats_ph = 0.06, 0.02, 0.002
    held = []
    for _ in range(800):
        common = rng.normal(0.0, u_ph)
        solutions = [
            Found(
                known=KnownPh(ph=ph + common, standard_uncertainty_ph=u_ph, known_from=""),
                ph=ph + bias_ph + rng.normal(0.0, repeats_ph),
                repeatability_ph=repeats_ph,
                conductivity_us_cm=1.0,
            )
            for ph in (8.3, 8.6, 9.0)
        ]
        check = low_ionic_check(solutions)
        held.append(abs(check.bias_ph - bias_ph) <= 2.0 * check.standard_uncertainty_ph)
    assert np.mean(held) > 0.93
