"""What may disturb the potential of a cell: allowances, and the check that replaces one of them.

The residual junction potential. In water of low ionic strength the junction of a potassium chloride
bridge differs from that in buffers. At rest the Henderson equation with handbook ion conductances makes
the cell potential 3.5 to 5.5 mV lower for a free-flowing junction, so that the reading is too high, by up
to 0.09 pH. Stirring depresses it, alike in all dilute solutions: least at free-flowing junctions, by more
than 0.2 pH in combination electrodes; ten laboratories were off by 0.1 pH (Davison and Gardner, Anal.
Chim. Acta, 1986). The allowance is what theory gives, on one side; since its middle is not corrected for,
pH +- U holds errors as large on the other as well (`tests/bench/coverage`). It is replaced as soon as a
check in water of known low ionic strength, at the flow of ordinary use, has measured the bias, which is
then taken off with its sign.

Streaming. A flow past membrane and junction shifts the potential, of either sign, in proportion to
flow resistance over conductivity (Helmholtz and Smoluchowski). No published figure per flow exists;
the allowance is for pure water at the flow of ordinary use.
"""

from dataclasses import dataclass

import numpy as np

from quietcell.core.electrode.domain import Quantity, number


@dataclass(frozen=True, slots=True, kw_only=True)
class Influences:
    """What meter, thermometer and electrode may contribute: one set of numbers per cell.

    Half-widths are bounds of a rectangle. Unless a source is named the default is common practice
    without a source, to be replaced by what is known of the cell.

    Parameters
    ----------
    meter_half_width_mv : float
        Limit of error of the meter, mV.
    resolution_mv : float
        Step of the meter's last digit, mV.
    temperature_standard_uncertainty_c : float
        Of the sample temperature, °C.
    zero_drift_mv_per_d, slope_drift_pct_per_d : float
        Bounds of the drift since calibration: zero in mV, slope in % of theory, per day.
    assumed_age_d : float
        Age of a calibration whose age is not known, days.
    hysteresis_mv_per_c : float
        Bound of the thermal hysteresis of the reference, mV per °C between calibration and sample.
    low_ionic_junction_mv : tuple of float
        Bounds of the error of the cell potential in water of low ionic strength, mV, low and high.
        One-sided by default, see the module.
    ordinary_junction_mv : tuple of float
        The same where ionic strength is that of ordinary solutions: in KCl-adjusted samples and
        above `low_ionic_below_us_cm`.
    low_ionic_below_us_cm : float
        Raw conductivity below which water counts as low in ionic strength; 100 µS/cm is the scope of
        ASTM D5128 and D5464.
    streaming_half_width_mv : float
        Bound of the streaming potential in pure water at the cell's flow, mV; it falls with
        conductivity.

    Raises
    ------
    DomainError
        A number negative, not finite or too large, or bounds the wrong way round.
    """

    meter_half_width_mv: float = 0.2
    resolution_mv: float = 0.1
    temperature_standard_uncertainty_c: float = 0.2
    zero_drift_mv_per_d: float = 0.2
    slope_drift_pct_per_d: float = 0.03
    assumed_age_d: float = 14.0
    hysteresis_mv_per_c: float = 0.02
    low_ionic_junction_mv: tuple[float, float] = (-6.0, 0.0)
    ordinary_junction_mv: tuple[float, float] = (-1.0, 1.0)
    low_ionic_below_us_cm: float = 100.0
    streaming_half_width_mv: float = 2.0

    def __post_init__(self) -> None:
        """Refuse allowances that are none."""
        for name, unit, high in (
            ("meter_half_width_mv", "mV", 100.0),
            ("resolution_mv", "mV", 100.0),
            ("temperature_standard_uncertainty_c", "°C", 10.0),
            ("zero_drift_mv_per_d", "mV/d", 100.0),
            ("slope_drift_pct_per_d", "%/d", 100.0),
            ("assumed_age_d", "d", 3650.0),
            ("hysteresis_mv_per_c", "mV/°C", 10.0),
            ("low_ionic_below_us_cm", "µS/cm", 1e6),
            ("streaming_half_width_mv", "mV", 100.0),
        ):
            number(name, getattr(self, name), unit, (0.0, high))
        for name, bounds in (
            ("low_ionic_junction_mv", self.low_ionic_junction_mv),
            ("ordinary_junction_mv", self.ordinary_junction_mv),
        ):
            low = number(f"lower {name}", bounds[0], "mV", (-100.0, 100.0))
            number(f"upper {name}", bounds[1], "mV", (low, 100.0))


DEFAULT_INFLUENCES = Influences()


@dataclass(frozen=True, slots=True, kw_only=True)
class LowIonicCheck:
    """What a check in water of known pH and low ionic strength has shown.

    Parameters
    ----------
    bias_ph : float
        pH read minus pH known, with its sign.
    standard_uncertainty_ph : float
        Of that bias: of the known value and of the comparison, not of the line it was read by.
    line_standard_uncertainty_ph : float
        Of that line at the check, where another is in use by now: its error went into the bias and is
        no longer in the reading. 0 where it is in use still.
    lowest_conductivity_us_cm, highest_conductivity_us_cm : float
        Raw conductivities the check speaks for.

    Raises
    ------
    DomainError
        A number not finite or out of range.
    """

    bias_ph: float
    standard_uncertainty_ph: float
    lowest_conductivity_us_cm: float = 0.0
    highest_conductivity_us_cm: float = 100.0
    line_standard_uncertainty_ph: float = 0.0

    def __post_init__(self) -> None:
        """Refuse what no check can show."""
        number("bias_ph", self.bias_ph, "pH", (-2.0, 2.0))
        number("standard_uncertainty_ph", self.standard_uncertainty_ph, "pH", (0.0, 1.0))
        number("line_standard_uncertainty_ph", self.line_standard_uncertainty_ph, "pH", (0.0, 14.0))
        lowest = number("lowest_conductivity_us_cm", self.lowest_conductivity_us_cm, "µS/cm", (0.0, 1e6))
        number("highest_conductivity_us_cm", self.highest_conductivity_us_cm, "µS/cm", (lowest, 1e6))

    def covers(self, conductivity_us_cm: float | None) -> bool:
        """Whether the check speaks for water of this conductivity; yes where none was measured.

        Examples
        --------
        >>> check = LowIonicCheck(bias_ph=0.06, standard_uncertainty_ph=0.02)
        >>> check.covers(0.07), check.covers(1400.0)
        (True, False)
        """
        if conductivity_us_cm is None:
            return True
        return self.lowest_conductivity_us_cm <= conductivity_us_cm <= self.highest_conductivity_us_cm

    def taken_off(self, conductivity_us_cm: Quantity) -> Quantity:
        """Return what comes off readings of the water: the bias, 0 where the check does not cover it.

        Examples
        --------
        >>> check = LowIonicCheck(bias_ph=0.06, standard_uncertainty_ph=0.02)
        >>> check.taken_off(np.array([0.07, 1400.0, np.nan])).tolist()
        [0.06, 0.0, 0.06]
        """
        low, high = self.lowest_conductivity_us_cm, self.highest_conductivity_us_cm
        beyond = (conductivity_us_cm < low) | (conductivity_us_cm > high)
        return np.where(beyond, 0.0, self.bias_ph)
