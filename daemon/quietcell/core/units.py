"""The units a meter may send or a recording hold, and the way from each to the unit readings carry.

What cannot stand for a number (a resistance outside the platinum table, a resistivity of zero) gives NaN.
"""

import math
import unicodedata
from collections.abc import Callable, Mapping
from dataclasses import dataclass

QUANTITIES = ("mv", "temperature_c", "conductivity_us_cm", "flow_ml_min")
"""The measured quantities of a reading; each name ends in the unit readings carry."""

# IEC 60751:2008, R(t) / R(0) = 1 + A t + B t² + C (t - 100) t³, the last term below 0 °C only.
_PT_A = 3.9083e-3
_PT_B = -5.775e-7
_PT_C = -4.183e-12
_PT_LOW_C, _PT_HIGH_C = -200.0, 850.0


def platinum_ratio(temperature_c: float) -> float:
    """Return the resistance of platinum over that at 0 °C, by IEC 60751.

    Parameters
    ----------
    temperature_c : float
        Temperature in °C, -200 to 850.

    Returns
    -------
    float
        R(t) / R(0), dimensionless; NaN outside the range of the standard.

    Examples
    --------
    >>> round(100 * platinum_ratio(100.0), 4)
    138.5055
    """
    if not _PT_LOW_C <= temperature_c <= _PT_HIGH_C:
        return math.nan
    t = temperature_c
    low_term = _PT_C * (t - 100.0) * t**3 if t < 0.0 else 0.0
    return 1.0 + _PT_A * t + _PT_B * t * t + low_term


_PT_LOW_RATIO, _PT_HIGH_RATIO = platinum_ratio(_PT_LOW_C), platinum_ratio(_PT_HIGH_C)


def platinum_temperature_c(ratio: float) -> float:
    """Return the temperature of platinum from its resistance over that at 0 °C, by IEC 60751.

    Parameters
    ----------
    ratio : float
        R(t) / R(0), dimensionless.

    Returns
    -------
    float
        Temperature in °C; NaN outside -200 to 850 °C.

    Examples
    --------
    >>> round(platinum_temperature_c(1097.347 / 1000.0), 3)
    25.0
    """
    if not _PT_LOW_RATIO <= ratio <= _PT_HIGH_RATIO:
        return math.nan
    t = (-_PT_A + math.sqrt(_PT_A**2 - 4.0 * _PT_B * (1.0 - ratio))) / (2.0 * _PT_B)
    if t < 0.0:  # the quartic term counts; Newton from the quadratic's root converges in a few steps
        for _ in range(8):
            slope = _PT_A + 2.0 * _PT_B * t + _PT_C * (4.0 * t**3 - 300.0 * t * t)
            value = 1.0 + _PT_A * t + _PT_B * t * t + _PT_C * (t - 100.0) * t**3
            t -= (value - ratio) / slope
    return t


@dataclass(frozen=True, slots=True)
class Unit:
    """One unit of one quantity, with the way to and from the unit of the reading."""

    name: str
    """As the manual writes it."""
    to_reading: Callable[[float], float]
    """From the meter's number to the reading's; NaN where the number can stand for nothing."""
    from_reading: Callable[[float], float]
    """From the reading's number to the meter's."""


def _scaled(name: str, factor: float) -> Unit:
    return Unit(name, lambda x: x * factor, lambda y: y / factor)


def _inverse(name: str, factor: float) -> Unit:
    def flip(x: float) -> float:
        return factor / x if x > 0.0 else math.nan

    return Unit(name, flip, flip)


def _platinum(name: str, ohm_at_zero: float) -> Unit:
    return Unit(
        name,
        lambda ohm: platinum_temperature_c(ohm / ohm_at_zero),
        lambda t: ohm_at_zero * platinum_ratio(t),
    )


UNITS: Mapping[str, tuple[Unit, ...]] = {
    "mv": (_scaled("mV", 1.0), _scaled("V", 1000.0)),
    "temperature_c": (
        _scaled("°C", 1.0),
        Unit("°F", lambda f: (f - 32.0) / 1.8, lambda t: t * 1.8 + 32.0),
        Unit("K", lambda k: k - 273.15, lambda t: t + 273.15),
        _platinum("Pt100 ohm", 100.0),
        _platinum("Pt1000 ohm", 1000.0),
    ),
    "conductivity_us_cm": (
        _scaled("µS/cm", 1.0),
        _scaled("nS/cm", 1.0e-3),
        _scaled("mS/cm", 1.0e3),
        _scaled("mS/m", 10.0),
        _scaled("S/m", 1.0e4),
        _inverse("MΩ·cm", 1.0),
    ),
    "flow_ml_min": (_scaled("mL/min", 1.0), _scaled("L/h", 1000.0 / 60.0)),
}
"""The units of each quantity; the first is the unit readings carry."""

_SPELLINGS = {"C": "°C", "degC": "°C", "F": "°F", "degF": "°F", "ml/min": "mL/min", "l/h": "L/h"}


def _key(text: str) -> str:
    # NFKC folds U+00B5 to U+03BC, U+2126 to U+03A9 and U+2103 to "°C".
    folded = unicodedata.normalize("NFKC", text).replace("\u03bc", "u").replace("\u03a9", "ohm")
    return "".join(c for c in folded if c not in " \u00b7\u22c5.*-")


_BY_KEY = {
    quantity: {
        **{_key(unit.name): unit for unit in units},
        **{_key(also): unit for also, name in _SPELLINGS.items() for unit in units if unit.name == name},
    }
    for quantity, units in UNITS.items()
}


def find_unit(quantity: str, text: str) -> Unit | None:
    """Return the unit of `quantity` that `text` names, or None.

    Either micro sign, either ohm sign, "ohm" and any or no product dot are understood; upper and
    lower case differ (mS and MS are a milliard apart).

    Examples
    --------
    >>> find_unit("conductivity_us_cm", "Mohm.cm").name
    'MΩ·cm'
    """
    return _BY_KEY[quantity].get(_key(text))


def unit_names(quantity: str) -> str:
    """Return the units of `quantity` as a message lists them."""
    return ", ".join(unit.name for unit in UNITS[quantity])
