"""The budget of one pH measurement in water: every influence, its sensitivity and its allowance.

With k = k(T), s the slope and d = zero - E, the sensitivities of

    pH = pH_iso + (E_iso - E) / (s k)

are, for the errors of line, potential and temperature,

    d pH / d E = -1 / (s k)              d pH / d zero = 1 / (s k)
    d pH / d s = -d / (s^2 k)            d pH / d pH_iso = 1 - k(25 °C) / k
    d pH / d T = -(pH - pH_iso) / T,

so an isopotential point taken 0.5 pH too low makes the reading 0.024 too low at 40 °C and 0.078 at
80 °C. Influences on the cell itself (junction, streaming, hysteresis) act on the potential of the
cell and turn into pH by -1 / (|s| k) whatever sign the meter gives it.

The thermometer enters as far as it turns millivolts into pH. What the sample's own pH does with
temperature belongs to the reference to 25 °C (`water.uncertainty25`).
"""

import math
from dataclasses import dataclass

import numpy as np

from quietcell.core.constants import ZERO_CELSIUS_K
from quietcell.core.electrode.domain import (
    POTENTIAL_RANGE_MV,
    TEMPERATURE_RANGE_C,
    number,
)
from quietcell.core.electrode.influences import DEFAULT_INFLUENCES, Influences, LowIonicCheck
from quietcell.core.electrode.known_line import KnownLine
from quietcell.core.electrode.nernst import REFERENCE_TEMPERATURE_C, Line, nernst_factor_mv
from quietcell.core.electrode.uncertainty import Basis, Budget, Component
from quietcell.errors import DomainError

PURE_WATER_US_CM = 0.055
"""Conductivity of pure water at 25 °C, where the streaming allowance is stated."""
SLOPE_ERROR_PER_PCT = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """One measurement at rest, with what is known of its circumstances; None is not known.

    Parameters
    ----------
    mv : float
        Mean potential of the accepted window, mV.
    temperature_c : float
        Sample temperature, °C.
    repeatability_mv : float, optional
        Standard uncertainty of that mean as determinations repeat, noise correlated in time included.
    remaining_ph : tuple of float, optional
        Bounds of what is still to come, pH (end value minus present value), low and high.
    conductivity_us_cm : float, optional
        Raw conductivity of the sample, µS/cm.
    flow_ml_min : float, optional
        Sample flow, mL/min; 0 means at rest, where nothing streams.
    kcl_adjusted : bool
        True for a sample to which potassium chloride was added.

    Raises
    ------
    DomainError
        A number not finite or out of range.
    """

    mv: float
    temperature_c: float
    repeatability_mv: float | None = None
    remaining_ph: tuple[float, float] | None = None
    conductivity_us_cm: float | None = None
    flow_ml_min: float | None = None
    kcl_adjusted: bool = False

    def __post_init__(self) -> None:
        """Refuse what cannot have been measured."""
        number("mv", self.mv, "mV", POTENTIAL_RANGE_MV)
        number("temperature_c", self.temperature_c, "°C", TEMPERATURE_RANGE_C)
        if self.repeatability_mv is not None:
            number("repeatability_mv", self.repeatability_mv, "mV", (0.0, 1000.0))
        if self.remaining_ph is not None:
            low = number("lower remaining_ph", self.remaining_ph[0], "pH", (-14.0, 14.0))
            number("upper remaining_ph", self.remaining_ph[1], "pH", (low, 14.0))
        if self.conductivity_us_cm is not None:
            number("conductivity_us_cm", self.conductivity_us_cm, "µS/cm", (0.0, 1e6))
        if self.flow_ml_min is not None:
            number("flow_ml_min", self.flow_ml_min, "mL/min", (0.0, 1e6))


def ph_budget(
    known_line: KnownLine,
    measured: Measured,
    influences: Influences = DEFAULT_INFLUENCES,
    *,
    low_ionic_check: LowIonicCheck | None = None,
) -> Budget:
    """Return pH at sample temperature with its full budget.

    Parameters
    ----------
    known_line : KnownLine
        From `Calibration.known_line`, or `KnownLine.from_figures` for a fixed line.
    measured : Measured
        The measurement.
    influences : Influences
        Allowances of the cell.
    low_ionic_check : LowIonicCheck, optional
        Used where it covers the conductivity: its bias is taken off the reading and its uncertainty
        replaces the junction allowance. Elsewhere, and in KCl-adjusted samples, the allowance stays.

    Returns
    -------
    Budget
        pH and components: those of the line by source, then ``drift``, ``thermal-hysteresis``,
        ``meter``, ``temperature``, ``junction`` or ``low-ionic-check`` (and ``low-ionic-line``, where
        the check was read by another), ``streaming``, ``remaining``, ``repeatability``.

    Raises
    ------
    DomainError
        The potential does not give a pH between -2 and 16.

    Examples
    --------
    Pure water by a line of which only slope and zero are configured:

    >>> from quietcell.core.electrode.nernst import Line
    >>> fixed = KnownLine.from_figures(Line(slope_pct=98.4, zero_mv=3.1))
    >>> budget = ph_budget(fixed, Measured(mv=3.0, temperature_c=25.0))
    >>> round(budget.ph, 3), round(budget.expanded_uncertainty_ph, 2)
    (7.002, 0.16)
    >>> budget.assumed
    ('slope', 'zero', 'isopotential', 'drift', 'thermal-hysteresis', 'junction', 'streaming')
    >>> budget.not_known
    ('remaining', 'repeatability')
    """
    line = known_line.line
    reading = line.ph(measured.mv, measured.temperature_c)
    if not -2.0 <= reading <= 16.0:
        raise DomainError(
            f"{measured.mv:g} mV at {measured.temperature_c:g} °C means pH {reading:.2f}, outside -2 to 16",
            subject="mv",
            hint="Check the calibration and the sign of its slope",
        )
    check = low_ionic_check
    if check is not None and (measured.kcl_adjusted or not check.covers(measured.conductivity_us_cm)):
        check = None
    sense = _Sensitivities.of(line, measured)
    return Budget(
        ph=reading - (0.0 if check is None else check.bias_ph),
        components=(
            *_of_line(known_line, sense),
            _drift(known_line, sense, influences),
            _hysteresis(known_line, measured, sense, influences),
            Component(
                name="meter",
                standard_uncertainty_ph=math.hypot(
                    influences.meter_half_width_mv / math.sqrt(3.0),
                    influences.resolution_mv / math.sqrt(12.0),
                )
                * sense.ph_per_mv,
            ),
            Component(
                name="temperature",
                standard_uncertainty_ph=influences.temperature_standard_uncertainty_c * abs(sense.ph_per_c),
            ),
            *_junction(measured, sense, influences, check),
            _streaming(measured, sense, influences),
            _remaining(measured),
            _repeatability(measured, sense),
        ),
    )


def line_standard_uncertainty_ph(
    known_line: KnownLine,
    ph: float,
    temperature_c: float,
    influences: Influences = DEFAULT_INFLUENCES,
) -> float:
    """Return how well a line alone, with its drift, tells a pH.

    Parameters
    ----------
    known_line : KnownLine
        With its age.
    ph, temperature_c : float
        Where it is used.
    influences : Influences
        Allowances of the cell.

    Examples
    --------
    >>> from quietcell.core.electrode.nernst import Line
    >>> fixed = KnownLine.from_figures(Line(slope_pct=98.4, zero_mv=3.1), age_d=14.0)
    >>> round(line_standard_uncertainty_ph(fixed, 6.0, 25.0), 3)
    0.039
    """
    line = known_line.line
    sense = _Sensitivities.of(line, Measured(mv=line.mv(ph, temperature_c), temperature_c=temperature_c))
    parts = (*_of_line(known_line, sense), _drift(known_line, sense, influences))
    return math.hypot(*(part.standard_uncertainty_ph for part in parts))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sensitivities:
    """How pH answers small errors; `ph_per_mv` is the size for an error of the cell potential."""

    ph_per_mv: float
    ph_per_slope_pct: float
    ph_per_zero_mv: float
    ph_per_isopotential_ph: float
    ph_per_c: float

    @classmethod
    def of(cls, line: Line, measured: Measured) -> "_Sensitivities":
        slope = line.slope_pct / 100.0
        factor_mv = nernst_factor_mv(measured.temperature_c)
        factor_25_mv = nernst_factor_mv(REFERENCE_TEMPERATURE_C)
        reading = line.ph(measured.mv, measured.temperature_c)
        return cls(
            ph_per_mv=1.0 / (abs(slope) * factor_mv),
            ph_per_slope_pct=SLOPE_ERROR_PER_PCT * (measured.mv - line.zero_mv) / (slope**2 * factor_mv),
            ph_per_zero_mv=1.0 / (slope * factor_mv),
            ph_per_isopotential_ph=1.0 - factor_25_mv / factor_mv,
            ph_per_c=-(reading - line.isopotential_ph) / (measured.temperature_c + ZERO_CELSIUS_K),
        )


def _of_line(known_line: KnownLine, sense: _Sensitivities) -> list[Component]:
    """One component for each source of error of the line, slope and zero with their covariance."""
    gradient = np.array([sense.ph_per_slope_pct, sense.ph_per_zero_mv, sense.ph_per_isopotential_ph])
    return [
        Component(
            name=error.source,
            # Rounding may leave a fully correlated source a hair below zero.
            standard_uncertainty_ph=math.sqrt(
                max(0.0, float(gradient @ np.asarray(error.covariance) @ gradient))
            ),
            basis="assumed" if error.assumed else "stated",
        )
        for error in known_line.errors
    ]


def _drift(known_line: KnownLine, sense: _Sensitivities, influences: Influences) -> Component:
    known = known_line.age_d is not None
    age_d = influences.assumed_age_d if known_line.age_d is None else known_line.age_d
    width_ph = age_d * math.hypot(
        influences.zero_drift_mv_per_d * sense.ph_per_zero_mv,
        influences.slope_drift_pct_per_d * sense.ph_per_slope_pct,
    )
    return Component(
        name="drift",
        standard_uncertainty_ph=width_ph / math.sqrt(3.0),
        basis="stated" if known else "assumed",
    )


def _hysteresis(
    known_line: KnownLine, measured: Measured, sense: _Sensitivities, influences: Influences
) -> Component:
    known = known_line.temperature_c is not None
    at_c = REFERENCE_TEMPERATURE_C if known_line.temperature_c is None else known_line.temperature_c
    half_width_ph = influences.hysteresis_mv_per_c * abs(measured.temperature_c - at_c) * sense.ph_per_mv
    return Component.between(
        "thermal-hysteresis", -half_width_ph, half_width_ph, basis="stated" if known else "assumed"
    )


def _junction(
    measured: Measured, sense: _Sensitivities, influences: Influences, check: LowIonicCheck | None
) -> list[Component]:
    if check is not None:
        parts = {
            "low-ionic-check": check.standard_uncertainty_ph,
            "low-ionic-line": check.line_standard_uncertainty_ph,
        }
        return [
            Component(name=name, standard_uncertainty_ph=u_ph, basis="measured")
            for name, u_ph in parts.items()
            if u_ph or name == "low-ionic-check"
        ]
    conductivity = measured.conductivity_us_cm
    ordinary = measured.kcl_adjusted or (
        conductivity is not None and conductivity >= influences.low_ionic_below_us_cm
    )
    low_mv, high_mv = influences.ordinary_junction_mv if ordinary else influences.low_ionic_junction_mv
    # A cell potential too low is a reading too high.
    return [Component.between("junction", -high_mv * sense.ph_per_mv, -low_mv * sense.ph_per_mv)]


def _streaming(measured: Measured, sense: _Sensitivities, influences: Influences) -> Component:
    if measured.kcl_adjusted or measured.flow_ml_min == 0.0:
        return Component(name="streaming", standard_uncertainty_ph=0.0, basis="measured")
    conductivity = measured.conductivity_us_cm
    share = 1.0 if conductivity is None else PURE_WATER_US_CM / max(conductivity, PURE_WATER_US_CM)
    half_width_ph = influences.streaming_half_width_mv * share * sense.ph_per_mv
    return Component.between("streaming", -half_width_ph, half_width_ph)


def _remaining(measured: Measured) -> Component:
    if measured.remaining_ph is None:
        return Component(name="remaining", standard_uncertainty_ph=0.0, basis="not-known")
    low_ph, high_ph = measured.remaining_ph
    # What is still to come is missing from the reading, hence the other sign.
    return Component.between("remaining", -high_ph, -low_ph, basis="measured")


def _repeatability(measured: Measured, sense: _Sensitivities) -> Component:
    mv = measured.repeatability_mv
    basis: Basis = "not-known" if mv is None else "measured"
    return Component(
        name="repeatability",
        standard_uncertainty_ph=(mv or 0.0) * sense.ph_per_mv,
        repeatability=True,
        basis=basis,
    )
