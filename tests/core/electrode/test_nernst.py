"""The Nernst factor and the line of an electrode."""

import csv
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietcell.core.electrode.nernst import Line, nernst_factor_mv
from tests.support.wrong_use import assert_refused

DATA = Path(__file__).parents[2] / "data" / "electrode"
TABLE = list(csv.DictReader((DATA / "nernst.csv").read_text(encoding="utf-8").splitlines()))

lines = st.builds(
    Line,
    slope_pct=st.one_of(st.floats(20.0, 120.0), st.floats(-120.0, -20.0)),
    zero_mv=st.floats(-100.0, 100.0),
    isopotential_ph=st.floats(3.0, 11.0),
)
phs = st.floats(0.0, 14.0)
temperatures = st.floats(0.0, 100.0)


@pytest.mark.parametrize("row", TABLE, ids=lambda row: f"{row['t_C']} C")
def test_the_factor_agrees_with_codata_2018(row: dict[str, str]) -> None:
    # R T ln 10 / F with the exact SI values (CODATA 2018).
    assert nernst_factor_mv(float(row["t_C"])) == pytest.approx(float(row["k_mV_CODATA2018"]), abs=0.001)


@pytest.mark.parametrize("column", ["k_V_USP791_table", "k_V_PhEur_2.2.3_table"])
def test_the_factor_agrees_with_the_pharmacopoeia_tables(column: str) -> None:
    # USP <791> and Ph. Eur. 2.2.3; both round or truncate in the last place, hence 1e-4 V.
    rows = [row for row in TABLE if row[column]]
    assert len(rows) == 5
    for row in rows:
        assert nernst_factor_mv(float(row["t_C"])) / 1000.0 == pytest.approx(float(row[column]), abs=1e-4)


@pytest.mark.parametrize("temperature_c", [15.0, 20.0, 25.0, 30.0, 35.0])
def test_the_factor_agrees_with_the_formula_of_usp_791(temperature_c: float) -> None:
    # USP <791>: k = 0.05916 + 0.0001984 (t - 25) V.
    by_usp = 0.05916 + 0.0001984 * (temperature_c - 25.0)
    assert nernst_factor_mv(temperature_c) / 1000.0 == pytest.approx(by_usp, abs=2e-6)


def test_ph_follows_the_sign_of_usp_791() -> None:
    # USP <791> since 1 August 2024: pH = pHs - (E - Es)/k.
    k = nernst_factor_mv(25.0)
    assert Line(slope_pct=100.0, zero_mv=0.0).ph(-k, 25.0) == pytest.approx(8.0)


def test_a_negative_slope_serves_a_meter_whose_mv_rise_with_ph() -> None:
    normal, inverted = Line(slope_pct=98.0, zero_mv=5.0), Line(slope_pct=-98.0, zero_mv=-5.0)
    assert inverted.ph(-100.0, 40.0) == pytest.approx(normal.ph(100.0, 40.0), abs=1e-12)


def test_zero_is_the_potential_at_ph_7_and_25_c_whatever_the_isopotential_point() -> None:
    for isopotential_ph in (5.0, 7.0, 8.5):
        line = Line(slope_pct=96.0, zero_mv=4.2, isopotential_ph=isopotential_ph)
        assert line.mv(7.0, 25.0) == pytest.approx(4.2, abs=1e-12)
        assert line.ph(4.2, 25.0) == pytest.approx(7.0, abs=1e-12)


def test_temperature_does_not_move_the_potential_at_the_isopotential_point() -> None:
    line = Line(slope_pct=97.0, zero_mv=-12.0, isopotential_ph=6.4)
    at = line.mv(np.full(5, 6.4), np.array([0.0, 20.0, 50.0, 80.0, 100.0]))
    assert np.ptp(at) < 1e-12
    assert at[0] == pytest.approx(line.isopotential_mv)


@given(line=lines, ph=phs, temperature_c=temperatures)
def test_mv_and_ph_undo_each_other(line: Line, ph: float, temperature_c: float) -> None:
    assert line.ph(line.mv(ph, temperature_c), temperature_c) == pytest.approx(ph, abs=1e-9)


@given(line=lines, cut=st.integers(0, 40), seed=st.integers(0, 2**32 - 1))
def test_cutting_a_stream_changes_no_bit(line: Line, cut: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    mv, temperature_c = rng.uniform(-300.0, 300.0, 40), rng.uniform(0.0, 100.0, 40)
    whole = line.stream_ph(mv, temperature_c)
    parts = [line.stream_ph(mv[s], temperature_c[s]) for s in (slice(None, cut), slice(cut, None))]
    assert np.concatenate(parts).tobytes() == whole.tobytes()
    assert whole.tolist() == [line.ph(float(e), float(t)) for e, t in zip(mv, temperature_c, strict=True)]


def test_arrays_of_any_shape_broadcast() -> None:
    line = Line(slope_pct=100.0, zero_mv=0.0)
    assert line.ph(np.zeros((2, 3, 1)), np.full(4, 25.0)).shape == (2, 3, 4)
    assert line.mv(7.0, np.full((2, 2), 60.0)).tolist() == [[0.0, 0.0], [0.0, 0.0]]
    assert nernst_factor_mv(np.zeros((0,))).shape == (0,)
    assert isinstance(line.ph(3.0, 25.0), float)


def test_a_stream_turns_missing_and_wild_readings_into_nan() -> None:
    line = Line(slope_pct=100.0, zero_mv=0.0)
    ph = line.stream_ph([0.0, np.nan, 0.0, 0.0, 9999.0, np.inf], [25.0, 25.0, np.nan, 140.0, 25.0, 25.0])
    assert np.isnan(ph).tolist() == [False, True, True, True, True, True]


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: nernst_factor_mv(140.0), "temperature_c: 140 °C is outside 0 to 100 °C"),
        (lambda: nernst_factor_mv(-1.0), "temperature_c: -1 °C is outside 0 to 100 °C"),
        (lambda: nernst_factor_mv(float("nan")), "temperature_c: nan °C is outside 0 to 100 °C"),
        (
            lambda: nernst_factor_mv(np.array([20.0, 200.0])),
            "temperature_c: 200 °C at index 1 is outside 0 to 100 °C",
        ),
        (
            lambda: nernst_factor_mv(np.array([[20.0], [200.0]])),
            "temperature_c: 200 °C at index (1, 0) is outside 0 to 100 °C",
        ),
        (
            lambda: nernst_factor_mv("warm"),  # type: ignore[call-overload]  # wrong use on purpose
            "temperature_c: 'warm' is not a number or an array of numbers",
        ),
        (lambda: Line(slope_pct=0.984, zero_mv=0.0), "slope_pct: 0.984 % is outside 10 to 200 % in size"),
        (lambda: Line(slope_pct=float("nan"), zero_mv=0.0), "slope_pct: nan % is outside the finite numbers"),
        (lambda: Line(slope_pct=98.0, zero_mv=4e3), "zero_mv: 4000 mV is outside -1000 to 1000 mV"),
        (
            lambda: Line(slope_pct=98.0, zero_mv=0.0, isopotential_ph=15.0),
            "isopotential_ph: 15 is outside 0 to 14",
        ),
        (
            lambda: Line(slope_pct=98.0, zero_mv=np.zeros(2)),  # type: ignore[arg-type]  # wrong use on purpose
            "zero_mv: an array of shape (2,) where one number belongs",
        ),
        (
            lambda: Line(slope_pct=98.0, zero_mv=0.0).ph(-2500.0, 25.0),
            "mv: -2500 mV is outside -2000 to 2000 mV",
        ),
        (lambda: Line(slope_pct=98.0, zero_mv=0.0).mv(177.2, 25.0), "ph: 177.2 is outside -2 to 16"),
        (
            lambda: Line(slope_pct=98.0, zero_mv=0.0).ph(np.zeros(3), np.full(2, 25.0)),
            "mv and temperature_c: shapes do not fit together: mv (3,), temperature_c (2,)",
        ),
    ],
)
def test_wrong_use_names_argument_value_unit_and_range(call: Callable[[], object], message: str) -> None:
    assert_refused(call, message)
