"""Whether a calibration is good enough to measure with: explicit limits, refusals in words.

The default limits are those of USP <791>, or common practice where it has none; each is a number
named after what it limits.
"""

import math
from dataclasses import dataclass
from datetime import date

from quietcell.core.electrode.calibration import Calibration, CalibrationPoint
from quietcell.core.electrode.domain import number
from quietcell.core.electrode.nernst import Line


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationLimits:
    """What a calibration must meet.

    Parameters
    ----------
    min_points : int
        Fewest points, 1 to 5.
    min_slope_pct, max_slope_pct : float
        Size of the slope, % of theory. 90.0 to 105.0 after USP <791>; Ph. Eur. 2.2.3 asks 95 to 105.
    rising_mv : bool
        True for a meter whose mV rise with pH, so that the slope is negative.
    max_zero_mv : float
        Size of the zero, mV. 30 mV after USP <791>.
    max_slope_standard_uncertainty_pct : float
        How well the slope must be known, % of theory; common practice, no source.
    max_residual_ph : float
        Size of any residual, pH. 0.05 after USP <791> and Ph. Eur. 2.2.3.
    min_buffer_span_ph : float
        Least distance between lowest and highest buffer with two points or more; common practice.
    max_buffer_span_ph : float
        Greatest such distance; common practice, no source.
    max_temperature_span_c : float
        Greatest difference of temperature between points when the isopotential point is held;
        common practice, no source.
    min_isopotential_ph, max_isopotential_ph : float
        Where a fitted isopotential point may lie; common practice, no source.
    max_slope_change_pct, max_zero_change_mv : float
        Greatest change since the previous calibration, which is more often a mistake than an
        electrode; common practice, no source.

    Raises
    ------
    DomainError
        A limit not finite, negative, or a lower one above its upper one.
    """

    min_points: int = 2
    min_slope_pct: float = 90.0
    max_slope_pct: float = 105.0
    rising_mv: bool = False
    max_zero_mv: float = 30.0
    max_slope_standard_uncertainty_pct: float = 1.5
    max_residual_ph: float = 0.05
    min_buffer_span_ph: float = 1.5
    max_buffer_span_ph: float = 7.0
    max_temperature_span_c: float = 10.0
    min_isopotential_ph: float = 5.0
    max_isopotential_ph: float = 9.0
    max_slope_change_pct: float = 5.0
    max_zero_change_mv: float = 15.0

    def __post_init__(self) -> None:
        """Refuse limits that are not limits."""
        number("min_points", self.min_points, "points", (1.0, 5.0))
        for name, unit, high in (
            ("max_slope_pct", "%", 200.0),
            ("max_zero_mv", "mV", 1000.0),
            ("max_slope_standard_uncertainty_pct", "%", 100.0),
            ("max_residual_ph", "", 14.0),
            ("max_buffer_span_ph", "", 14.0),
            ("max_temperature_span_c", "°C", 100.0),
            ("max_isopotential_ph", "", 14.0),
            ("max_slope_change_pct", "%", 200.0),
            ("max_zero_change_mv", "mV", 1000.0),
        ):
            number(name, getattr(self, name), unit, (0.0, high))
        number("min_slope_pct", self.min_slope_pct, "%", (0.0, self.max_slope_pct))
        number("min_buffer_span_ph", self.min_buffer_span_ph, "", (0.0, self.max_buffer_span_ph))
        number("min_isopotential_ph", self.min_isopotential_ph, "", (0.0, self.max_isopotential_ph))


@dataclass(frozen=True, slots=True, kw_only=True)
class Refusal:
    """One reason why a calibration or check is not good enough.

    Parameters
    ----------
    reason : str
        Short name a script can match, such as ``slope-out-of-limits``.
    text : str
        The same in words: what was found, the limit, what to do.
    """

    reason: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BufferCheck:
    """A calibrated electrode in a buffer that was not used to calibrate it.

    Parameters
    ----------
    deviation_ph : float
        pH read minus pH of the buffer.
    between_buffers : bool
        Whether the buffer lies between lowest and highest calibration buffer, as USP <791> asks.
    refusals : tuple of Refusal
        Empty when the check is passed.
    """

    deviation_ph: float
    between_buffers: bool
    refusals: tuple[Refusal, ...]


DEFAULT_LIMITS = CalibrationLimits()


def refusals(
    calibration: Calibration,
    limits: CalibrationLimits = DEFAULT_LIMITS,
    *,
    previous: Line | None = None,
    on: date | None = None,
) -> tuple[Refusal, ...]:
    """Return every reason against a calibration; none means it may be used.

    Parameters
    ----------
    calibration : Calibration
        As fitted.
    limits : CalibrationLimits
        What it must meet.
    previous : Line, optional
        The line in use so far; None leaves changes unjudged.
    on : date, optional
        Day of calibration; None leaves expiry of the bottles unjudged.

    Returns
    -------
    tuple of Refusal
        In a fixed order: points, bottles, fit, change.

    Examples
    --------
    >>> from quietcell.core.electrode.buffers import buffer
    >>> from quietcell.core.electrode.calibration import calibrate
    >>> tired = [
    ...     CalibrationPoint(buffer=buffer("iupac-2002", name), mv=mv, temperature_c=25.0)
    ...     for name, mv in (("phthalate", 151.0), ("borax", -106.5))
    ... ]
    >>> [refusal.reason for refusal in refusals(calibrate(tired))]
    ['slope-out-of-limits']
    """
    return (
        *_against_points(calibration, limits),
        *_against_bottles(calibration, on),
        *_against_fit(calibration, limits),
        *_against_change(calibration, limits, previous),
    )


def check_line(
    line: Line,
    point: CalibrationPoint,
    *,
    bracket_ph: tuple[float, float] | None,
    max_deviation_ph: float = 0.05,
) -> BufferCheck:
    """Compare a line with one more buffer.

    Parameters
    ----------
    line : Line
        In use.
    point : CalibrationPoint
        The check buffer, measured at rest.
    bracket_ph : tuple of float or None
        Lowest and highest calibration buffer; None is not known and not judged.
    max_deviation_ph : float
        Size of the deviation allowed; 0.05 after USP <791> and Ph. Eur. 2.2.3.

    Returns
    -------
    BufferCheck
        Signed deviation, and why the check failed if it did.

    Raises
    ------
    DomainError
        Limit not above 0.

    Examples
    --------
    >>> from quietcell.core.electrode.buffers import buffer
    >>> point = CalibrationPoint(buffer=buffer("iupac-2002", "phosphate"), mv=5.0, temperature_c=25.0)
    >>> check = check_line(Line(slope_pct=99.0, zero_mv=2.0), point, bracket_ph=(4.005, 9.184))
    >>> round(check.deviation_ph, 3), [refusal.reason for refusal in check.refusals]
    (0.084, ['check-buffer-off'])
    """
    limit = number("max_deviation_ph", max_deviation_ph, "", (1e-6, 14.0))
    deviation = line.ph(point.mv, point.temperature_c) - point.ph
    low, high = bracket_ph or (-math.inf, math.inf)
    between = low < point.ph < high
    found = []
    if not between:
        found.append(
            Refusal(
                reason="check-buffer-outside",
                text=f"The check buffer, pH {point.ph:.3f}, does not lie between the calibration buffers, "
                f"pH {low:.3f} to {high:.3f}. Take one that does",
            )
        )
    if abs(deviation) > limit:
        found.append(
            Refusal(
                reason="check-buffer-off",
                text=f"{point.buffer.name} reads {deviation:+.3f} pH off, limit {limit:g}. "
                "Take fresh buffers and calibrate again",
            )
        )
    return BufferCheck(deviation_ph=deviation, between_buffers=between, refusals=tuple(found))


def _against_points(calibration: Calibration, limits: CalibrationLimits) -> list[Refusal]:
    found = []
    count = len(calibration.points)
    if count < limits.min_points:
        found.append(
            Refusal(
                reason="too-few-points", text=f"{count} of at least {limits.min_points} points. Add a buffer"
            )
        )
    low, high = calibration.bracket_ph
    if count > 1 and not limits.min_buffer_span_ph <= high - low <= limits.max_buffer_span_ph:
        found.append(
            Refusal(
                reason="buffer-span-out-of-limits",
                text=f"The buffers are {high - low:.2f} pH apart, limits {limits.min_buffer_span_ph:g} to "
                f"{limits.max_buffer_span_ph:g}. Choose buffers on both sides of the sample",
            )
        )
    temperatures = [point.temperature_c for point in calibration.points]
    span_c = max(temperatures) - min(temperatures)
    if "isopotential" not in calibration.fitted and span_c > limits.max_temperature_span_c:
        found.append(
            Refusal(
                reason="temperatures-apart",
                text=f"The buffers were {span_c:.1f} °C apart, limit {limits.max_temperature_span_c:g} °C. "
                "Bring them to one temperature, or fit the isopotential point",
            )
        )
    return found


def _against_bottles(calibration: Calibration, on: date | None) -> list[Refusal]:
    if on is None:
        return []
    expired = {
        point.buffer: point.buffer.expires
        for point in calibration.points
        if point.buffer.expires is not None and point.buffer.expires < on
    }
    return [
        Refusal(
            reason="buffer-expired",
            text=f"{bottle.name}, lot {bottle.lot or 'not stated'}, expired on {day}. Open a fresh bottle",
        )
        for bottle, day in expired.items()
    ]


def _against_fit(calibration: Calibration, limits: CalibrationLimits) -> list[Refusal]:
    found = []
    slope = -calibration.slope_pct if limits.rising_mv else calibration.slope_pct
    if slope < 0.0:
        found.append(
            Refusal(
                reason="slope-sign",
                text=f"The slope is {calibration.slope_pct:.1f} %: the potential moves the wrong way. "
                "Check that no two buffers were swapped, and whether this meter's mV rise with pH",
            )
        )
    elif not limits.min_slope_pct <= slope <= limits.max_slope_pct:
        found.append(
            Refusal(
                reason="slope-out-of-limits",
                text=f"The slope is {calibration.slope_pct:.1f} %, limits {limits.min_slope_pct:g} to "
                f"{limits.max_slope_pct:g} %. Take fresh buffers, then renew or replace the electrode",
            )
        )
    if abs(calibration.zero_mv) > limits.max_zero_mv:
        # Swapped ones whose mean is not pH 7 move the zero: 50 mV with phthalate and borax.
        swapped = "Check that no two buffers were swapped. " if calibration.slope_pct < 0.0 else ""
        found.append(
            Refusal(
                reason="zero-out-of-limits",
                text=f"The zero is {calibration.zero_mv:+.1f} mV, limit {limits.max_zero_mv:g} mV. {swapped}"
                "Look at the reference: electrolyte, junction, cable",
            )
        )
    u_slope = calibration.slope_standard_uncertainty_pct
    if u_slope > limits.max_slope_standard_uncertainty_pct:
        found.append(
            Refusal(
                reason="slope-not-known",
                text=f"The slope is known to {u_slope:.2f} % (standard uncertainty), limit "
                f"{limits.max_slope_standard_uncertainty_pct:g} %. Use buffers further apart or better known",
            )
        )
    residual, worst = max(
        zip(calibration.residuals_ph, calibration.points, strict=True), key=lambda pair: abs(pair[0])
    )
    if abs(residual) > limits.max_residual_ph:
        found.append(
            Refusal(
                reason="residual-too-large",
                text=f"{worst.buffer.name} lies {residual:+.3f} pH off the line, limit "
                f"{limits.max_residual_ph:g}. One of the buffers is not what it says",
            )
        )
    point = calibration.isopotential_ph
    if (
        "isopotential" in calibration.fitted
        and not limits.min_isopotential_ph <= point <= limits.max_isopotential_ph
    ):
        found.append(
            Refusal(
                reason="isopotential-out-of-limits",
                text=f"The isopotential point is pH {point:.2f}, limits {limits.min_isopotential_ph:g} to "
                f"{limits.max_isopotential_ph:g}. Let electrode and buffers come to temperature and repeat",
            )
        )
    return found


def _against_change(
    calibration: Calibration, limits: CalibrationLimits, previous: Line | None
) -> list[Refusal]:
    if previous is None:
        return []
    found = []
    for reason, name, change, limit, unit in (
        (
            "slope-changed",
            "slope",
            calibration.slope_pct - previous.slope_pct,
            limits.max_slope_change_pct,
            "%",
        ),
        ("zero-changed", "zero", calibration.zero_mv - previous.zero_mv, limits.max_zero_change_mv, "mV"),
    ):
        if math.fabs(change) > limit:
            found.append(
                Refusal(
                    reason=reason,
                    text=f"The {name} moved by {change:+.1f} {unit} since the last calibration, limit "
                    f"{limit:g} {unit}. Check buffers and temperatures before believing it",
                )
            )
    return found
