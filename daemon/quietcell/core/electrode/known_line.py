"""A line together with how well it is known, source by source.

Errors of slope, zero and isopotential point are tied to each other: a bottle that is wrong moves
slope and zero at once. So each source of error carries a 3 x 3 covariance of
(slope_pct, zero_mv, isopotential_ph), and a budget turns each into one component.
"""

import math
from dataclasses import dataclass

import numpy as np

from quietcell.core.electrode.domain import TEMPERATURE_RANGE_C, Quantity, number
from quietcell.core.electrode.nernst import Line
from quietcell.errors import DomainError

ASSUMED_SLOPE_STANDARD_UNCERTAINTY_PCT = 1.0
"""Slope of a line that comes without its uncertainty, % of theory; common practice, no source."""
ASSUMED_ZERO_STANDARD_UNCERTAINTY_MV = 1.5
"""Zero of a line that comes without its uncertainty, mV; common practice, no source."""
ASSUMED_ISOPOTENTIAL_STANDARD_UNCERTAINTY_PH = 0.5 / math.sqrt(3.0)
"""An isopotential point nobody has measured, within 0.5 pH of its nominal value as a rectangle."""

Covariance = tuple[tuple[float, float, float], ...]
"""Three rows of three: slope in % of theory, zero in mV, isopotential point in pH."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LineError:
    """One source of error in a line.

    Parameters
    ----------
    source : str
        What it comes from, such as ``buffers``.
    covariance : tuple of three rows
        Of slope (% of theory), zero (mV) and isopotential point (pH), in that order.
    assumed : bool
        True for an allowance nobody measured or stated.
    """

    source: str
    covariance: Covariance
    assumed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownLine:
    """A line, its sources of error, and when and where it was found.

    Parameters
    ----------
    line : Line
        Best estimate.
    errors : tuple of LineError
        Independent sources of error.
    age_d : float, optional
        Days between calibration and measurement; None when not known.
    temperature_c : float, optional
        Mean temperature of the calibration; None when not known.

    Examples
    --------
    A fixed line of which only slope and zero are configured:

    >>> known = KnownLine.from_figures(Line(slope_pct=98.4, zero_mv=3.1))
    >>> [(error.source, error.assumed) for error in known.errors]
    [('slope', True), ('zero', True), ('isopotential', True)]
    """

    line: Line
    errors: tuple[LineError, ...]
    age_d: float | None = None
    temperature_c: float | None = None

    def __post_init__(self) -> None:
        """Refuse an age or temperature that cannot be."""
        if self.age_d is not None:
            number("age_d", self.age_d, "d", (0.0, math.inf))
        if self.temperature_c is not None:
            number("temperature_c", self.temperature_c, "°C", TEMPERATURE_RANGE_C)

    @classmethod
    def from_figures(
        cls,
        line: Line,
        *,
        slope_standard_uncertainty_pct: float | None = None,
        zero_standard_uncertainty_mv: float | None = None,
        slope_zero_correlation: float = 0.0,
        isopotential_standard_uncertainty_ph: float | None = None,
        age_d: float | None = None,
        temperature_c: float | None = None,
    ) -> "KnownLine":
        """Describe a line by stated figures; what is not stated gets a named, assumed allowance.

        Parameters
        ----------
        line : Line
            Slope, zero and isopotential point as configured.
        slope_standard_uncertainty_pct, zero_standard_uncertainty_mv : float, optional
            Standard uncertainties; None assumes 1 % and 1.5 mV.
        slope_zero_correlation : float
            Between the errors of slope and zero, -1 to 1; used only when both are stated.
        isopotential_standard_uncertainty_ph : float, optional
            None assumes a rectangle of +-0.5 pH.
        age_d, temperature_c : float, optional
            Age and mean temperature of the calibration.

        Raises
        ------
        DomainError
            A figure negative, not finite or out of range.

        Examples
        --------
        >>> stated = KnownLine.from_figures(
        ...     Line(slope_pct=98.4, zero_mv=3.1),
        ...     slope_standard_uncertainty_pct=0.4,
        ...     zero_standard_uncertainty_mv=0.6,
        ...     isopotential_standard_uncertainty_ph=0.1,
        ... )
        >>> [error.source for error in stated.errors]
        ['slope-and-zero', 'isopotential']
        """
        slope, zero = slope_standard_uncertainty_pct, zero_standard_uncertainty_mv
        correlation = number("slope_zero_correlation", slope_zero_correlation, "", (-1.0, 1.0))
        stated_slope = number(
            "slope_standard_uncertainty_pct",
            ASSUMED_SLOPE_STANDARD_UNCERTAINTY_PCT if slope is None else slope,
            "%",
            (0.0, 100.0),
        )
        stated_zero = number(
            "zero_standard_uncertainty_mv",
            ASSUMED_ZERO_STANDARD_UNCERTAINTY_MV if zero is None else zero,
            "mV",
            (0.0, 500.0),
        )
        errors: tuple[LineError, ...]
        if slope is not None and zero is not None:
            cross = correlation * stated_slope * stated_zero
            both = ((stated_slope**2, cross, 0.0), (cross, stated_zero**2, 0.0), (0.0, 0.0, 0.0))
            errors = (LineError(source="slope-and-zero", covariance=both),)
        else:
            if correlation != 0.0:
                raise DomainError(
                    f"{correlation:g} has no meaning while slope or zero uncertainty is not stated",
                    subject="slope_zero_correlation",
                    hint="State both standard uncertainties or leave the correlation at 0",
                )
            errors = (
                LineError(source="slope", covariance=outer((stated_slope, 0.0, 0.0)), assumed=slope is None),
                LineError(source="zero", covariance=outer((0.0, stated_zero, 0.0)), assumed=zero is None),
            )
        isopotential = isopotential_standard_uncertainty_ph
        stated_isopotential = number(
            "isopotential_standard_uncertainty_ph",
            ASSUMED_ISOPOTENTIAL_STANDARD_UNCERTAINTY_PH if isopotential is None else isopotential,
            "",
            (0.0, 7.0),
        )
        last = LineError(
            source="isopotential",
            covariance=outer((0.0, 0.0, stated_isopotential)),
            assumed=isopotential is None,
        )
        return cls(line=line, errors=(*errors, last), age_d=age_d, temperature_c=temperature_c)


def outer(errors: tuple[float, float, float]) -> Covariance:
    """Return the covariance of errors in slope, zero and isopotential point that move as one.

    Examples
    --------
    >>> outer((0.0, 1.5, 0.0))[1]
    (0.0, 2.25, 0.0)
    """
    return rows(np.outer(errors, errors))


def rows(matrix: Quantity) -> Covariance:
    """Return a 3 x 3 array as the immutable rows a record can hold.

    Examples
    --------
    >>> rows(np.eye(3))[0]
    (1.0, 0.0, 0.0)
    """
    first, second, third = matrix.tolist()
    return (tuple(first), tuple(second), tuple(third))
