"""Generalised least squares for a handful of points, with the matrix that carries errors along.

Observations y = X b + e with covariance V of e. With L L^T = V the problem whitened by L^-1 is an
ordinary one; its columns are scaled to unit length and solved by QR, so neither the unit of a
column nor a large constant on an axis costs digits. The gain M (b = M y) is kept: an error source
with covariance S contributes M S M^T to the covariance of b, which is how a budget keeps buffers,
millivolts and temperatures apart.

Source of the method: Bjorck, Numerical Methods for Least Squares Problems (1996), chapters 2 and 4.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from quietcell.core.electrode.domain import Quantity, within
from quietcell.errors import DomainError

SMALLEST_PIVOT = 1e-10
"""Scaled columns closer to dependence than this do not determine their coefficients."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LinearFit:
    """Result of a generalised least-squares fit of p coefficients to n observations.

    Parameters
    ----------
    coefficients : array (p,)
        Best estimates.
    gain : array (p, n)
        The linear map from observations to coefficients.
    covariance : array (p, p)
        From the stated covariance of the observations alone.
    residuals : array (n,)
        Observed minus fitted, in the unit of the observations.
    chi_squared : float
        Residuals squared in units of the stated covariance.
    degrees_of_freedom : int
        n - p.
    """

    coefficients: Quantity
    gain: Quantity
    covariance: Quantity
    residuals: Quantity
    chi_squared: float
    degrees_of_freedom: int

    @property
    def scatter_factor(self) -> float:
        """Birge ratio sqrt(chi^2 / dof): scatter seen over scatter stated; NaN with dof = 0."""
        if self.degrees_of_freedom == 0:
            return float("nan")
        return float(np.sqrt(self.chi_squared / self.degrees_of_freedom))


def fit_linear(design: ArrayLike, observed: ArrayLike, covariance: ArrayLike) -> LinearFit:
    """Fit y = X b by generalised least squares.

    Parameters
    ----------
    design : array (n, p)
        One column per coefficient, n >= p.
    observed : array (n,)
        Observations.
    covariance : array (n,) or (n, n)
        Standard uncertainties, or the full covariance of the observations; positive definite.

    Returns
    -------
    LinearFit
        Coefficients with gain, covariance and residuals.

    Raises
    ------
    DomainError
        Not finite, shapes that do not fit, fewer observations than coefficients, a covariance that
        is not positive definite, or columns that depend on each other.

    Examples
    --------
    A line through three points, each known to 0.1:

    >>> fit = fit_linear([[1, 0], [1, 1], [1, 2]], [1.0, 3.1, 4.9], [0.1, 0.1, 0.1])
    >>> fit.coefficients.round(3).tolist(), fit.degrees_of_freedom
    ([1.05, 1.95], 1)
    """
    x = within("design", design, "")
    y = within("observed", observed, "")
    v = within("covariance", covariance, "")
    if x.ndim != 2 or y.shape != x.shape[:1] or v.shape not in {y.shape, y.shape * 2}:
        raise DomainError(
            f"shapes {x.shape}, {y.shape}, {v.shape} are not (n, p), (n,) and (n,) or (n, n)",
            subject="design, observed, covariance",
        )
    n, p = x.shape
    if n < p:
        raise DomainError(f"{n} observations cannot fix {p} coefficients", subject="observed")
    if v.ndim == 1:
        if np.any(v <= 0.0):
            raise DomainError("a standard uncertainty is not above 0", subject="covariance")
        whiten = np.diag(1.0 / v)
    else:
        whiten = _inverse_root(v)
    white = whiten @ x
    scale = np.sqrt(np.sum(white * white, axis=0))
    if np.any(scale == 0.0):
        raise DomainError("a column of zeros fixes no coefficient", subject="design")
    q, r = np.linalg.qr(white / scale)
    if np.min(np.abs(np.diagonal(r))) < SMALLEST_PIVOT:
        raise DomainError("the columns depend on each other", subject="design")
    inverse = np.linalg.solve(r, np.eye(p)) / scale[:, np.newaxis]
    gain = inverse @ q.T @ whiten
    coefficients = gain @ y
    # One step of refinement on the residuals restores the digits a long axis costs.
    coefficients = coefficients + gain @ (y - x @ coefficients)
    residuals = y - x @ coefficients
    white_residuals = whiten @ residuals
    return LinearFit(
        coefficients=coefficients,
        gain=gain,
        covariance=inverse @ inverse.T,
        residuals=residuals,
        chi_squared=float(white_residuals @ white_residuals),
        degrees_of_freedom=n - p,
    )


def _inverse_root(covariance: Quantity) -> Quantity:
    try:
        root = np.linalg.cholesky(covariance)
    except np.linalg.LinAlgError as error:
        raise DomainError("the matrix is not positive definite", subject="covariance") from error
    return np.asarray(np.linalg.solve(root, np.eye(len(root))))
