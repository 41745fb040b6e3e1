"""The least-squares fit against certified results."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from quietcell.core.electrode.least_squares import LinearFit, fit_linear
from quietcell.errors import DomainError
from tests.support.references import generalised_least_squares
from tests.support.tables import columns

Array = NDArray[np.float64]


def _unit_fit(design: Array, y: Array) -> LinearFit:
    return fit_linear(design, y, np.ones_like(y))


def _standard_deviations(fit: LinearFit) -> list[float]:
    deviations: list[float] = (fit.scatter_factor * np.sqrt(np.diagonal(fit.covariance))).tolist()
    return deviations


def test_norris_is_certified_to_1e_10() -> None:
    # NIST StRD, Norris.
    x, y = columns("electrode/norris", "x", "y")
    fit = _unit_fit(np.stack([np.ones_like(x), x], axis=1), y)
    assert len(x) == 36
    assert fit.coefficients.tolist() == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-10)
    assert _standard_deviations(fit) == pytest.approx([0.232818234301152, 0.429796848199937e-03], rel=1e-10)
    assert fit.scatter_factor == pytest.approx(0.884796396144373, rel=1e-10)
    r_squared = 1.0 - fit.chi_squared / float(np.sum((y - np.mean(y)) ** 2))
    assert r_squared == pytest.approx(0.999993745883712, rel=1e-10)
    assert fit.degrees_of_freedom == 34


def test_noint1_is_certified_to_1e_10() -> None:
    # NIST StRD, NoInt1: x = 60..70, y = x + 70, no intercept.
    x = np.arange(60.0, 71.0)
    fit = _unit_fit(x[:, np.newaxis], x + 70.0)
    assert fit.coefficients.tolist() == pytest.approx([2.07438016528926], rel=1e-10)
    assert _standard_deviations(fit) == pytest.approx([0.0165289256198347], rel=1e-10)
    assert fit.scatter_factor == pytest.approx(3.56753034006338, rel=1e-10)
    assert fit.degrees_of_freedom == 10


def test_pontius_is_certified_to_1e_8() -> None:
    # NIST StRD, Pontius, quadratic.
    x, y = columns("electrode/pontius", "x", "y")
    fit = _unit_fit(np.stack([np.ones_like(x), x, x * x], axis=1), y)
    assert len(x) == 40
    certified = [0.673565789473684e-03, 0.732059160401003e-06, -0.316081871345029e-14]
    assert fit.coefficients.tolist() == pytest.approx(certified, rel=1e-8)
    deviations = [0.107938612033077e-03, 0.157817399981659e-09, 0.486652849992036e-16]
    assert _standard_deviations(fit) == pytest.approx(deviations, rel=1e-8)
    assert fit.scatter_factor == pytest.approx(0.205177424076185e-03, rel=1e-8)


def test_a_billion_added_to_the_axis_costs_the_slope_nothing() -> None:
    x, y = columns("electrode/norris", "x", "y")
    fit = _unit_fit(np.stack([np.ones_like(x), x + 1e9], axis=1), y)
    assert fit.coefficients[1] == pytest.approx(1.00211681802045, rel=1e-6)
    assert _standard_deviations(fit)[1] == pytest.approx(0.429796848199937e-03, rel=1e-6)


@given(seed=st.integers(0, 2**32 - 1), n=st.integers(3, 8))
@settings(deadline=None)  # the first example loads the library
def test_correlated_observations_agree_with_a_reference_library(seed: int, n: int) -> None:
    # statsmodels GLS.
    rng = np.random.default_rng(seed)
    design = np.stack([np.ones(n), rng.permutation(n) + rng.uniform(0.0, 0.5, n)], axis=1)
    y = rng.normal(0.0, 1.0, n)
    root = rng.normal(0.0, 1.0, (n, n))
    covariance = root @ root.T + np.eye(n)
    reference = generalised_least_squares(y, design, covariance)
    fit = fit_linear(design, y, covariance)
    assert np.allclose(fit.coefficients, reference.params, rtol=1e-8, atol=1e-9)
    assert np.allclose(fit.covariance, reference.normalized_cov_params, rtol=1e-8, atol=1e-10)
    assert np.allclose(fit.gain @ covariance @ fit.gain.T, fit.covariance, rtol=1e-8, atol=1e-10)
    assert np.allclose(fit.gain @ y, fit.coefficients, rtol=1e-8, atol=1e-9)


def test_without_degrees_of_freedom_there_is_no_scatter_to_compare() -> None:
    fit = fit_linear([[1.0, 0.0], [1.0, 1.0]], [1.0, 2.0], [0.1, 0.1])
    assert fit.degrees_of_freedom == 0
    assert np.isnan(fit.scatter_factor)


@pytest.mark.parametrize(
    ("design", "observed", "covariance", "message"),
    [
        ([[1.0]], [np.nan], [1.0], "observed: nan at index 0 is outside the finite numbers"),
        ([[1.0, 1.0]], [1.0], [1.0], "observed: 1 observations cannot fix 2 coefficients"),
        ([[1.0], [1.0]], [1.0], [1.0], "design, observed, covariance: shapes (2, 1), (1,), (1,)"),
        ([[1.0]], [1.0], [0.0], "covariance: a standard uncertainty is not above 0"),
        ([[1.0], [1.0]], [1.0, 1.0], [[1.0, 2.0], [2.0, 1.0]], "covariance: the matrix is not positive"),
        ([[1.0, 2.0], [1.0, 2.0]], [1.0, 1.0], [1.0, 1.0], "design: the columns depend on each other"),
        ([[0.0], [0.0]], [1.0, 1.0], [1.0, 1.0], "design: a column of zeros fixes no coefficient"),
    ],
)
def test_wrong_use_says_what_is_wrong(
    design: object, observed: list[float], covariance: object, message: str
) -> None:
    with pytest.raises(DomainError) as caught:
        fit_linear(design, observed, covariance)  # type: ignore[arg-type]  # lists of several shapes
    assert str(caught.value).startswith(message)
