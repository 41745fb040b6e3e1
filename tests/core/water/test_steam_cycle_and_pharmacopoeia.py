"""pH from conductivity in alkalised water, and the pharmacopoeia tables."""

import numpy as np
import pytest

from quietcell.core.water import PURE_WATER, Composition, pharmacopoeia, speciation, steam_cycle
from tests.core.water.waters import holding


@pytest.mark.parametrize(("alkali", "divisor"), [("ammonia", 273.0), ("strong_base", 243.0)])
@pytest.mark.parametrize("seen", [3.0, 5.0, 10.0])
@pytest.mark.parametrize("exchanged", [0.1, 0.3, 1.0])
def test_ph_follows_the_rule_power_stations_use(
    alkali: steam_cycle.Alkali, divisor: float, seen: float, exchanged: float
) -> None:
    # VGB guideline (from memory): pH = lg[(κ - κ_exchanged/3)/273] + 11 for ammonia, 243 for NaOH; 25 °C.
    own = steam_cycle.ph_from_conductivity(seen, 25.0, exchanged_us_cm=exchanged, alkali=alkali)
    assert own == pytest.approx(np.log10((seen - exchanged / 3.0) / divisor) + 11.0, abs=0.05)


@pytest.mark.parametrize("temperature_c", [15.0, 25.0, 45.0])
@pytest.mark.parametrize("anion", ["strong_acid", "total_carbonate"])
def test_ph_comes_back_from_the_two_conductivities(temperature_c: float, anion: steam_cycle.Anion) -> None:
    held = holding(PURE_WATER, anion, 1e-6)
    water = holding(Composition(ammonia_mol_kg=2e-5), anion, 1e-6)
    own = steam_cycle.ph_from_conductivity(
        speciation.conductivity_us_cm(water, temperature_c),
        temperature_c,
        exchanged_us_cm=speciation.conductivity_us_cm(held, temperature_c),
        anion=anion,
    )
    assert own == pytest.approx(speciation.solve_ph(water, temperature_c), abs=1e-9)


def test_exchanged_water_as_pure_as_water_takes_nothing_off() -> None:
    alone = steam_cycle.ph_from_conductivity(4.0, 25.0)
    assert steam_cycle.ph_from_conductivity(4.0, 25.0, exchanged_us_cm=0.05) == pytest.approx(alone, abs=1e-9)


def test_stage_1_is_read_at_the_table_temperature_not_above_the_sample() -> None:
    # USP <645>: no interpolation.
    limits = pharmacopoeia.stage_1_limit_us_cm([0.0, 4.9, 5.0, 24.99, 25.0, 99.9, 100.0])
    assert np.asarray(limits).tolist() == [0.6, 0.6, 0.8, 1.1, 1.3, 2.9, 3.1]
    assert len(pharmacopoeia.STAGE_1_LIMITS_US_CM) == 21


def test_stage_3_rounds_to_a_tenth_and_keeps_its_bump() -> None:
    # USP <645>: 2.4 at 6.1, 2.5 at 6.2, 2.4 at 6.3, least 2.1 at 6.6.
    limits = pharmacopoeia.stage_3_limit_us_cm([6.1, 6.2, 6.3, 6.6, 6.649, 6.65, 5.0, 4.95, 7.0, 7.049])
    assert np.asarray(limits).tolist() == [2.4, 2.5, 2.4, 2.1, 2.1, 2.6, 4.7, 4.7, 4.6, 4.6]
    assert np.isnan(pharmacopoeia.stage_3_limit_us_cm(4.94))
    assert np.isnan(pharmacopoeia.stage_3_limit_us_cm(7.05))
    assert min(pharmacopoeia.STAGE_3_LIMITS_US_CM.values()) == 2.1
    assert len(pharmacopoeia.STAGE_3_LIMITS_US_CM) == 21


def test_water_open_to_ordinary_air_passes_stage_2() -> None:
    # Air alone brings 1 µS/cm; the limit leaves room for little else.
    water = speciation.conductivity_us_cm(Composition(), 25.0, co2_fugacity_uatm=420.0)
    assert water < pharmacopoeia.STAGE_2_LIMIT_US_CM
