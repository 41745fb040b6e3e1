"""Element-wise arithmetic that gives the same bits for a scalar, a row of an array, and any cut of it.

The kernels of this package are plain formulas over `Number`. They use + - * / and square roots, which
IEEE 754 rounds in one way only, and `exp` and `log` of numpy, asked for one element or many alike.
Nothing here looks from one row at another: loops stop row by row.
"""

import math
from collections.abc import Callable
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from quietcell.errors import DomainError

Number = float | NDArray[np.float64]
"""A scalar as a plain float, or an array of float64 of any shape."""

Mask = bool | NDArray[np.bool_]
"""A condition on a scalar, or on each row of an array."""

OnInvalid = Literal["raise", "nan"]
"""What to do with a value outside its range: raise `DomainError`, or give NaN for that row."""

ROWS_AT_ONCE: Final = 16384
"""Rows a kernel works on at a time, so that its intermediate results stay in the processor's cache."""


def exp(x: Number) -> Number:
    """Return e to the power x."""
    return float(np.exp(x)) if type(x) is float else np.exp(x)


def log(x: Number) -> Number:
    """Return the natural logarithm of x."""
    return float(np.log(x)) if type(x) is float else np.log(x)


def sqrt(x: Number) -> Number:
    """Return the square root of x, x >= 0 or NaN."""
    return math.sqrt(x) if type(x) is float else np.sqrt(x)


def magnitude(x: Number) -> Number:
    """Return the absolute value of x."""
    return abs(x) if type(x) is float else np.abs(x)


def positive(x: Number) -> Number:
    """Return x where it is positive, else 0."""
    return 0.5 * (x + magnitude(x))


def where(condition: Mask, yes: Number, no: Number) -> Number:
    """Return `yes` where the condition holds, else `no`."""
    if isinstance(condition, np.ndarray):
        return np.where(condition, yes, no)
    return yes if condition else no


def some(condition: Mask) -> bool:
    """Return whether a condition holds in any row."""
    return bool(condition.any()) if isinstance(condition, np.ndarray) else condition


def clip(x: Number, low: float, high: float) -> Number:
    """Return x held between two limits; NaN stays NaN."""
    if type(x) is float:
        return min(max(x, low), high)  # in this order NaN stays NaN
    return np.clip(x, low, high)


def iterate(
    step: Callable[[tuple[Number, ...]], tuple[tuple[Number, ...], Number]],
    state: tuple[Number, ...],
    *,
    tolerance: float,
    most: int,
) -> tuple[Number, ...]:
    """Repeat `step` until its move is within `tolerance`, each row for itself.

    A row takes the step that was within tolerance and then stays as it is, whatever its neighbours
    still need; NaN stops at once.
    """
    state, move = step(state)
    if type(move) is float:
        for _ in range(most):
            if not magnitude(move) > tolerance:
                break
            state, move = step(state)
            assert type(move) is float  # noqa: S101 - a scalar start stays scalar; tells mypy
        return state
    running = np.asarray(magnitude(move) > tolerance)
    for _ in range(most):
        if not np.any(running):
            break
        further, move = step(state)
        state = tuple(np.where(running, new, old) for new, old in zip(further, state, strict=True))
        running = running & (magnitude(move) > tolerance)
    return state


def by_rows(kernel: Callable[..., tuple[Number, ...]], *values: Number) -> tuple[Number, ...]:
    """Run a kernel over scalars or over arrays that broadcast together, a block of rows at a time."""
    if all(type(value) is float for value in values):
        return kernel(*values)
    try:
        shape = np.broadcast_shapes(*(np.shape(value) for value in values))
    except ValueError as error:
        shapes = ", ".join(str(np.shape(value)) for value in values if np.ndim(value))
        raise DomainError(
            f"arrays of shapes {shapes} do not go together",
            hint="give scalars, or arrays of one shape (numpy broadcasting applies)",
        ) from error
    columns = [
        value if isinstance(value, float) else np.ascontiguousarray(np.broadcast_to(value, shape)).ravel()
        for value in values
    ]
    size = math.prod(shape)
    results: list[NDArray[np.float64]] = []
    for first in range(0, max(size, 1), ROWS_AT_ONCE):
        rows = slice(first, first + ROWS_AT_ONCE)
        parts = kernel(*(column if isinstance(column, float) else column[rows] for column in columns))
        results = results or [np.empty(size) for _ in parts]
        for result, part in zip(results, parts, strict=True):
            result[rows] = part
    return tuple(result.reshape(shape) for result in results)


def admit(
    value: object, name: str, unit: str, low: float, high: float, on_invalid: OnInvalid = "raise"
) -> Number:
    """Return a value as `Number` once it is known to lie in its range.

    Parameters
    ----------
    value : array_like
        A scalar, or an array of any shape.
    name, unit : str
        How the message names the argument and its unit.
    low, high : float
        The range, both ends included.
    on_invalid : {"raise", "nan"}
        Raise, or put NaN where the value is out of range or not a number.

    Raises
    ------
    DomainError
        If a value is not a number or lies outside the range.
    """
    if isinstance(value, float) and low <= value <= high:
        return float(value)
    try:
        array = np.asarray(value, np.float64)
    except (TypeError, ValueError) as error:
        raise DomainError(
            f"{name} is not a number or an array of numbers: {value!r}",
            hint=f"give {name} in {_with_unit(low, high, unit)}",
        ) from error
    good = (array >= low) & (array <= high)
    if not np.all(good):
        if on_invalid == "raise":
            raise DomainError(
                _complaint(array, good, name, unit, low, high),
                hint='use a value in the range, or on_invalid="nan" where a stream may carry bad rows',
            )
        if on_invalid != "nan":
            raise DomainError(f"on_invalid = {on_invalid!r} is not known", hint='use "raise" or "nan"')
        array = np.where(good, array, np.nan)
    return float(array) if array.ndim == 0 else array


def _complaint(
    array: NDArray[np.float64], good: NDArray[np.bool_], name: str, unit: str, low: float, high: float
) -> str:
    bad = np.flatnonzero(~good)
    first = array.ravel()[bad[0]]
    place = "" if array.ndim == 0 else f" (row {bad[0]} of {array.size}, {len(bad)} such)"
    shown = f"{first:g} {unit}".rstrip()
    return f"{name} = {shown}{place} is outside {_with_unit(low, high, unit)}"


def _with_unit(low: float, high: float, unit: str) -> str:
    return f"{low:g}..{high:g} {unit}".rstrip()


def admit_temperature(value: ArrayLike, on_invalid: OnInvalid = "raise") -> Number:
    """Return a temperature of liquid water, 0..100 °C."""
    return admit(value, "temperature_c", "°C", 0.0, 100.0, on_invalid)


def admit_ph(value: ArrayLike, on_invalid: OnInvalid = "raise") -> Number:
    """Return a pH, 3..11."""
    return admit(value, "ph", "", 3.0, 11.0, on_invalid)


def admit_conductivity(value: ArrayLike, on_invalid: OnInvalid = "raise") -> Number:
    """Return a conductivity, 0..1000 µS/cm."""
    return admit(value, "conductivity_us_cm", "µS/cm", 0.0, 1000.0, on_invalid)


def crossing(f: Callable[[Number], Number], low: Number, high: Number) -> Number:
    """Return where an f that changes sign once between `low` and `high` is zero, each row for itself.

    Ridders' method: the bracket at least halves with every step. Where f does not change sign, the end
    at which it is nearer to zero is returned.
    """
    f_low, f_high = f(low), f(high)
    no_change = (f_low > 0.0) == (f_high > 0.0)
    end = where(magnitude(f_low) <= magnitude(f_high), low, high)

    def step(state: tuple[Number, ...]) -> tuple[tuple[Number, ...], Number]:
        x_1, f_1, x_2, f_2, best = state
        x_3 = 0.5 * (x_1 + x_2)
        f_3 = f(x_3)
        # The smallest float keeps the quotient finite once a value is exactly zero.
        scale = sqrt(magnitude(f_3 * f_3 - f_1 * f_2)) + 1e-300
        x_4 = x_3 + (x_3 - x_1) * where(f_1 > f_2, 1.0, -1.0) * (f_3 / scale)
        f_4 = f(x_4)
        low_x, low_f, high_x, high_f = _ordered(x_3, f_3, x_4, f_4)
        left, middle = _differ(f_1, low_f), _differ(low_f, high_f)
        new_1 = where(left, x_1, where(middle, low_x, high_x))
        new_f1 = where(left, f_1, where(middle, low_f, high_f))
        new_2 = where(left, low_x, where(middle, high_x, x_2))
        new_f2 = where(left, low_f, where(middle, high_f, f_2))
        return (new_1, new_f1, new_2, new_f2, x_4), magnitude(x_4 - best)

    found = iterate(step, (low, f_low, high, f_high, low), tolerance=1e-14, most=60)[-1]
    return where(no_change, end, found)


def _ordered(x_a: Number, f_a: Number, x_b: Number, f_b: Number) -> tuple[Number, Number, Number, Number]:
    swap = x_a > x_b
    return where(swap, x_b, x_a), where(swap, f_b, f_a), where(swap, x_a, x_b), where(swap, f_a, f_b)


def _differ(f_a: Number, f_b: Number) -> Mask:
    return (f_a > 0.0) != (f_b > 0.0)
