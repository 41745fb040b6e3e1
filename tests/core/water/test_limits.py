"""The interval of pH that conductivity and temperature allow."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from quietcell.core.water import PURE_WATER, Composition, ion_product, limits, speciation
from tests.support.tables import number_table

AMOUNTS = st.one_of(st.just(0.0), st.floats(-9.0, -3.0).map(lambda exponent: float(10.0**exponent)))


def test_no_rain_sample_contradicts_its_conductivity() -> None:
    # NADP/NTN ME96, 438 weekly samples at 25 °C; conductivity as the laboratory gives it, no uncertainty.
    rain = number_table("rain-low-conductivity/weekly_1998-2008")
    allowed = limits.allowed_ph_interval(rain["cond25_uScm"], 25.0)
    assert len(rain["pH_lab"]) == 438
    assert not np.any((rain["pH_lab"] < allowed.low) | (rain["pH_lab"] > allowed.high))


@pytest.mark.parametrize("conductivity_rel_u", [0.0, 0.01])
def test_most_of_the_low_rain_contradicts_a_ph_shifted_by_a_fifth(conductivity_rel_u: float) -> None:
    # The same samples with a junction error of -0.2: at least 180, with 1 % standard uncertainty too.
    rain = number_table("rain-low-conductivity/weekly_1998-2008")
    allowed = limits.allowed_ph_interval(rain["cond25_uScm"], 25.0, conductivity_rel_u=conductivity_rel_u)
    shifted = rain["pH_lab"] - 0.2
    assert np.count_nonzero((shifted < allowed.low) | (shifted > allowed.high)) >= 180


@pytest.mark.parametrize(
    ("conductivity_us_cm", "low", "high", "within"),
    [(0.060, 6.92, 7.23, 0.01), (0.10, 6.62, 7.57, 0.01), (1.0, 5.6, 8.6, 0.02)],
)
def test_interval_at_25_c(conductivity_us_cm: float, low: float, high: float, within: float) -> None:
    # Own hand calculation from CRC conductances (349.65, 198.0, 50.08, slow anion 41).
    allowed = limits.allowed_ph_interval(conductivity_us_cm, 25.0)
    assert allowed.low == pytest.approx(low, abs=within)
    assert allowed.high == pytest.approx(high, abs=within)
    assert not allowed.below_pure_water


@pytest.mark.parametrize("temperature_c", [5.0, 15.0, 25.0, 45.0, 65.0, 85.0])
@pytest.mark.parametrize("conductivity_us_cm", [0.0, 0.056, 0.06, 0.1, 1.0])
def test_ends_of_the_interval_have_just_that_conductivity(
    temperature_c: float, conductivity_us_cm: float
) -> None:
    own = speciation.conductivity_us_cm(PURE_WATER, temperature_c)
    allowed = limits.allowed_ph_interval(conductivity_us_cm, temperature_c)
    neutral = ion_product.neutral_ph(temperature_c)
    if conductivity_us_cm < 0.995 * own:
        assert allowed.below_pure_water
        assert allowed.low == allowed.high == pytest.approx(neutral, abs=1e-9)
        return
    assert allowed.low < neutral < allowed.high
    # Alkaline side: sodium hydroxide of that pH has that conductivity.
    base = 10.0 ** (allowed.high - ion_product.pkw(temperature_c)) - 10.0**-allowed.high
    water = speciation.speciate(Composition(strong_base_mol_kg=base), temperature_c)
    assert water.conductivity_us_cm == pytest.approx(conductivity_us_cm, rel=0.004)
    # Acid side: carbonic acid of that pH, whose anion is faster than the slowest, has a little more.
    acid = 10.0**-allowed.low - 10.0 ** (allowed.low - ion_product.pkw(temperature_c))
    water = speciation.speciate(Composition(strong_acid_mol_kg=acid), temperature_c)
    assert 1.0 <= water.conductivity_us_cm / conductivity_us_cm < 1.12


@settings(max_examples=300)
@given(
    carbonate=AMOUNTS,
    acid=AMOUNTS,
    base=AMOUNTS,
    salt=AMOUNTS,
    ammonia=AMOUNTS,
    temperature_c=st.floats(0.0, 100.0),
)
def test_no_water_the_speciation_can_make_lies_outside(
    carbonate: float, acid: float, base: float, salt: float, ammonia: float, temperature_c: float
) -> None:
    water = speciation.speciate(
        Composition(
            total_carbonate_mol_kg=carbonate,
            strong_acid_mol_kg=acid,
            strong_base_mol_kg=base,
            neutral_salt_mol_kg=salt,
            ammonia_mol_kg=ammonia,
        ),
        temperature_c,
    )
    if water.conductivity_us_cm > 1000.0:
        return
    allowed = limits.allowed_ph_interval(water.conductivity_us_cm, temperature_c)
    assert allowed.low - 1e-3 <= water.ph <= allowed.high + 1e-3


@pytest.mark.parametrize("temperature_c", [5.0, 25.0, 85.0])
def test_a_shift_beyond_either_end_is_seen(temperature_c: float) -> None:
    for water, shift in (
        (Composition(strong_acid_mol_kg=2e-6), -0.2),
        (Composition(strong_base_mol_kg=2e-6), 0.2),
    ):
        found = speciation.speciate(water, temperature_c)
        allowed = limits.allowed_ph_interval(found.conductivity_us_cm, temperature_c)
        assert allowed.low <= found.ph <= allowed.high
        assert not allowed.low <= found.ph + shift <= allowed.high


@given(
    conductivity_us_cm=st.floats(0.05, 100.0),
    temperature_c=st.floats(0.0, 100.0),
    conductivity_rel_u=st.floats(0.0, 0.1),
    temperature_u_c=st.floats(0.0, 2.0),
)
def test_uncertainties_only_widen(
    conductivity_us_cm: float, temperature_c: float, conductivity_rel_u: float, temperature_u_c: float
) -> None:
    narrow = limits.allowed_ph_interval(conductivity_us_cm, temperature_c)
    wide = limits.allowed_ph_interval(
        conductivity_us_cm,
        temperature_c,
        conductivity_rel_u=conductivity_rel_u,
        temperature_u_c=temperature_u_c,
    )
    assert wide.low <= narrow.low
    assert wide.high >= narrow.high


def test_interval_widens_with_conductivity() -> None:
    seen = 10.0 ** np.linspace(-1.25, 2.0, 300)
    allowed = limits.allowed_ph_interval(seen, 25.0)
    assert np.all(np.diff(np.asarray(allowed.low)) < 0.0)
    assert np.all(np.diff(np.asarray(allowed.high)) > 0.0)


def test_amines_widen_the_alkaline_side_alone() -> None:
    sodium = limits.allowed_ph_interval(1.0, 25.0)
    amine = limits.allowed_ph_interval(1.0, 25.0, alkali="amine")
    assert amine.low == sodium.low
    assert 0.02 < amine.high - sodium.high < 0.05


def test_conductivity_below_pure_waters_own_is_named() -> None:
    allowed = limits.allowed_ph_interval([0.050, 0.0549, 0.056], 25.0)
    assert np.asarray(allowed.below_pure_water).tolist() == [True, False, False]
    assert not limits.allowed_ph_interval(0.0535, 25.0, conductivity_rel_u=0.02).below_pure_water
