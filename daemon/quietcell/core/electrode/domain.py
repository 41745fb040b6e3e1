"""Range checks for every number that enters the electrode formulas.

One wording for all of them: the argument, the value with its unit, the range it must lie in and,
for an array, where the first offender sits.
"""

import math
from typing import cast

import numpy as np
from numpy.typing import ArrayLike, NDArray

from quietcell.errors import DomainError

Quantity = NDArray[np.float64]

TEMPERATURE_RANGE_C = (0.0, 100.0)
"""Liquid water at ordinary pressure; the span of every published table used here."""
POTENTIAL_RANGE_MV = (-2000.0, 2000.0)
"""Wider than any cell of glass and reference electrode; catches volts and microvolts."""
PH_RANGE = (-2.0, 16.0)
"""Wider than the pH of aqueous solutions; catches millivolts passed as pH."""


def within(
    argument: str, value: ArrayLike, unit: str, span: tuple[float, float] = (-np.inf, np.inf)
) -> Quantity:
    """Return `value` as a float64 array once every element is finite and inside `span`.

    Parameters
    ----------
    argument : str
        Name the caller knows the number by.
    value : array_like
        Any shape.
    unit : str
        Unit for the message; empty for pH.
    span : tuple of float
        Lowest and highest value allowed, both inclusive.

    Raises
    ------
    DomainError
        Naming argument, value, unit and range; for arrays also the index.

    Examples
    --------
    >>> within("temperature_c", 140.0, "°C", (0.0, 100.0))
    Traceback (most recent call last):
        ...
    quietcell.errors.DomainError: temperature_c: 140 °C is outside 0 to 100 °C
    """
    if _one_number_inside(value, span):
        return np.asarray(value)
    try:
        array = np.asarray(value, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise DomainError(f"{value!r} is not a number or an array of numbers", subject=argument) from error
    low, high = span
    good = np.isfinite(array) & (array >= low) & (array <= high)
    if not np.all(good):
        index = tuple(int(i) for i in np.argwhere(~good)[0])
        offender = f"{float(array[index]):g}{_spaced(unit)}"
        where = f" at index {index[0] if len(index) == 1 else index}" if index else ""
        raise DomainError(f"{offender}{where} is outside {_span_text(span, unit)}", subject=argument)
    return array


def number(argument: str, value: float, unit: str, span: tuple[float, float] = (-np.inf, np.inf)) -> float:
    """Return one number once it is finite and inside `span`; see `within`.

    Examples
    --------
    >>> number("slope_pct", 98.4, "%", (10.0, 200.0))
    98.4
    """
    if _one_number_inside(value, span):
        return float(value)  # what nearly every call is; the arrays below cost twenty times as much
    array = within(argument, value, unit, span)
    if array.ndim:
        raise DomainError(f"an array of shape {array.shape} where one number belongs", subject=argument)
    return float(array)


def _one_number_inside(value: object, span: tuple[float, float]) -> bool:
    return isinstance(value, float) and math.isfinite(value) and span[0] <= value <= span[1]


def broadcastable(**arguments: Quantity) -> None:
    """Raise a DomainError when the arrays named do not broadcast against each other."""
    try:
        np.broadcast_shapes(*(array.shape for array in arguments.values()))
    except ValueError as error:
        shapes = ", ".join(f"{name} {array.shape}" for name, array in arguments.items())
        raise DomainError(f"shapes do not fit together: {shapes}", subject=" and ".join(arguments)) from error


def plain(array: Quantity) -> Quantity:
    """Return a Python float for a single number, the array unchanged otherwise.

    The public functions declare by overload which of the two a caller gets.
    """
    return cast("Quantity", float(array)) if np.ndim(array) == 0 else array


def _spaced(unit: str) -> str:
    return f" {unit}" if unit else ""


def _span_text(span: tuple[float, float], unit: str) -> str:
    low, high = span
    if np.isinf(low) and np.isinf(high):
        return "the finite numbers"
    if np.isinf(high):
        return f"{low:g}{_spaced(unit)} and above"
    if np.isinf(low):
        return f"{high:g}{_spaced(unit)} and below"
    return f"{low:g} to {high:g}{_spaced(unit)}"
