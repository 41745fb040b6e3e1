"""The budget of a measurement against a worked example, error propagation and Monte Carlo."""

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from uncertainties import ufloat

from quietcell.core.electrode.buffers import CERTIFICATE, Buffer, buffer
from quietcell.core.electrode.calibration import CalibrationPoint, calibrate
from quietcell.core.electrode.influences import Influences, LowIonicCheck
from quietcell.core.electrode.known_line import KnownLine
from quietcell.core.electrode.nernst import Line, nernst_factor_mv
from quietcell.core.electrode.ph_budget import Measured, ph_budget
from quietcell.core.electrode.uncertainty import Budget
from tests.support.known_lines import EXACT, KNOWN, LINE
from tests.support.wrong_use import assert_refused

SILENT = Influences(
    meter_half_width_mv=0.0,
    resolution_mv=0.0,
    temperature_standard_uncertainty_c=0.0,
    zero_drift_mv_per_d=0.0,
    slope_drift_pct_per_d=0.0,
    hysteresis_mv_per_c=0.0,
    low_ionic_junction_mv=(0.0, 0.0),
    ordinary_junction_mv=(0.0, 0.0),
    streaming_half_width_mv=0.0,
)


def exact(ph: float) -> Buffer:
    return Buffer(
        name=f"ph-{ph}",
        buffer_set=CERTIFICATE,
        temperatures_c=(25.0,),
        values_ph=(ph,),
        standard_uncertainty_ph=0.005,
    )


def worked_example() -> Budget:
    points = [
        CalibrationPoint(
            buffer=exact(ph),
            mv=mv,
            temperature_c=25.0,
            mv_standard_uncertainty=0.2,
            temperature_standard_uncertainty_c=0.0,
        )
        for ph, mv in ((4.005, 177.2), (6.865, 8.0))
    ]
    known = calibrate(points, isopotential_standard_uncertainty_ph=0.0).known_line(age_d=0.0)
    return ph_budget(known, Measured(mv=3.0, temperature_c=25.0, repeatability_mv=0.3), SILENT)


def test_the_worked_example_comes_out() -> None:
    # pH = p2 + (E2 - Ex)/S, S = (E1 - E2)/(p2 - p1); value 1e-4, u 1 %.
    found = worked_example()
    assert found.ph == pytest.approx(6.9495, abs=1e-4)
    assert found.standard_uncertainty_ph == pytest.approx(0.0080, rel=0.01)
    # Parts: p2 0.0051, Ex 0.0051, E2 0.0035, p1 and E1 0.0001 each.
    assert found.component("buffers").standard_uncertainty_ph == pytest.approx(0.0051, abs=1e-4)
    assert found.component("repeatability").standard_uncertainty_ph == pytest.approx(0.0051, abs=1e-4)
    assert found.component("calibration-mv").standard_uncertainty_ph == pytest.approx(0.0035, abs=1e-4)


def test_the_worked_example_agrees_with_a_reference_library() -> None:
    # The `uncertainties` package, first order.
    p1, p2 = ufloat(4.005, 0.005), ufloat(6.865, 0.005)
    e1, e2, ex = ufloat(177.2, 0.2), ufloat(8.0, 0.2), ufloat(3.0, 0.3)
    ph = p2 + (e2 - ex) / ((e1 - e2) / (p2 - p1))
    found = worked_example()
    assert found.ph == pytest.approx(ph.nominal_value, abs=1e-9)
    assert found.standard_uncertainty_ph == pytest.approx(ph.std_dev, rel=1e-6)
    parts = ph.error_components()
    assert found.component("buffers").standard_uncertainty_ph == pytest.approx(
        math.hypot(parts[p1], parts[p2]), rel=1e-6
    )
    assert found.component("calibration-mv").standard_uncertainty_ph == pytest.approx(
        math.hypot(parts[e1], parts[e2]), rel=1e-6
    )


@pytest.mark.parametrize("sample", [(120.0, 8.0), (3.0, 25.0), (-60.0, 60.0), (-150.0, 80.0)])
def test_every_sensitivity_agrees_with_a_reference_library(sample: tuple[float, float]) -> None:
    # The whole line with correlated slope and zero, isopotential point, potential and temperature.
    mv, temperature_c = sample
    known = KnownLine.from_figures(
        Line(slope_pct=96.0, zero_mv=-7.0, isopotential_ph=6.6),
        slope_standard_uncertainty_pct=0.7,
        zero_standard_uncertainty_mv=1.1,
        slope_zero_correlation=0.0,
        isopotential_standard_uncertainty_ph=0.25,
        age_d=0.0,
        temperature_c=temperature_c,
    )
    influences = replace(SILENT, temperature_standard_uncertainty_c=0.4, meter_half_width_mv=0.5)
    found = ph_budget(known, Measured(mv=mv, temperature_c=temperature_c, repeatability_mv=0.2), influences)

    slope, zero, iso = ufloat(0.96, 0.007), ufloat(-7.0, 1.1), ufloat(6.6, 0.25)
    noise, meter = ufloat(0.0, 0.2), ufloat(0.0, 0.5 / math.sqrt(3.0))
    kelvin = ufloat(temperature_c + 273.15, 0.4)
    per_kelvin_mv = 1000.0 * 8.31446261815324 * math.log(10.0) / 96485.33212331
    isopotential_mv = zero + slope * per_kelvin_mv * 298.15 * (7.0 - iso)
    ph = iso + (isopotential_mv - mv - noise - meter) / (slope * per_kelvin_mv * kelvin)

    parts = ph.error_components()
    assert found.ph == pytest.approx(ph.nominal_value, abs=1e-6)
    assert found.standard_uncertainty_ph == pytest.approx(ph.std_dev, rel=1e-5)
    assert found.systematic_ph == pytest.approx(math.sqrt(ph.std_dev**2 - parts[noise] ** 2), rel=1e-5)
    for name, variables in (
        ("slope-and-zero", (slope, zero)),
        ("isopotential", (iso,)),
        ("meter", (meter,)),
        ("temperature", (kelvin,)),
        ("repeatability", (noise,)),
    ):
        expected = math.sqrt(sum(parts[variable] ** 2 for variable in variables))
        assert found.component(name).standard_uncertainty_ph == pytest.approx(expected, rel=1e-5)


def test_correlation_between_slope_and_zero_enters_with_its_sign() -> None:
    def u(correlation: float) -> float:
        known = KnownLine.from_figures(
            LINE,
            slope_standard_uncertainty_pct=1.0,
            zero_standard_uncertainty_mv=1.0,
            slope_zero_correlation=correlation,
            isopotential_standard_uncertainty_ph=0.0,
        )
        return (
            ph_budget(known, Measured(mv=100.0, temperature_c=25.0), SILENT)
            .component("slope-and-zero")
            .standard_uncertainty_ph
        )

    factor_mv = 0.98 * nernst_factor_mv(25.0)
    by_slope, by_zero = 0.01 * 95.0 / (0.98 * factor_mv), 1.0 / factor_mv
    assert u(1.0) == pytest.approx(by_slope + by_zero)
    assert u(-1.0) == pytest.approx(abs(by_slope - by_zero), abs=1e-9)
    assert u(0.0) == pytest.approx(math.hypot(by_slope, by_zero))


def _two_point_monte_carlo(sample: tuple[float, float], number: int, seed: int) -> NDArray[np.float64]:
    """Errors of pH by two-point calibration at 20 °C, every input drawn; formulas of its own."""
    mv, temperature_c = sample
    rng = np.random.default_rng(seed)
    per_kelvin_mv = 1000.0 * 8.31446261815324 * math.log(10.0) / 96485.33212331
    slope, zero_mv = 0.97, 4.0
    k25 = per_kelvin_mv * 298.15
    iso = rng.uniform(6.5, 7.5, number)

    def potential(ph: NDArray[np.float64], celsius: NDArray[np.float64]) -> NDArray[np.float64]:
        k = per_kelvin_mv * (celsius + 273.15)
        return np.asarray(zero_mv + slope * k25 * (7.0 - iso) - slope * k * (ph - iso))

    def ph_of(bottle: Buffer, celsius: NDArray[np.float64]) -> NDArray[np.float64]:
        return bottle.ph(celsius)

    nominal_k = per_kelvin_mv * 293.15
    read = []
    for bottle in (buffer("iupac-2002", "phthalate"), buffer("iupac-2002", "borax")):
        true_c = 20.0 + rng.normal(0.0, 0.2, number)
        true_ph = ph_of(bottle, true_c) + rng.normal(0.0, bottle.standard_uncertainty_ph, number)
        read.append((bottle.ph(20.0), potential(true_ph, true_c) + rng.normal(0.0, 0.3, number)))
    (p1, e1), (p2, e2) = read
    s = (e1 - e2) / (nominal_k * (p2 - p1))
    # With the isopotential point held at 7: E = z - s k (pH - 7).
    z = e1 + s * nominal_k * (p1 - 7.0)

    kelvin = temperature_c + 273.15
    iso_mv = zero_mv + slope * k25 * (7.0 - iso)
    true_ph = iso + (iso_mv - mv) / (slope * per_kelvin_mv * kelvin)
    seen_mv = mv + rng.normal(0.0, 0.2, number) + rng.uniform(-0.2, 0.2, number)
    seen_k = per_kelvin_mv * (kelvin + rng.normal(0.0, 0.2, number))
    return np.asarray(7.0 + (z - seen_mv) / (s * seen_k) - true_ph)


@pytest.mark.parametrize("sample", [(100.0, 5.0), (3.0, 25.0), (-80.0, 40.0), (60.0, 80.0)])
def test_calibration_and_measurement_together_agree_with_monte_carlo(sample: tuple[float, float]) -> None:
    truth = Line(slope_pct=97.0, zero_mv=4.0)
    points = [
        CalibrationPoint(
            buffer=bottle, mv=truth.mv(bottle.ph(20.0), 20.0), temperature_c=20.0, mv_standard_uncertainty=0.3
        )
        for bottle in (buffer("iupac-2002", "phthalate"), buffer("iupac-2002", "borax"))
    ]
    found = ph_budget(
        calibrate(points).known_line(age_d=0.0),
        Measured(mv=sample[0], temperature_c=sample[1], repeatability_mv=0.2),
        replace(SILENT, meter_half_width_mv=0.2, temperature_standard_uncertainty_c=0.2),
    )
    drawn = _two_point_monte_carlo(sample, 200_000, seed=11)
    # 200 000 draws give a standard deviation to 0.2 %; first order leaves out about as much.
    assert float(np.std(drawn)) == pytest.approx(found.standard_uncertainty_ph, rel=0.01)
    assert abs(float(np.mean(drawn))) < 0.02 * found.standard_uncertainty_ph


@pytest.mark.parametrize(("temperature_c", "error_ph"), [(25.0, 0.0), (40.0, -0.024), (80.0, -0.078)])
def test_half_a_ph_of_isopotential_error_costs_what_it_should(temperature_c: float, error_ph: float) -> None:
    truth = Line(slope_pct=100.0, zero_mv=0.0, isopotential_ph=7.5)
    assumed = Line(slope_pct=100.0, zero_mv=0.0, isopotential_ph=7.0)
    read = assumed.ph(truth.mv(7.0, temperature_c), temperature_c)
    assert read - 7.0 == pytest.approx(error_ph, abs=5e-4)
    known = KnownLine.from_figures(assumed, isopotential_standard_uncertainty_ph=0.5)
    part = ph_budget(known, Measured(mv=0.0, temperature_c=temperature_c)).component("isopotential")
    assert part.standard_uncertainty_ph == pytest.approx(abs(error_ph), abs=5e-4)


def test_what_is_still_to_come_is_missing_from_the_reading() -> None:
    found = ph_budget(EXACT, Measured(mv=5.0, temperature_c=25.0, remaining_ph=(0.0, 0.04)), SILENT)
    remaining = found.component("remaining")
    assert remaining.bias_ph == pytest.approx(-0.02)
    assert (found.low_ph + found.high_ph) / 2.0 == pytest.approx(found.ph + 0.02)


def test_a_line_of_which_only_slope_and_zero_are_known_still_has_a_budget() -> None:
    found = ph_budget(KnownLine.from_figures(LINE), Measured(mv=5.0, temperature_c=25.0))
    assert {"slope", "zero", "isopotential", "drift"} <= set(found.assumed)
    assert found.not_known == ("remaining", "repeatability")
    assert 0.05 < found.expanded_uncertainty_ph < 0.3


def test_a_stated_figure_is_not_called_assumed() -> None:
    found = ph_budget(
        KnownLine.from_figures(LINE, zero_standard_uncertainty_mv=0.5), Measured(mv=5.0, temperature_c=25.0)
    )
    assert "slope" in found.assumed
    assert "zero" not in found.assumed


def test_repeating_a_measurement_leaves_everything_but_repeatability() -> None:
    single = ph_budget(KNOWN, Measured(mv=5.0, temperature_c=40.0, repeatability_mv=1.0))
    many = single.averaged(10_000)
    assert many.systematic_ph == single.systematic_ph
    assert many.standard_uncertainty_ph == pytest.approx(single.systematic_ph, rel=1e-4)


@given(mv=st.floats(-400.0, 400.0), temperature_c=st.floats(0.0, 100.0))
def test_more_to_go_wrong_never_makes_u_smaller(mv: float, temperature_c: float) -> None:
    measured = Measured(mv=mv, temperature_c=temperature_c)
    little = ph_budget(EXACT, measured).expanded_uncertainty_ph
    assert little <= ph_budget(KNOWN, measured).expanded_uncertainty_ph + 1e-12
    assert ph_budget(EXACT, measured, SILENT).expanded_uncertainty_ph <= little


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: Measured(mv=float("nan"), temperature_c=25.0), "mv: nan mV is outside -2000 to 2000 mV"),
        (lambda: Measured(mv=0.0, temperature_c=130.0), "temperature_c: 130 °C is outside 0 to 100 °C"),
        (lambda: Measured(mv=0.0, temperature_c=25.0, repeatability_mv=-1.0),
         "repeatability_mv: -1 mV is outside 0 to 1000 mV"),
        (lambda: Measured(mv=0.0, temperature_c=25.0, remaining_ph=(0.1, 0.0)),
         "upper remaining_ph: 0 pH is outside 0.1 to 14 pH"),
        (lambda: Measured(mv=0.0, temperature_c=25.0, conductivity_us_cm=-0.1),
         "conductivity_us_cm: -0.1 µS/cm is outside 0 to 1e+06 µS/cm"),
        (lambda: Measured(mv=0.0, temperature_c=25.0, flow_ml_min=-1.0),
         "flow_ml_min: -1 mL/min is outside 0 to 1e+06 mL/min"),
        (lambda: Influences(hysteresis_mv_per_c=-0.1),
         "hysteresis_mv_per_c: -0.1 mV/°C is outside 0 to 10 mV/°C"),
        (lambda: Influences(low_ionic_junction_mv=(0.0, -6.0)),
         "upper low_ionic_junction_mv: -6 mV is outside 0 to 100 mV"),
        (lambda: LowIonicCheck(bias_ph=5.0, standard_uncertainty_ph=0.01),
         "bias_ph: 5 pH is outside -2 to 2 pH"),
        (lambda: KnownLine.from_figures(LINE, zero_standard_uncertainty_mv=-1.0),
         "zero_standard_uncertainty_mv: -1 mV is outside 0 to 500 mV"),
        (lambda: KnownLine.from_figures(LINE, slope_zero_correlation=0.5),
         "slope_zero_correlation: 0.5 has no meaning while slope or zero uncertainty is not stated"),
        (lambda: KnownLine.from_figures(LINE, age_d=-1.0), "age_d: -1 d is outside 0 d and above"),
        (lambda: ph_budget(KNOWN, Measured(mv=1500.0, temperature_c=25.0)),
         "mv: 1500 mV at 25 °C means pH -18.79, outside -2 to 16"),
    ],
)  # fmt: skip
def test_wrong_use_names_argument_value_unit_and_range(call: Callable[[], object], message: str) -> None:
    assert_refused(call, message)
