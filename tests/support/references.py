"""Reference libraries that take seconds to load: whoever calls loads them, of several processes only one."""

from typing import Any

from numpy.typing import NDArray


def generalised_least_squares(y: NDArray[Any], design: NDArray[Any], covariance: NDArray[Any]) -> Any:
    """Return statsmodels' fit with a known covariance, shape (n, n), of the `y`, shape (n,)."""
    from statsmodels.regression.linear_model import GLS  # noqa: PLC0415 # see above

    return GLS(y, design, sigma=covariance).fit(cov_type="fixed_scale")
