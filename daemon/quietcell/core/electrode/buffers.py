"""Buffers: what pH a bottle has at the temperature it is used at, how well that is known, from whom.

Three published sets are built in and always named: ``iupac-2002`` (0 to 50 °C), ``nbs-1962`` (0 to
95 °C) and ``ph-eur-2.2.3`` (15 to 35 °C, two decimals). Any other buffer is described from its own
certificate as a `Buffer` with ``buffer_set="certificate"``. Nothing is guessed: a temperature the
table does not reach is an error.

Between table points the value follows a cubic that takes its slope at each point from the parabola
through the point and its neighbours. Table points come back exactly; between them the curve is
within 0.002 of the published tables even where these step by 10 °C.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from types import MappingProxyType
from typing import overload

import numpy as np
from numpy.typing import ArrayLike

from quietcell.core.electrode import buffer_tables
from quietcell.core.electrode.domain import (
    PH_RANGE,
    TEMPERATURE_RANGE_C,
    Quantity,
    number,
    plain,
    within,
)
from quietcell.errors import DomainError

CERTIFICATE = "certificate"
"""Set of a buffer described by its own certificate."""
BOTTLE_STANDARD_UNCERTAINTY_PH = 0.02 / math.sqrt(3.0)
"""A bottle labelled within 0.02 pH, taken as a rectangle (GUM 4.3.7); common practice, no source."""
LARGEST_PH_PER_C = ((6.0, 0.0022), (8.0, 0.0028), (11.0, 0.0096), (math.inf, 0.034))
"""Up to a pH, the largest change with temperature of the buffers of Ph. Eur. 2.2.3, pH per °C."""
UNCERTAINTY_SPAN_PH = (0.0, 0.5)
"""A buffer known worse than this is no buffer."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Buffer:
    """One buffer: pH by temperature, its uncertainty, and the bottle it came from.

    Parameters
    ----------
    name : str
        What it is called, such as ``phosphate``.
    buffer_set : str
        The published set, or ``certificate``.
    temperatures_c : tuple of float
        Temperatures of the table, rising, within 0 to 100 °C.
    values_ph : tuple of float
        pH at those temperatures.
    standard_uncertainty_ph : float
        Standard uncertainty of the value, 0 to 0.5 pH. A certificate that states U with k = 2 gives
        U / 2; one that states bounds of +-a gives a / sqrt(3).
    beyond_c : float
        How far beyond the first and last temperature the table may be continued along its end slope
        (constant for a single value). 0 unless whoever describes the buffer decides otherwise.
    lot : str
        Lot of the bottle; empty when not known.
    expires : date, optional
        Last day of use of the bottle.

    Raises
    ------
    DomainError
        Table empty, of unequal lengths, not rising, or a value out of range.

    Examples
    --------
    A buffer from its certificate, U = 0.02 with k = 2:

    >>> own = Buffer(
    ...     name="near-neutral",
    ...     buffer_set=CERTIFICATE,
    ...     temperatures_c=(20.0, 25.0, 30.0),
    ...     values_ph=(7.02, 7.00, 6.99),
    ...     standard_uncertainty_ph=0.01,
    ...     lot="M-117",
    ... )
    >>> own.ph(25.0)
    7.0
    """

    name: str
    buffer_set: str
    temperatures_c: tuple[float, ...]
    values_ph: tuple[float, ...]
    standard_uncertainty_ph: float
    beyond_c: float = 0.0
    lot: str = ""
    expires: date | None = None

    def __post_init__(self) -> None:
        """Refuse a table that cannot be read one way only."""
        temperatures = within("temperatures_c", self.temperatures_c, "°C", TEMPERATURE_RANGE_C)
        values = within("values_ph", self.values_ph, "", PH_RANGE)
        if temperatures.ndim != 1 or temperatures.shape != values.shape or not temperatures.size:
            raise DomainError(
                f"{temperatures.size} temperatures and {values.size} values",
                subject=f"buffer {self.name}",
                hint="Give one pH for each temperature of the certificate, at least one",
            )
        if np.any(np.diff(temperatures) <= 0.0):
            raise DomainError(
                f"temperatures {self.temperatures_c} °C do not rise",
                subject=f"buffer {self.name}",
                hint="List each temperature once, lowest first",
            )
        number("standard_uncertainty_ph", self.standard_uncertainty_ph, "", UNCERTAINTY_SPAN_PH)
        number("beyond_c", self.beyond_c, "°C", (0.0, 10.0))

    @overload
    def ph(self, temperature_c: float) -> float: ...
    @overload
    def ph(self, temperature_c: Quantity) -> Quantity: ...
    def ph(self, temperature_c: ArrayLike) -> float | Quantity:
        """Return the pH of the buffer at a temperature.

        Parameters
        ----------
        temperature_c : float or array of any shape
            Temperature of the buffer, inside the table.

        Returns
        -------
        float or array
            pH, same shape.

        Raises
        ------
        DomainError
            Temperature outside the table, with the table's range.

        Examples
        --------
        >>> [round(buffer("iupac-2002", n).ph(25.0), 3) for n in ("phthalate", "phosphate", "borax")]
        [4.005, 6.865, 9.18]
        """
        return plain(self._hermite(self._inside(temperature_c))[0])

    @overload
    def ph_per_c(self, temperature_c: float) -> float: ...
    @overload
    def ph_per_c(self, temperature_c: Quantity) -> Quantity: ...
    def ph_per_c(self, temperature_c: ArrayLike) -> float | Quantity:
        """Return how the buffer's pH moves with temperature, pH per °C.

        Parameters, errors and shapes as for `ph`.

        Examples
        --------
        >>> round(buffer("iupac-2002", "borax").ph_per_c(25.0), 4)
        -0.0086
        """
        return plain(self._hermite(self._inside(temperature_c))[1])

    def standard_uncertainty_at(self, temperature_c: float) -> float:
        """Return the standard uncertainty of the pH at a temperature.

        A single value tells nothing of other temperatures: there the largest change with temperature of
        such buffers is a bound, taken as a rectangle (GUM 4.3.7).

        Parameters
        ----------
        temperature_c : float
            Temperature of the buffer.

        Examples
        --------
        >>> own = Buffer(
        ...     name="alkaline",
        ...     buffer_set=CERTIFICATE,
        ...     temperatures_c=(25.0,),
        ...     values_ph=(10.0,),
        ...     standard_uncertainty_ph=0.01,
        ...     beyond_c=5.0,
        ... )
        >>> own.standard_uncertainty_at(25.0), round(own.standard_uncertainty_at(20.0), 3)
        (0.01, 0.029)
        """
        if len(self.values_ph) > 1:
            return self.standard_uncertainty_ph
        ph_per_c = next(size for up_to, size in LARGEST_PH_PER_C if self.values_ph[0] <= up_to)
        away_c = temperature_c - self.temperatures_c[0]
        return math.hypot(self.standard_uncertainty_ph, ph_per_c * away_c / math.sqrt(3.0))

    def _inside(self, temperature_c: ArrayLike) -> Quantity:
        span = (self.temperatures_c[0] - self.beyond_c, self.temperatures_c[-1] + self.beyond_c)
        return within(f"temperature_c of buffer {self.name} ({self.buffer_set})", temperature_c, "°C", span)

    def _hermite(self, at: Quantity) -> tuple[Quantity, Quantity]:
        """Evaluate the cubic and its derivative; beyond the ends the straight end slope."""
        x, y = np.asarray(self.temperatures_c), np.asarray(self.values_ph)
        if x.size == 1:
            return np.full(at.shape, y[0]), np.zeros(at.shape)
        slopes = _point_slopes(x, y)
        inside = np.clip(at, x[0], x[-1])
        left = np.clip(np.searchsorted(x, inside, side="right") - 1, 0, x.size - 2)
        width = x[left + 1] - x[left]
        u = (inside - x[left]) / width
        rise = y[left + 1] - y[left]
        first, last = slopes[left] * width, slopes[left + 1] * width
        bend, twist = 3.0 * rise - 2.0 * first - last, first + last - 2.0 * rise
        derivative = (first + u * (2.0 * bend + 3.0 * u * twist)) / width
        value = y[left] + u * (first + u * (bend + u * twist))
        # The last table point is the right end of its interval, where rounding would show.
        value = np.where(inside == x[-1], y[-1], value)
        return value + derivative * (at - inside), derivative


@dataclass(frozen=True, slots=True, kw_only=True)
class BufferSet:
    """A published set of buffers.

    Parameters
    ----------
    name : str
        Key of the set, as calibrations record it.
    source : str
        Where the values were published.
    table_standard_uncertainty_ph : float
        Standard uncertainty of the published values themselves.
    tables : mapping
        Buffer name to temperatures in °C and pH at each of them.
    """

    name: str
    source: str
    table_standard_uncertainty_ph: float
    tables: Mapping[str, tuple[tuple[float, ...], tuple[float, ...]]]


BUFFER_SETS: Mapping[str, BufferSet] = MappingProxyType(
    {
        one.name: one
        for one in (
            BufferSet(
                name="iupac-2002",
                source="Buck et al., Pure Appl. Chem. 74 (2002) 2169",
                table_standard_uncertainty_ph=0.0015,  # of a primary value, from memory
                tables=MappingProxyType(buffer_tables.IUPAC_2002),
            ),
            BufferSet(
                name="nbs-1962",
                source="Bates, J. Res. NBS 66A (1962) 179",
                table_standard_uncertainty_ph=0.0025,  # stated as 0.005, from memory; read as k = 2
                tables=MappingProxyType(buffer_tables.NBS_1962),
            ),
            BufferSet(
                name="ph-eur-2.2.3",
                source="European Pharmacopoeia, general chapter 2.2.3",
                table_standard_uncertainty_ph=0.005 / math.sqrt(3.0),  # rounding to two decimals
                tables=MappingProxyType(buffer_tables.PH_EUR_2_2_3),
            ),
        )
    }
)
"""The built-in sets by name."""


def buffer(
    set_name: str,
    buffer_name: str,
    *,
    bottle_standard_uncertainty_ph: float = BOTTLE_STANDARD_UNCERTAINTY_PH,
    lot: str = "",
    expires: date | None = None,
) -> Buffer:
    """Return a buffer of a published set, as a bottle of it stands on the bench.

    Parameters
    ----------
    set_name : str
        ``iupac-2002``, ``nbs-1962`` or ``ph-eur-2.2.3``.
    buffer_name : str
        A buffer of that set, such as ``phthalate``.
    bottle_standard_uncertainty_ph : float
        How far the bottle may be from the published value, as a standard uncertainty; added in
        square to that of the table. The default stands for a label of +-0.02 pH.
    lot : str
        Lot of the bottle; empty when not known.
    expires : date, optional
        Last day of use.

    Returns
    -------
    Buffer
        Values by temperature with set, lot and expiry.

    Raises
    ------
    DomainError
        Unknown set or buffer, with the names that exist; uncertainty out of range.

    Examples
    --------
    >>> phosphate = buffer("iupac-2002", "phosphate", lot="M-204")
    >>> phosphate.ph(25.0), round(phosphate.standard_uncertainty_ph, 4)
    (6.865, 0.0116)
    """
    chosen = BUFFER_SETS.get(set_name)
    if chosen is None:
        raise DomainError(
            f"no buffer set {set_name!r}", subject="set_name", hint=f"Sets: {', '.join(BUFFER_SETS)}"
        )
    table = chosen.tables.get(buffer_name)
    if table is None:
        raise DomainError(
            f"no buffer {buffer_name!r} in set {set_name}",
            subject="buffer_name",
            hint=f"Buffers: {', '.join(chosen.tables)}",
        )
    bottle = number("bottle_standard_uncertainty_ph", bottle_standard_uncertainty_ph, "", UNCERTAINTY_SPAN_PH)
    return Buffer(
        name=buffer_name,
        buffer_set=set_name,
        temperatures_c=table[0],
        values_ph=table[1],
        standard_uncertainty_ph=math.hypot(chosen.table_standard_uncertainty_ph, bottle),
        lot=lot,
        expires=expires,
    )


def _point_slopes(x: Quantity, y: Quantity) -> Quantity:
    """Return the slope at each table point from the parabola through it and its neighbours."""
    width, chord = np.diff(x), np.diff(y) / np.diff(x)
    if x.size == 2:
        return np.repeat(chord, 2)
    inner = (width[1:] * chord[:-1] + width[:-1] * chord[1:]) / (width[:-1] + width[1:])
    # One-sided derivatives of the end parabolas.
    first = 2.0 * chord[0] - inner[0]
    last = 2.0 * chord[-1] - inner[-1]
    return np.concatenate(([first], inner, [last]))
