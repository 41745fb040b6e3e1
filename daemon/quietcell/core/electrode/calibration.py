"""Slope, zero and, where temperatures allow, the isopotential point from one to five buffers.

The line of `nernst` is linear in zero z, slope s and c = s (pH_iso - 7):

    E = z - s k(T) (pH - 7) + c (k(T) - k(25 °C)),

so buffers at differing temperatures go into one generalised least-squares fit. Each potential
carries an error of its own, one from its temperature (through k(T) and through the buffer's own
temperature dependence), and one from the bottle. Points from the same bottle share that last error:
measuring a bottle twice does not make it better known.

One point gives the zero; the slope is then held at a stated value with its uncertainty. Two or more
at differing pH give slope and zero. Three or more, with temperatures apart, can give the isopotential
point. What is held still carries its uncertainty into the result, tied to what was fitted: an
isopotential point that is wrong does no harm at the temperature of calibration.

Where points scatter more than was stated (chi^2 > degrees of freedom) the difference is added as
lack of fit (Birge ratio). Temperature errors of different points are taken as independent.

Sources: GUM (JCGM 100:2008), H.3 for a calibration line with covariance; USP <791> and Ph. Eur.
2.2.3 for the limits beside this module, in `calibration_limits`.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from quietcell.core.electrode.buffers import Buffer
from quietcell.core.electrode.domain import (
    POTENTIAL_RANGE_MV,
    TEMPERATURE_RANGE_C,
    Quantity,
    number,
)
from quietcell.core.electrode.known_line import (
    ASSUMED_ISOPOTENTIAL_STANDARD_UNCERTAINTY_PH,
    ASSUMED_SLOPE_STANDARD_UNCERTAINTY_PCT,
    Covariance,
    KnownLine,
    LineError,
    rows,
)
from quietcell.core.electrode.least_squares import LinearFit, fit_linear
from quietcell.core.electrode.nernst import (
    ISOPOTENTIAL_SPAN_PH,
    MV_PER_KELVIN,
    REFERENCE_TEMPERATURE_C,
    ZERO_PH,
    Line,
    nernst_factor_mv,
)
from quietcell.errors import DomainError

MOST_POINTS = 5
FITTED_PARAMETERS = ("zero", "slope", "isopotential")
"""In the order in which points come to fix them."""
SMALLEST_PH_SPAN = 0.5
"""Two buffers closer than this do not fix a slope, pH."""
SMALLEST_TEMPERATURE_SPAN_C = 15.0
"""Temperatures closer than this do not fix an isopotential point, °C; common practice, no source."""
SMALLEST_MV_STANDARD_UNCERTAINTY = 1e-4
"""Below any meter, mV; keeps the weights finite."""
SMALLEST_SLOPE = 0.01
"""Below this fraction of theory the potentials do not depend on the buffer at all."""
_WEIGHT_ROUNDS = 4
"""The weights contain the slope; from theory four rounds settle them to the last digits."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationPoint:
    """One buffer, measured at rest.

    Parameters
    ----------
    buffer : Buffer
        The bottle; points from the same bottle share its error.
    mv : float
        Potential at rest, mV.
    temperature_c : float
        Temperature of the buffer, inside its table.
    mv_standard_uncertainty : float
        Of the potential: repeatability, resolution and remaining drift together, mV, above 0.
    temperature_standard_uncertainty_c : float
        Of the temperature, °C.

    Raises
    ------
    DomainError
        A number out of range, or a temperature the buffer's table does not reach.
    """

    buffer: Buffer
    mv: float
    temperature_c: float
    mv_standard_uncertainty: float = 0.3
    temperature_standard_uncertainty_c: float = 0.2

    def __post_init__(self) -> None:
        """Refuse what cannot be a measurement in this buffer."""
        number("mv", self.mv, "mV", POTENTIAL_RANGE_MV)
        number("temperature_c", self.temperature_c, "°C", TEMPERATURE_RANGE_C)
        number(
            "mv_standard_uncertainty",
            self.mv_standard_uncertainty,
            "mV",
            (SMALLEST_MV_STANDARD_UNCERTAINTY, 50.0),
        )
        number(
            "temperature_standard_uncertainty_c", self.temperature_standard_uncertainty_c, "°C", (0.0, 10.0)
        )
        self.buffer.ph(self.temperature_c)

    @property
    def ph(self) -> float:
        """PH of the buffer at the temperature measured."""
        return self.buffer.ph(self.temperature_c)


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """What one to five points say about an electrode.

    Parameters
    ----------
    points : tuple of CalibrationPoint
        As measured.
    slope_pct, zero_mv, isopotential_ph : float
        Best estimates, also where no electrode would give them.
    fitted : tuple of str
        Which of the three were fitted; the others were held at what was stated.
    errors : tuple of LineError
        Covariance of the three, by source.
    residuals_mv : tuple of float
        Measured minus fitted potential of each point.
    residuals_ph : tuple of float
        pH by the fitted line minus pH of the buffer.
    chi_squared : float
        Squared residuals in units of their stated covariance.
    degrees_of_freedom : int
        Points minus fitted parameters; 0 leaves nothing to check the fit with.
    """

    points: tuple[CalibrationPoint, ...]
    slope_pct: float
    zero_mv: float
    isopotential_ph: float
    fitted: tuple[str, ...]
    errors: tuple[LineError, ...]
    residuals_mv: tuple[float, ...]
    residuals_ph: tuple[float, ...]
    chi_squared: float
    degrees_of_freedom: int

    @property
    def line(self) -> Line:
        """The line to measure with; a DomainError when no electrode has such figures."""
        return Line(slope_pct=self.slope_pct, zero_mv=self.zero_mv, isopotential_ph=self.isopotential_ph)

    @property
    def covariance(self) -> Covariance:
        """Of slope (% of theory), zero (mV) and isopotential point (pH), all sources together."""
        return rows(np.sum([error.covariance for error in self.errors], axis=0))

    @property
    def slope_standard_uncertainty_pct(self) -> float:
        """Standard uncertainty of the slope, % of theory."""
        return math.sqrt(self.covariance[0][0])

    @property
    def zero_standard_uncertainty_mv(self) -> float:
        """Standard uncertainty of the zero, mV."""
        return math.sqrt(self.covariance[1][1])

    @property
    def isopotential_standard_uncertainty_ph(self) -> float:
        """Standard uncertainty of the isopotential point, pH."""
        return math.sqrt(self.covariance[2][2])

    @property
    def slope_zero_correlation(self) -> float:
        """Correlation between the errors of slope and zero; 0 where one of them has none."""
        spread = self.slope_standard_uncertainty_pct * self.zero_standard_uncertainty_mv
        return self.covariance[0][1] / spread if spread else 0.0

    @property
    def bracket_ph(self) -> tuple[float, float]:
        """Lowest and highest buffer, at the temperatures measured."""
        values = [point.ph for point in self.points]
        return min(values), max(values)

    @property
    def temperature_c(self) -> float:
        """Mean temperature of the points, °C."""
        return math.fsum(point.temperature_c for point in self.points) / len(self.points)

    def known_line(self, *, age_d: float | None = None) -> KnownLine:
        """Return the line with its sources of error, for a measurement `age_d` days later."""
        return KnownLine(line=self.line, errors=self.errors, age_d=age_d, temperature_c=self.temperature_c)


def calibrate(
    points: Sequence[CalibrationPoint],
    *,
    fit_isopotential: bool = False,
    isopotential_ph: float = 7.0,
    isopotential_standard_uncertainty_ph: float = ASSUMED_ISOPOTENTIAL_STANDARD_UNCERTAINTY_PH,
    slope_pct: float = 100.0,
    slope_standard_uncertainty_pct: float = ASSUMED_SLOPE_STANDARD_UNCERTAINTY_PCT,
) -> Calibration:
    """Fit the line of an electrode to buffers.

    Parameters
    ----------
    points : sequence of CalibrationPoint
        One to five.
    fit_isopotential : bool
        Fit the isopotential point too: needs three points or more that are not all on one line of
        pH against temperature, with temperatures at least 15 °C apart.
    isopotential_ph, isopotential_standard_uncertainty_ph : float
        Held at this, with this standard uncertainty, when it is not fitted.
    slope_pct, slope_standard_uncertainty_pct : float
        Held at this with a single point; with more points it is fitted and these do not count.

    Returns
    -------
    Calibration
        Estimates with covariance by source and residuals. Whether it is good enough is judged
        apart, in `calibration_limits.refusals`.

    Raises
    ------
    DomainError
        No or too many points, or points that cannot fix what is asked for.

    Examples
    --------
    >>> from quietcell.core.electrode.buffers import buffer
    >>> points = [
    ...     CalibrationPoint(buffer=buffer("iupac-2002", name), mv=mv, temperature_c=25.0)
    ...     for name, mv in (("phthalate", 177.9), ("phosphate", 10.9), ("borax", -124.4))
    ... ]
    >>> found = calibrate(points)
    >>> round(found.slope_pct, 1), round(found.zero_mv, 1), found.degrees_of_freedom
    (98.7, 3.0, 1)
    """
    chosen = tuple(points)
    fitted = _fitted(chosen, fit_isopotential=fit_isopotential)
    held = _Held(
        slope=Line(slope_pct=slope_pct, zero_mv=0.0).slope_pct / 100.0,
        slope_u=number("slope_standard_uncertainty_pct", slope_standard_uncertainty_pct, "%", (0.0, 100.0))
        / 100.0,
        isopotential_ph=number("isopotential_ph", isopotential_ph, "", ISOPOTENTIAL_SPAN_PH),
        isopotential_u=number(
            "isopotential_standard_uncertainty_ph", isopotential_standard_uncertainty_ph, "", (0.0, 7.0)
        ),
    )
    rig = _Rig(chosen, fitted, held)
    variances = rig.variances(held.slope, held.isopotential_ph)
    fit = rig.fit(variances)
    for _ in range(_WEIGHT_ROUNDS):
        slope, _, isopotential = rig.figures(fit)
        variances = rig.variances(slope, isopotential)
        fit = rig.fit(variances)
    slope, zero_mv, isopotential = rig.figures(fit)
    return Calibration(
        points=chosen,
        slope_pct=100.0 * slope,
        zero_mv=zero_mv,
        isopotential_ph=isopotential,
        fitted=fitted,
        errors=rig.errors(fit, variances),
        residuals_mv=tuple(fit.residuals.tolist()),
        residuals_ph=tuple((-fit.residuals / (slope * rig.factor_mv)).tolist()),
        chi_squared=fit.chi_squared,
        degrees_of_freedom=fit.degrees_of_freedom,
    )


def _fitted(points: tuple[CalibrationPoint, ...], *, fit_isopotential: bool) -> tuple[str, ...]:
    """Say which parameters the points fix; a DomainError where they cannot."""
    if not 1 <= len(points) <= MOST_POINTS:
        raise DomainError(f"{len(points)} points is outside 1 to {MOST_POINTS}", subject="points")
    values = [point.ph for point in points]
    ph_span = max(values) - min(values)
    if len(points) > 1 and ph_span < SMALLEST_PH_SPAN:
        raise DomainError(
            f"the buffers span {ph_span:.3f} pH, below {SMALLEST_PH_SPAN:g}",
            subject="points",
            hint="Use buffers further apart, or a single point to find the zero only",
        )
    if not fit_isopotential:
        return FITTED_PARAMETERS[: min(len(points), 2)]
    temperatures = [point.temperature_c for point in points]
    temperature_span_c = max(temperatures) - min(temperatures)
    if len(points) < 3 or temperature_span_c < SMALLEST_TEMPERATURE_SPAN_C:
        raise DomainError(
            f"{len(points)} points over {temperature_span_c:.1f} °C do not fix an isopotential point",
            subject="fit_isopotential",
            hint=f"Measure three points or more, temperatures {SMALLEST_TEMPERATURE_SPAN_C:g} °C apart",
        )
    return FITTED_PARAMETERS


@dataclass(frozen=True, slots=True, kw_only=True)
class _Held:
    """What is held where it is not fitted; slope as a fraction."""

    slope: float
    slope_u: float
    isopotential_ph: float
    isopotential_u: float


class _Rig:
    """The linear problem the points pose."""

    def __init__(self, points: tuple[CalibrationPoint, ...], fitted: tuple[str, ...], held: _Held) -> None:
        def column(values: Iterable[float]) -> Quantity:
            return np.fromiter(values, np.float64, len(points))

        self.fitted = fitted
        self.held = held
        self.mv = column(p.mv for p in points)
        self.from_zero_ph = column(p.ph - ZERO_PH for p in points)
        self.ph_per_c = column(p.buffer.ph_per_c(p.temperature_c) for p in points)
        self.factor_mv = nernst_factor_mv(column(p.temperature_c for p in points))
        self.from_25_mv = self.factor_mv - nernst_factor_mv(REFERENCE_TEMPERATURE_C)
        self.mv_u = column(p.mv_standard_uncertainty for p in points)
        self.temperature_u = column(p.temperature_standard_uncertainty_c for p in points)
        self.buffer_u = column(p.buffer.standard_uncertainty_at(p.temperature_c) for p in points)
        self.same_bottle = np.array([[a.buffer == b.buffer for b in points] for a in points])

    def variances(self, slope: float, isopotential_ph: float) -> dict[str, Quantity]:
        """Return the covariance of the potentials by source, mV²."""
        bottle_mv = slope * self.factor_mv * self.buffer_u
        mv_per_c = -slope * (
            MV_PER_KELVIN * (self.from_zero_ph + ZERO_PH - isopotential_ph) + self.factor_mv * self.ph_per_c
        )
        return {
            "buffers": np.outer(bottle_mv, bottle_mv) * self.same_bottle,
            "calibration-mv": np.diag(self.mv_u**2),
            "calibration-temperature": np.diag((mv_per_c * self.temperature_u) ** 2),
        }

    def fit(self, variances: dict[str, Quantity]) -> LinearFit:
        """Fit what is to be fitted: zero, slope and s (pH_iso - 7), in this order."""
        columns = [np.ones_like(self.mv)]
        observed = self.mv
        if "slope" not in self.fitted:
            observed = observed - self.held.slope * self._per_slope(self.held.isopotential_ph)
        elif "isopotential" not in self.fitted:
            columns.append(self._per_slope(self.held.isopotential_ph))
        else:
            columns += [self._per_slope(ZERO_PH), self.from_25_mv]
        return fit_linear(np.stack(columns, axis=1), observed, np.sum(list(variances.values()), axis=0))

    def figures(self, fit: LinearFit) -> tuple[float, float, float]:
        """Return slope as a fraction, zero in mV and isopotential point in pH."""
        zero_mv, *others = fit.coefficients.tolist()
        slope = others[0] if others else self.held.slope
        if abs(slope) < SMALLEST_SLOPE:
            raise DomainError(
                f"the potentials give a slope of {100.0 * slope:.2f} %: they do not depend on the buffer",
                subject="points",
                hint="Check that the electrode is connected, wetted and was moved between the buffers",
            )
        isopotential = ZERO_PH + others[1] / slope if len(others) > 1 else self.held.isopotential_ph
        return slope, zero_mv, isopotential

    def errors(self, fit: LinearFit, variances: dict[str, Quantity]) -> tuple[LineError, ...]:
        """Return the covariance of slope (%), zero (mV) and isopotential point (pH) by source."""
        gain = self._gain(fit)
        parts = {source: gain @ variance @ gain.T for source, variance in variances.items()}
        if fit.scatter_factor > 1.0:
            parts["lack-of-fit"] = (fit.scatter_factor**2 - 1.0) * np.sum(list(parts.values()), axis=0)
        slope, _, isopotential = self.figures(fit)
        # What is held moves what is fitted: d(fitted) = -gain d(model)/d(held).
        if "slope" not in self.fitted:
            moved = -gain @ self._per_slope(isopotential) + np.array([100.0, 0.0, 0.0])
            parts["slope"] = np.outer(moved, moved) * self.held.slope_u**2
        if "isopotential" not in self.fitted:
            moved = -gain @ (slope * self.from_25_mv) + np.array([0.0, 0.0, 1.0])
            parts["isopotential"] = np.outer(moved, moved) * self.held.isopotential_u**2
        return tuple(LineError(source=source, covariance=rows(part)) for source, part in parts.items())

    def _per_slope(self, isopotential_ph: float) -> Quantity:
        """Return dE/ds with the isopotential point held."""
        return -self.factor_mv * self.from_zero_ph + (isopotential_ph - ZERO_PH) * self.from_25_mv

    def _gain(self, fit: LinearFit) -> Quantity:
        """Return the map from potentials to slope (%), zero (mV) and isopotential point (pH)."""
        gain = np.zeros((3, self.mv.size))
        gain[1] = fit.gain[0]
        if "slope" in self.fitted:
            gain[0] = 100.0 * fit.gain[1]
        if "isopotential" in self.fitted:
            slope, _, isopotential = self.figures(fit)
            gain[2] = (fit.gain[2] - (isopotential - ZERO_PH) * fit.gain[1]) / slope
        return gain
