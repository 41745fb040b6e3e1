"""From millivolts to pH and back: the Nernst factor and the straight line of an electrode.

A glass electrode against its reference gives a potential that falls as pH rises,

    E = E_iso - s k(T) (pH - pH_iso),        k(T) = R T ln 10 / F,

where s is the slope as a fraction of theory and (pH_iso, E_iso) the isopotential point: the one pH
at which the potential does not depend on temperature. Solved for pH,

    pH = pH_iso + (E_iso - E) / (s k(T)).

What a calibration reports is the zero, the potential at pH 7 and 25 °C, so

    E_iso = zero + s k(25 °C) (7 - pH_iso).

Validity: 0 to 100 °C, as far as the electrode itself is linear. R and F are the exact SI values
(CODATA 2018). The sign is that of USP <791> since 1 August 2024.
"""

import math
from dataclasses import dataclass
from typing import overload

import numpy as np
from numpy.typing import ArrayLike

from quietcell.core.constants import FARADAY_C_MOL, GAS_CONSTANT_J_MOL_K, ZERO_CELSIUS_K
from quietcell.core.electrode.domain import (
    PH_RANGE,
    POTENTIAL_RANGE_MV,
    TEMPERATURE_RANGE_C,
    Quantity,
    broadcastable,
    number,
    plain,
    within,
)
from quietcell.errors import DomainError

REFERENCE_TEMPERATURE_C = 25.0
"""Temperature at which slope and zero of a calibration are quoted."""
ZERO_PH = 7.0
"""pH at which the zero of a calibration is quoted."""
MV_PER_KELVIN = 1000.0 * GAS_CONSTANT_J_MOL_K * math.log(10.0) / FARADAY_C_MOL
"""R ln 10 / F, mV/K: the Nernst factor grows by 0.198416 mV per kelvin."""
SLOPE_SPAN_PCT = (10.0, 200.0)
"""Size a slope may have at all; whether it is good is for calibration and condition to say."""
ZERO_SPAN_MV = (-1000.0, 1000.0)
"""Room for reference systems whose zero lies far from pH 7."""
ISOPOTENTIAL_SPAN_PH = (0.0, 14.0)
"""Room for any isopotential point."""


@overload
def nernst_factor_mv(temperature_c: float) -> float: ...
@overload
def nernst_factor_mv(temperature_c: Quantity) -> Quantity: ...
def nernst_factor_mv(temperature_c: ArrayLike) -> float | Quantity:
    """Return k(T) = R T ln 10 / F, the potential one pH unit is worth.

    Parameters
    ----------
    temperature_c : float or array of any shape
        Temperature of the solution at the electrode, 0 to 100 °C.

    Returns
    -------
    float or array
        mV per pH, always positive; same shape as the input.

    Raises
    ------
    DomainError
        Temperature not finite or outside 0 to 100 °C.

    Notes
    -----
    Source: Nernst equation with R and F of CODATA 2018 (exact since the SI of 2019).

    Examples
    --------
    >>> round(nernst_factor_mv(25.0), 4)
    59.1593
    """
    return plain(_factor(within("temperature_c", temperature_c, "°C", TEMPERATURE_RANGE_C)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """The straight line of one electrode: slope, zero and isopotential point.

    Parameters
    ----------
    slope_pct : float
        Slope in per cent of theory, 10 to 200 in size; negative for a meter whose mV rise with pH.
    zero_mv : float
        Potential at pH 7 and 25 °C, mV.
    isopotential_ph : float
        pH at which the potential does not depend on temperature; 7 when nobody has measured it.

    Raises
    ------
    DomainError
        A parameter outside its range, named.

    Examples
    --------
    >>> line = Line(slope_pct=98.4, zero_mv=3.1)
    >>> round(line.ph(29.3, 21.0), 4)
    6.5438
    >>> round(line.mv(6.5438, 21.0), 1)
    29.3
    """

    slope_pct: float
    zero_mv: float
    isopotential_ph: float = 7.0

    def __post_init__(self) -> None:
        """Refuse parameters no electrode can have."""
        slope_pct = number("slope_pct", self.slope_pct, "%")
        low, high = SLOPE_SPAN_PCT
        if not low <= abs(slope_pct) <= high:
            raise DomainError(
                f"{slope_pct:g} % is outside {low:g} to {high:g} % in size",
                subject="slope_pct",
                hint="Give the slope in per cent of theory, negative for a meter whose mV rise with pH",
            )
        number("zero_mv", self.zero_mv, "mV", ZERO_SPAN_MV)
        number("isopotential_ph", self.isopotential_ph, "", ISOPOTENTIAL_SPAN_PH)

    @property
    def isopotential_mv(self) -> float:
        """Potential at the isopotential point, mV, the same at every temperature."""
        return self.zero_mv + self.slope_pct / 100.0 * _FACTOR_25_MV * (ZERO_PH - self.isopotential_ph)

    @overload
    def ph(self, mv: float, temperature_c: float) -> float: ...
    @overload
    def ph(self, mv: Quantity, temperature_c: float | Quantity) -> Quantity: ...
    @overload
    def ph(self, mv: float, temperature_c: Quantity) -> Quantity: ...
    def ph(self, mv: ArrayLike, temperature_c: ArrayLike) -> float | Quantity:
        """Return the pH at sample temperature that a potential means.

        Parameters
        ----------
        mv : float or array of any shape
            Electrode potential, -2000 to 2000 mV.
        temperature_c : float or array
            Temperature at the electrode, 0 to 100 °C; shapes broadcast.

        Returns
        -------
        float or array
            pH at `temperature_c`, of the broadcast shape.

        Raises
        ------
        DomainError
            A value not finite or out of range, or shapes that do not fit. Streams with missing or
            wild readings go through `stream_ph`.

        Examples
        --------
        >>> round(Line(slope_pct=100.0, zero_mv=0.0).ph(59.1593, 25.0), 4)
        6.0
        """
        potential = within("mv", mv, "mV", POTENTIAL_RANGE_MV)
        temperature = within("temperature_c", temperature_c, "°C", TEMPERATURE_RANGE_C)
        broadcastable(mv=potential, temperature_c=temperature)
        return plain(self._ph(potential, temperature))

    def stream_ph(self, mv: ArrayLike, temperature_c: ArrayLike) -> Quantity:
        """Return pH for readings as they come: NaN where mV or temperature are missing or wild.

        Parameters
        ----------
        mv, temperature_c : array_like
            As for `ph`, but NaN (not measured) and values out of range are allowed.

        Returns
        -------
        array
            pH of the broadcast shape, NaN where no pH follows. Each element depends on its own
            inputs alone, so cutting a stream into blocks changes no bit.

        Examples
        --------
        >>> line = Line(slope_pct=100.0, zero_mv=0.0)
        >>> line.stream_ph([0.0, float("nan")], [25.0, 25.0]).tolist()
        [7.0, nan]
        """
        potential = np.asarray(mv, np.float64)
        temperature = np.asarray(temperature_c, np.float64)
        broadcastable(mv=potential, temperature_c=temperature)
        return self._ph(_kept(potential, POTENTIAL_RANGE_MV), _kept(temperature, TEMPERATURE_RANGE_C))

    @overload
    def mv(self, ph: float, temperature_c: float) -> float: ...
    @overload
    def mv(self, ph: Quantity, temperature_c: float | Quantity) -> Quantity: ...
    @overload
    def mv(self, ph: float, temperature_c: Quantity) -> Quantity: ...
    def mv(self, ph: ArrayLike, temperature_c: ArrayLike) -> float | Quantity:
        """Return the potential this electrode gives in a solution of known pH.

        Parameters
        ----------
        ph : float or array of any shape
            pH at `temperature_c`, -2 to 16.
        temperature_c : float or array
            Temperature at the electrode, 0 to 100 °C; shapes broadcast.

        Returns
        -------
        float or array
            mV, of the broadcast shape.

        Raises
        ------
        DomainError
            A value not finite or out of range, or shapes that do not fit.

        Examples
        --------
        >>> round(Line(slope_pct=100.0, zero_mv=0.0).mv(4.005, 25.0), 1)
        177.2
        """
        value = within("ph", ph, "", PH_RANGE)
        temperature = within("temperature_c", temperature_c, "°C", TEMPERATURE_RANGE_C)
        broadcastable(ph=value, temperature_c=temperature)
        span_mv = self.slope_pct / 100.0 * _factor(temperature) * (value - self.isopotential_ph)
        return plain(np.asarray(self.isopotential_mv - span_mv))

    def _ph(self, mv: Quantity, temperature_c: Quantity) -> Quantity:
        per_ph_mv = self.slope_pct / 100.0 * _factor(temperature_c)
        return np.asarray(self.isopotential_ph + (self.isopotential_mv - mv) / per_ph_mv)


def _factor(temperature_c: Quantity) -> Quantity:
    return np.asarray(MV_PER_KELVIN * (temperature_c + ZERO_CELSIUS_K))


def _kept(values: Quantity, span: tuple[float, float]) -> Quantity:
    low, high = span
    return np.where((values >= low) & (values <= high), values, np.nan)


_FACTOR_25_MV = float(_factor(np.asarray(REFERENCE_TEMPERATURE_C)))
