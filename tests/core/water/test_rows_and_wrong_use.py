"""How every function treats arrays, streams and bad values."""

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from quietcell.core.water import (
    PURE_WATER,
    Composition,
    bases,
    carbonate,
    conductance,
    hydration,
    inverse_both,
    inverse_conductivity,
    inverse_ph,
    ion_product,
    limits,
    pharmacopoeia,
    reference25,
    solvent,
    speciation,
    steam_cycle,
)
from quietcell.core.water._elementwise import ROWS_AT_ONCE
from quietcell.errors import DomainError

# Any input: wrong types are part of what is tested.
Call = Callable[[Any, Any], object]
# Each takes a first quantity (pH, conductivity or amount) and a temperature.
BY_PH: dict[str, Call] = {
    "amount": lambda p, t: inverse_ph.amount_from_ph("total_carbonate", p, t),
    "gas": inverse_ph.co2_fugacity_uatm_from_ph,
    "salt": lambda p, t: inverse_both.amount_and_salt("strong_acid", p, 1.0, t),
    "both": lambda p, t: inverse_both.amount_from_both(
        "total_carbonate",
        p,
        1.0,
        t,
        ph_u=0.1,
        conductivity_rel_u=0.1,
    ),
    "ph_25c": lambda p, t: reference25.ph_25c(p, t, conductivity_us_cm=3.0),
}
BY_CONDUCTIVITY: dict[str, Call] = {
    "amount": lambda k, t: inverse_conductivity.amount_from_conductivity(
        "total_carbonate",
        k,
        t,
        on_invalid="nan",
    ),
    "limits": lambda k, t: limits.allowed_ph_interval(k, t, temperature_u_c=0.1),
    "conductivity_25c": lambda k, t: reference25.conductivity_25c(k, t, "total_carbonate"),
    "salt_conductivity_25c": reference25.salt_conductivity_25c,
    "steam": lambda k, t: steam_cycle.ph_from_conductivity(k, t, on_invalid="nan"),
}
BY_AMOUNT: dict[str, Call] = {
    "speciate": lambda c, t: speciation.speciate(
        Composition(total_carbonate_mol_kg=c, ammonia_mol_kg=1e-6),
        t,
    ),
    "aged": lambda c, t: hydration.apparent_carbonate(c, 10.0, t),
}
BY_TEMPERATURE: dict[str, Call] = {
    "pkw": lambda _, t: ion_product.pkw(t),
    "density": lambda _, t: solvent.density_kg_l(t),
    "carbonate": lambda _, t: carbonate.constants(t),
    "ammonium": lambda _, t: bases.ammonium_pka(t),
    "conductance": lambda _, t: conductance.limiting_conductance("H+", t),
    "rate": lambda _, t: hydration.hydration_rate_per_s(t),
    "stage 1": lambda _, t: pharmacopoeia.stage_1_limit_us_cm(t),
}


def parts(result: object) -> list[object]:
    """Return the numbers of a result, one or several."""
    return [part for part in result if not isinstance(part, str)] if isinstance(result, tuple) else [result]


GENERATOR = np.random.default_rng(5)
ROWS = 60
FIRST: dict[str, NDArray[np.float64]] = {
    "ph": GENERATOR.uniform(3.5, 10.5, ROWS),
    "conductivity": 10.0 ** GENERATOR.uniform(-1.0, 2.0, ROWS),
    "amount": 10.0 ** GENERATOR.uniform(-8.0, -4.0, ROWS),
}
TEMPERATURES_C = np.where(np.arange(ROWS) % 7 == 0, 25.0, GENERATOR.uniform(0.0, 100.0, ROWS))
ALL = [
    *(("ph", name, call) for name, call in BY_PH.items()),
    *(("conductivity", name, call) for name, call in BY_CONDUCTIVITY.items()),
    *(("amount", name, call) for name, call in BY_AMOUNT.items()),
    *(("ph", name, call) for name, call in BY_TEMPERATURE.items()),
]


@pytest.mark.parametrize(("kind", "name", "call"), ALL)
def test_a_row_has_the_same_bits_however_the_array_is_cut(kind: str, name: str, call: Call) -> None:
    first = FIRST[kind]
    whole = parts(call(first, TEMPERATURES_C))
    halves = [parts(call(first[cut], TEMPERATURES_C[cut])) for cut in (slice(0, 17), slice(17, ROWS))]
    strided = parts(call(first[::2], TEMPERATURES_C[::2]))
    singles = [parts(call(float(x), float(t))) for x, t in zip(first, TEMPERATURES_C, strict=True)]
    for index, part in enumerate(whole):
        column = np.asarray(part)
        joined = np.concatenate([np.asarray(half[index]) for half in halves])
        np.testing.assert_array_equal(joined, column, err_msg=name)
        np.testing.assert_array_equal(np.asarray(strided[index]), column[::2], err_msg=name)
        np.testing.assert_array_equal([single[index] for single in singles], column, err_msg=name)
        assert all(isinstance(single[index], float | bool) for single in singles)


def test_rows_beyond_one_block_are_computed_alike() -> None:
    temperature_c = np.linspace(0.0, 100.0, ROWS_AT_ONCE + 100)
    whole = np.asarray(speciation.solve_ph(PURE_WATER, temperature_c))
    np.testing.assert_array_equal(whole[-100:], speciation.solve_ph(PURE_WATER, temperature_c[-100:]))


def test_arrays_of_any_shape_broadcast_together() -> None:
    carbonate_mol_kg, temperature_c = np.full((3, 1, 2), 1e-6), np.full((4, 1), 30.0)
    found = speciation.speciate(Composition(total_carbonate_mol_kg=carbonate_mol_kg), temperature_c)
    for part in found:
        assert np.shape(part) == (3, 4, 2)
    assert np.shape(speciation.solve_ph(PURE_WATER, np.empty((0, 3)))) == (0, 3)
    at_one = speciation.speciate(Composition(total_carbonate_mol_kg=[1e-6, 2e-6]), 25.0)
    assert all(np.shape(part) == (2,) for part in at_one)


def test_whole_numbers_and_lists_are_taken() -> None:
    assert ion_product.pkw(25) == ion_product.pkw(25.0)
    assert isinstance(ion_product.pkw(np.float64(25.0)), float)
    np.testing.assert_array_equal(ion_product.pkw([0, 25]), [ion_product.pkw(0.0), ion_product.pkw(25.0)])


@pytest.mark.parametrize("bad", [-0.1, 100.1, float("nan"), float("inf"), [20.0, float("nan")], "warm", None])
@pytest.mark.parametrize(
    ("kind", "call"), [(kind, call) for kind, name, call in ALL if name not in ("amount", "steam")]
)
def test_a_bad_temperature_is_refused_by_name_unit_and_range(kind: str, call: Call, bad: object) -> None:
    with pytest.raises(DomainError, match=r"temperature_c.*0\.\.100 °C"):
        call(float(FIRST[kind][0]), bad)


def test_an_error_names_value_place_and_what_to_do() -> None:
    with pytest.raises(DomainError) as caught:
        inverse_ph.total_carbonate_from_ph([7.0, 2.5, 12.0], 25.0)
    assert str(caught.value) == (
        "ph = 2.5 (row 1 of 3, 2 such) is outside 3..11. "
        'use a value in the range, or on_invalid="nan" where a stream may carry bad rows'
    )


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        (
            lambda: speciation.solve_ph(Composition(ammonia_mol_kg=-1e-9), 25.0),
            "ammonia_mol_kg = -1e-09 mol",
        ),
        (lambda: speciation.solve_ph(Composition(strong_acid_mol_kg=0.2), 25.0), r"0\.\.0\.1 mol/kg"),
        (lambda: speciation.solve_ph(Composition(amine_mol_kg=1e-6), 25.0), "without an amine"),
        (
            lambda: speciation.solve_ph(
                Composition(total_carbonate_mol_kg=1e-6), 25.0, co2_fugacity_uatm=400.0
            ),
            "both given",
        ),
        (
            lambda: speciation.solve_ph(PURE_WATER, 25.0, co2_fugacity_uatm=-1.0),
            "fugacity_uatm = -1 µatm",
        ),
        (lambda: limits.allowed_ph_interval(-0.1, 25.0), r"conductivity_us_cm = -0\.1 µS/cm"),
        (lambda: limits.allowed_ph_interval(1.0, 25.0, conductivity_rel_u=-0.1), "conductivity_rel_u"),
        (lambda: limits.allowed_ph_interval(1.0, 25.0, temperature_u_c=11.0), r"temperature_u_c = 11 °C"),
        (lambda: limits.allowed_ph_interval(1.0, 25.0, alkali="lye"), "alkali = 'lye'"),  # type: ignore[arg-type]  # wrong on purpose
        (lambda: ion_product.pkw(25.0, release="R11"), "release = 'R11'"),  # type: ignore[arg-type]  # wrong on purpose
        (lambda: conductance.limiting_conductance("Li+", 25.0), r"ion = 'Li\+'"),
        (lambda: inverse_ph.amount_from_ph("salt", 7.0, 25.0), "unknown = 'salt'"),  # type: ignore[arg-type]  # wrong on purpose
        (
            lambda: inverse_conductivity.total_carbonate_from_conductivity(0.04, 25.0),
            "no amount of total_carbonate",
        ),
        (lambda: reference25.ph_25c(7.0, 25.0, "sea"), "model = 'sea'"),
        (lambda: reference25.conductivity_25c(1.0, 25.0, "sea"), "model = 'sea'"),  # type: ignore[arg-type]  # wrong on purpose
        (lambda: hydration.hydration_rate_per_s(25.0, source="x"), "source = 'x'"),  # type: ignore[arg-type]  # wrong on purpose
        (lambda: hydration.apparent_carbonate(1e-6, -1.0, 25.0), "sample_age_s = -1 s"),
        (lambda: steam_cycle.ph_from_conductivity(4.0, 25.0, alkali="lime"), "alkali = 'lime'"),  # type: ignore[arg-type]  # wrong on purpose
        (lambda: steam_cycle.ph_from_conductivity(4.0, 25.0, anion="x"), "anion = 'x'"),  # type: ignore[arg-type]  # wrong on purpose
        (
            lambda: speciation.solve_ph(Composition(ammonia_mol_kg=[1e-6, 2e-6]), [1.0, 2.0, 3.0]),
            "do not go together",
        ),
        (lambda: ion_product.pkw(500.0, on_invalid="skip"), "on_invalid = 'skip'"),  # type: ignore[arg-type]  # wrong on purpose
        (
            lambda: bases.WeakBase(name="x", pka_25c=2.0, enthalpy_kj_mol=50.0, cation_conductance_25c=40.0),
            "pka_25c = 2",
        ),
    ],
)
def test_wrong_use_is_refused_with_the_reason(wrong: Callable[[], object], message: str) -> None:
    with pytest.raises(DomainError, match=message):
        wrong()


def test_a_stream_gets_nan_in_the_bad_rows_and_the_same_bits_in_the_good() -> None:
    ph, temperature_c = np.array([6.0, 2.0, np.nan, 6.0]), np.array([25.0, 25.0, 25.0, 130.0])
    calls: tuple[Callable[[Any, Any], Any], ...] = (
        lambda p, t: inverse_ph.total_carbonate_from_ph(p, t, on_invalid="nan"),
        lambda p, t: reference25.ph_25c(p, t, conductivity_us_cm=1.0, on_invalid="nan").value,
        lambda p, t: reference25.ph_25c(p, t, on_invalid="nan").spread,
        lambda p, t: (
            inverse_both.amount_from_both(
                "total_carbonate", p, 1.0, t, ph_u=0.1, conductivity_rel_u=0.1, on_invalid="nan"
            ).amount_mol_kg
        ),
    )
    for call in calls:
        values = np.asarray(call(ph, temperature_c))
        assert np.isnan(values).tolist() == [False, True, True, True]
        assert values[0] == call(6.0, 25.0)
        assert np.isnan(call(float("nan"), 25.0))
    allowed = limits.allowed_ph_interval([1.0, -1.0], [25.0, 25.0], on_invalid="nan")
    assert np.isnan(np.asarray(allowed.low)).tolist() == [False, True]
    assert np.isnan(speciation.solve_ph(Composition(ammonia_mol_kg=-1.0), 25.0, on_invalid="nan"))
    assert np.isnan(inverse_conductivity.total_carbonate_from_conductivity(0.04, 25.0, on_invalid="nan"))
    assert np.isnan(pharmacopoeia.stage_1_limit_us_cm(-5.0, on_invalid="nan"))
    assert np.isnan(pharmacopoeia.stage_3_limit_us_cm(float("nan"), on_invalid="nan"))
