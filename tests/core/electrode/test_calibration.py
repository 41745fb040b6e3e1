"""Calibration with one to five points: estimates, covariance by source, residuals."""

import math
from collections.abc import Callable, Sequence

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from quietcell.core.electrode.buffers import CERTIFICATE, Buffer, buffer
from quietcell.core.electrode.calibration import Calibration, CalibrationPoint, calibrate
from quietcell.core.electrode.nernst import Line, nernst_factor_mv
from tests.support.wrong_use import assert_refused

PHTHALATE, PHOSPHATE, BORAX = (buffer("iupac-2002", name) for name in ("phthalate", "phosphate", "borax"))

electrodes = st.builds(
    Line,
    slope_pct=st.one_of(st.floats(80.0, 105.0), st.floats(-105.0, -80.0)),
    zero_mv=st.floats(-60.0, 60.0),
    isopotential_ph=st.floats(5.0, 9.0),
)


def measured(electrode: Line, bottle: Buffer, temperature_c: float, off_mv: float = 0.0) -> CalibrationPoint:
    mv = electrode.mv(bottle.ph(temperature_c), temperature_c) + off_mv
    return CalibrationPoint(buffer=bottle, mv=mv, temperature_c=temperature_c)


def exact(ph: float, u_ph: float) -> Buffer:
    return Buffer(
        name=f"ph-{ph}",
        buffer_set=CERTIFICATE,
        temperatures_c=(25.0,),
        values_ph=(ph,),
        standard_uncertainty_ph=u_ph,
    )


def source(calibration: Calibration, name: str) -> NDArray[np.float64]:
    (found,) = [error.covariance for error in calibration.errors if error.source == name]
    return np.array(found)


@given(electrode=electrodes, temperatures=st.lists(st.floats(0.0, 50.0), min_size=2, max_size=5))
def test_exact_points_at_any_temperatures_give_the_electrode_back(
    electrode: Line, temperatures: list[float]
) -> None:
    bottles = (PHTHALATE, BORAX, PHOSPHATE, PHTHALATE, BORAX)
    found = calibrate(
        [measured(electrode, bottle, t) for bottle, t in zip(bottles, temperatures, strict=False)],
        isopotential_ph=electrode.isopotential_ph,
    )
    assert found.slope_pct == pytest.approx(electrode.slope_pct, abs=1e-7)
    assert found.zero_mv == pytest.approx(electrode.zero_mv, abs=1e-7)
    assert max(map(abs, found.residuals_ph)) < 1e-9
    assert found.fitted == ("zero", "slope")
    assert found.degrees_of_freedom == len(temperatures) - 2


@given(electrode=electrodes)
def test_buffers_at_two_temperatures_give_the_isopotential_point_too(electrode: Line) -> None:
    points = [
        measured(electrode, bottle, t) for bottle, t in ((PHTHALATE, 20.0), (BORAX, 20.0), (PHOSPHATE, 48.0))
    ]
    found = calibrate(points, fit_isopotential=True)
    assert found.isopotential_ph == pytest.approx(electrode.isopotential_ph, abs=1e-6)
    assert found.slope_pct == pytest.approx(electrode.slope_pct, abs=1e-6)
    assert found.zero_mv == pytest.approx(electrode.zero_mv, abs=1e-6)
    assert found.fitted == ("zero", "slope", "isopotential")


def test_one_point_gives_the_zero_and_holds_the_slope_with_its_uncertainty() -> None:
    electrode = Line(slope_pct=97.0, zero_mv=8.0)
    found = calibrate(
        [measured(electrode, PHTHALATE, 25.0)], slope_pct=97.0, slope_standard_uncertainty_pct=0.5
    )
    assert (found.slope_pct, found.fitted) == (97.0, ("zero",))
    assert found.zero_mv == pytest.approx(8.0)
    held = source(found, "slope")
    # One per cent of slope moves the zero by one per cent of the distance to pH 7.
    lever_mv = nernst_factor_mv(25.0) * (7.0 - 4.005) / 100.0
    assert held[0, 0] == pytest.approx(0.25)
    assert held[1, 1] == pytest.approx((0.5 * lever_mv) ** 2)
    assert held[0, 1] == pytest.approx(-0.25 * lever_mv)


def test_two_points_agree_with_the_worked_example() -> None:
    # Own example with pH 4.005 and 6.865: slope 59.161 mV/pH, u 0.18 (first order, `uncertainties`).
    points = [
        CalibrationPoint(
            buffer=exact(ph, 0.005),
            mv=mv,
            temperature_c=25.0,
            mv_standard_uncertainty=0.2,
            temperature_standard_uncertainty_c=0.0,
        )
        for ph, mv in ((4.005, 177.2), (6.865, 8.0))
    ]
    found = calibrate(points, isopotential_standard_uncertainty_ph=0.0)
    factor_mv = nernst_factor_mv(25.0)
    assert found.slope_pct == pytest.approx(100.00, abs=0.005)
    assert found.slope_pct / 100.0 * factor_mv == pytest.approx(59.161, abs=5e-4)
    assert found.slope_standard_uncertainty_pct / 100.0 * factor_mv == pytest.approx(0.18, abs=0.005)
    assert found.degrees_of_freedom == 0


def test_a_bottle_measured_twice_is_no_better_known() -> None:
    electrode = Line(slope_pct=99.0, zero_mv=2.0)
    once = [measured(electrode, bottle, 25.0) for bottle in (PHTHALATE, PHOSPHATE)]
    single, double = calibrate(once), calibrate(once * 2)
    assert np.allclose(source(double, "buffers"), source(single, "buffers"), rtol=1e-9)
    assert np.allclose(source(double, "calibration-mv"), source(single, "calibration-mv") / 2.0, rtol=1e-9)


def test_two_lots_of_the_same_buffer_are_two_bottles() -> None:
    electrode = Line(slope_pct=99.0, zero_mv=2.0)
    lots = [buffer("iupac-2002", n, lot=lot) for n in ("phthalate", "phosphate") for lot in ("M-1", "M-2")]
    single = calibrate([measured(electrode, bottle, 25.0) for bottle in (PHTHALATE, PHOSPHATE)])
    double = calibrate([measured(electrode, bottle, 25.0) for bottle in lots])
    assert np.allclose(source(double, "buffers"), source(single, "buffers") / 2.0, rtol=1e-9)


def test_a_held_isopotential_point_does_no_harm_at_the_temperature_of_calibration() -> None:
    electrode = Line(slope_pct=99.0, zero_mv=2.0)
    found = calibrate([measured(electrode, bottle, 40.0) for bottle in (PHTHALATE, PHOSPHATE, BORAX)])

    def isopotential_u_ph(temperature_c: float) -> float:
        factor_mv = nernst_factor_mv(temperature_c)
        gradient = np.array([0.0, 1.0 / (0.99 * factor_mv), 1.0 - nernst_factor_mv(25.0) / factor_mv])
        return math.sqrt(max(0.0, float(gradient @ source(found, "isopotential") @ gradient)))

    assert isopotential_u_ph(40.0) < 1e-6
    # Half a pH as a rectangle, over k(40) against k(25).
    expected = 0.5 / math.sqrt(3.0) * (nernst_factor_mv(40.0) / nernst_factor_mv(25.0) - 1.0)
    assert isopotential_u_ph(25.0) == pytest.approx(expected, rel=0.01)


def test_scatter_beyond_what_was_stated_is_added_as_lack_of_fit() -> None:
    electrode = Line(slope_pct=99.0, zero_mv=2.0)
    good = [measured(electrode, bottle, 25.0) for bottle in (PHTHALATE, PHOSPHATE, BORAX)]
    bad = [good[0], measured(electrode, PHOSPHATE, 25.0, off_mv=6.0), good[2]]
    assert not any(error.source == "lack-of-fit" for error in calibrate(good).errors)
    found = calibrate(bad)
    stated = sum(source(found, name) for name in ("buffers", "calibration-mv", "calibration-temperature"))
    assert found.chi_squared > 1.0
    assert np.allclose(
        source(found, "lack-of-fit"), (found.chi_squared - 1.0) * np.asarray(stated), rtol=1e-9
    )


def test_residuals_are_reading_minus_buffer() -> None:
    electrode = Line(slope_pct=99.0, zero_mv=2.0)
    points = [
        measured(electrode, b, 25.0, off) for b, off in ((PHTHALATE, 0.0), (PHOSPHATE, 3.0), (BORAX, 0.0))
    ]
    found = calibrate(points)
    for point, residual_ph in zip(points, found.residuals_ph, strict=True):
        assert found.line.ph(point.mv, 25.0) - point.ph == pytest.approx(residual_ph, abs=1e-12)
    assert found.residuals_ph[1] < 0.0


@pytest.mark.parametrize("fit_isopotential", [False, True])
def test_each_source_is_carried_along_by_the_derivatives_of_the_fit(fit_isopotential: bool) -> None:
    # With as many points as parameters no weight matters and differences give the exact derivatives.
    electrode = Line(slope_pct=98.0, zero_mv=-6.0, isopotential_ph=5.0)
    pairs = [(PHTHALATE, 15.0), (BORAX, 20.0), (PHOSPHATE, 48.0)][: 3 if fit_isopotential else 2]

    def figures(off_mv: Sequence[float]) -> tuple[Calibration, NDArray[np.float64]]:
        points = [measured(electrode, b, t, off) for (b, t), off in zip(pairs, off_mv, strict=True)]
        found = calibrate(points, fit_isopotential=fit_isopotential, isopotential_ph=5.0)
        return found, np.array([found.slope_pct, found.zero_mv, found.isopotential_ph])

    def moved(index: int, off_mv: float) -> NDArray[np.float64]:
        return figures([off_mv if i == index else 0.0 for i in range(len(pairs))])[1]

    found, _ = figures([0.0] * len(pairs))
    derivative = np.stack([(moved(i, 1e-3) - moved(i, -1e-3)) / 2e-3 for i in range(len(pairs))], axis=1)
    mv_per_c = [
        (electrode.mv(b.ph(t + 1e-3), t + 1e-3) - electrode.mv(b.ph(t - 1e-3), t - 1e-3)) / 2e-3
        for b, t in pairs
    ]
    mv_per_ph = [electrode.mv(1.0, t) - electrode.mv(0.0, t) for _, t in pairs]
    for name, errors_mv in (
        ("calibration-mv", np.full(len(pairs), 0.3)),
        ("calibration-temperature", 0.2 * np.array(mv_per_c)),
        ("buffers", PHOSPHATE.standard_uncertainty_ph * np.array(mv_per_ph)),
    ):
        expected = derivative @ np.diag(errors_mv**2) @ derivative.T
        assert np.allclose(source(found, name), expected, rtol=1e-4, atol=1e-9)


def _spread_of_refits(
    points: Sequence[CalibrationPoint], electrode: Line, *, fit_isopotential: bool, seed: int
) -> NDArray[np.float64]:
    """Refit after drawing every error anew; the model is written out here once more."""
    rng = np.random.default_rng(seed)
    bottles = list(dict.fromkeys(point.buffer for point in points))
    refits = []
    for _ in range(800):
        wrong = {bottle: rng.normal(0.0, bottle.standard_uncertainty_ph) for bottle in bottles}
        drawn = []
        for point in points:
            true_c = point.temperature_c + rng.normal(0.0, point.temperature_standard_uncertainty_c)
            mv = electrode.mv(point.buffer.ph(true_c) + wrong[point.buffer], true_c)
            drawn.append(
                CalibrationPoint(
                    buffer=point.buffer,
                    mv=mv + rng.normal(0.0, point.mv_standard_uncertainty),
                    temperature_c=point.temperature_c,
                )
            )
        refit = calibrate(drawn, fit_isopotential=fit_isopotential, isopotential_ph=electrode.isopotential_ph)
        refits.append((refit.slope_pct, refit.zero_mv, refit.isopotential_ph))
    return np.cov(np.array(refits).T)


@pytest.mark.parametrize("fit_isopotential", [False, True])
def test_the_covariance_agrees_with_monte_carlo(fit_isopotential: bool) -> None:
    electrode = Line(slope_pct=98.0, zero_mv=-6.0, isopotential_ph=6.4)
    pairs = ((PHTHALATE, 15.0), (PHOSPHATE, 25.0), (BORAX, 20.0), (PHOSPHATE, 48.0))
    points = [measured(electrode, bottle, t) for bottle, t in pairs]
    found = calibrate(points, fit_isopotential=fit_isopotential, isopotential_ph=6.4)
    stated = sum(source(found, name) for name in ("buffers", "calibration-mv", "calibration-temperature"))
    drawn = _spread_of_refits(points, electrode, fit_isopotential=fit_isopotential, seed=5)
    used = slice(None) if fit_isopotential else slice(2)
    deviations = np.sqrt(np.diagonal(np.asarray(stated))[used])
    # 800 draws give a standard deviation to 2.5 %; allow four times that.
    assert np.allclose(np.sqrt(np.diagonal(drawn)[used]), deviations, rtol=0.1)
    correlation = np.asarray(stated)[0, 1] / (deviations[0] * deviations[1])
    drawn_correlation = drawn[0, 1] / math.sqrt(drawn[0, 0] * drawn[1, 1])
    assert drawn_correlation == pytest.approx(correlation, abs=0.1)


def test_a_calibration_knows_its_bracket_and_temperature() -> None:
    electrode = Line(slope_pct=99.0, zero_mv=2.0)
    found = calibrate([measured(electrode, PHTHALATE, 24.0), measured(electrode, BORAX, 26.0)])
    assert found.bracket_ph == (PHTHALATE.ph(24.0), BORAX.ph(26.0))
    assert found.temperature_c == 25.0
    known = found.known_line(age_d=3.0)
    assert (known.line, known.age_d, known.temperature_c) == (found.line, 3.0, 25.0)
    assert -1.0 < found.slope_zero_correlation < 1.0
    assert found.isopotential_standard_uncertainty_ph == pytest.approx(0.5 / math.sqrt(3.0))


def _points(*pairs: tuple[Buffer, float]) -> list[CalibrationPoint]:
    return [measured(Line(slope_pct=99.0, zero_mv=2.0), bottle, t) for bottle, t in pairs]


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: calibrate([]), "points: 0 points is outside 1 to 5"),
        (lambda: calibrate(_points((PHOSPHATE, 25.0)) * 6), "points: 6 points is outside 1 to 5"),
        (
            lambda: calibrate(_points((PHOSPHATE, 25.0), (PHOSPHATE, 30.0))),
            "points: the buffers span 0.012 pH, below 0.5",
        ),
        (
            lambda: calibrate(_points((PHTHALATE, 25.0), (PHOSPHATE, 45.0)), fit_isopotential=True),
            "fit_isopotential: 2 points over 20.0 °C do not fix an isopotential point",
        ),
        (
            lambda: calibrate(
                _points((PHTHALATE, 25.0), (PHOSPHATE, 25.0), (BORAX, 30.0)), fit_isopotential=True
            ),
            "fit_isopotential: 3 points over 5.0 °C do not fix an isopotential point",
        ),
        (
            lambda: calibrate(
                _points((PHTHALATE, 20.0), (PHTHALATE, 20.0), (PHOSPHATE, 45.0)), fit_isopotential=True
            ),
            "design: the columns depend on each other",
        ),
        (
            lambda: calibrate(
                [CalibrationPoint(buffer=b, mv=3.0, temperature_c=25.0) for b in (PHTHALATE, BORAX)]
            ),
            "points: the potentials give a slope of 0.00 %: they do not depend on the buffer",
        ),
        (
            lambda: CalibrationPoint(buffer=BORAX, mv=0.0, temperature_c=60.0),
            "temperature_c of buffer borax (iupac-2002): 60 °C is outside 0 to 50 °C",
        ),
        (
            lambda: CalibrationPoint(buffer=BORAX, mv=0.0, temperature_c=25.0, mv_standard_uncertainty=0.0),
            "mv_standard_uncertainty: 0 mV is outside 0.0001 to 50 mV",
        ),
        (lambda: calibrate(_points((BORAX, 25.0)), slope_pct=1.0), "slope_pct: 1 % is outside 10 to 200 %"),
        (
            lambda: calibrate(_points((BORAX, 25.0)), slope_standard_uncertainty_pct=-1.0),
            "slope_standard_uncertainty_pct: -1 % is outside 0 to 100 %",
        ),
    ],
)
def test_wrong_use_names_argument_value_unit_and_range(call: Callable[[], object], message: str) -> None:
    assert_refused(call, message)
