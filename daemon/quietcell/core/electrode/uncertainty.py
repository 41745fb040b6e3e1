"""An uncertainty budget: named components, repeatability and systematic part apart.

After GUM (JCGM 100:2008). Every component has a standard uncertainty in pH. Independent components
add in squares. A component whose errors lie on one side also has a bias, the expected error of the
value; a bias that is not corrected for widens the interval by its size (GUM F.2.4.5):

    U = k u_c + |sum of biases|,  k = 2.

Only the repeatability part becomes smaller when a determination is repeated; everything else is the
same error each time and stays (GUM 3.2.2, 3.2.3 and 4.2.3).
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Literal

from quietcell.core.electrode.domain import number
from quietcell.errors import DomainError

COVERAGE_FACTOR = 2.0
"""k of every expanded uncertainty, about 95 % for a normal distribution (GUM 6.2)."""

Basis = Literal["measured", "stated", "assumed", "not-known"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Component:
    """One line of a budget.

    Parameters
    ----------
    name : str
        What it comes from, such as ``buffers`` or ``junction``.
    standard_uncertainty_ph : float
        Standard uncertainty it gives the value, pH, at least 0.
    bias_ph : float
        Expected error of the value (value minus truth) that is not corrected, pH.
    repeatability : bool
        True when the error is drawn anew with each determination.
    basis : str
        ``measured`` (by this cell), ``stated`` (by whoever configured it), ``assumed`` (an allowance
        nobody measured) or ``not-known`` (contributes nothing because nothing can be said).

    Raises
    ------
    DomainError
        Negative or not finite.
    """

    name: str
    standard_uncertainty_ph: float
    bias_ph: float = 0.0
    repeatability: bool = False
    basis: Basis = "stated"

    def __post_init__(self) -> None:
        """Refuse a width that is none."""
        number(f"standard_uncertainty_ph of {self.name}", self.standard_uncertainty_ph, "pH", (0.0, math.inf))
        number(f"bias_ph of {self.name}", self.bias_ph, "pH")

    @classmethod
    def between(
        cls,
        name: str,
        low_ph: float,
        high_ph: float,
        *,
        basis: Basis = "assumed",
        repeatability: bool = False,
    ) -> "Component":
        """Describe an error of which only bounds are known, as a rectangle (GUM 4.3.7).

        Parameters
        ----------
        name : str
            What it comes from.
        low_ph, high_ph : float
            Bounds of the error (value minus truth), pH; both on one side give a bias.
        basis, repeatability
            As for the class.

        Raises
        ------
        DomainError
            Not finite, or bounds the wrong way round.

        Examples
        --------
        >>> one_sided = Component.between("junction", 0.0, 0.1)
        >>> round(one_sided.bias_ph, 3), round(one_sided.standard_uncertainty_ph, 4)
        (0.05, 0.0289)
        """
        low = number(f"low_ph of {name}", low_ph, "pH")
        high = number(f"high_ph of {name}", high_ph, "pH", (low, math.inf))
        return cls(
            name=name,
            standard_uncertainty_ph=(high - low) / math.sqrt(12.0),
            bias_ph=(low + high) / 2.0,
            basis=basis,
            repeatability=repeatability,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """A pH with everything that is uncertain about it.

    Parameters
    ----------
    ph : float
        The value to report; a measured low-ionic bias is already taken off, with its sign.
    components : tuple of Component
        Independent of each other, in a fixed order.

    Examples
    --------
    >>> budget = Budget(
    ...     ph=6.95,
    ...     components=(
    ...         Component(name="buffers", standard_uncertainty_ph=0.0051),
    ...         Component(name="repeatability", standard_uncertainty_ph=0.0051, repeatability=True),
    ...     ),
    ... )
    >>> round(budget.expanded_uncertainty_ph, 4)
    0.0144
    >>> round(budget.averaged(100).expanded_uncertainty_ph, 4)
    0.0103
    """

    ph: float
    components: tuple[Component, ...]

    @property
    def repeatability_ph(self) -> float:
        """Standard uncertainty from what differs between repeated determinations, pH."""
        return _root_sum(c.standard_uncertainty_ph for c in self.components if c.repeatability)

    @property
    def systematic_ph(self) -> float:
        """Standard uncertainty from what is the same in every determination, pH."""
        return _root_sum(c.standard_uncertainty_ph for c in self.components if not c.repeatability)

    @property
    def standard_uncertainty_ph(self) -> float:
        """Combined standard uncertainty, pH, without the bias."""
        return math.hypot(self.repeatability_ph, self.systematic_ph)

    @property
    def bias_ph(self) -> float:
        """Expected error of `ph` that is not corrected, pH."""
        return math.fsum(c.bias_ph for c in self.components)

    @property
    def expanded_uncertainty_ph(self) -> float:
        """U with k = 2, pH: `ph` +- U holds the truth also when errors lie on one side."""
        return COVERAGE_FACTOR * self.standard_uncertainty_ph + abs(self.bias_ph)

    @property
    def low_ph(self) -> float:
        """Lower end of the interval that is narrower than +-U when errors lie on one side."""
        return self.ph - self.bias_ph - COVERAGE_FACTOR * self.standard_uncertainty_ph

    @property
    def high_ph(self) -> float:
        """Upper end of that interval."""
        return self.ph - self.bias_ph + COVERAGE_FACTOR * self.standard_uncertainty_ph

    @property
    def assumed(self) -> tuple[str, ...]:
        """Names of the components that rest on an allowance nobody measured."""
        return tuple(c.name for c in self.components if c.basis == "assumed")

    @property
    def not_known(self) -> tuple[str, ...]:
        """Names of the influences about which nothing can be said; they are not in U."""
        return tuple(c.name for c in self.components if c.basis == "not-known")

    def component(self, name: str) -> Component:
        """Return the component of that name; a DomainError lists the names when there is none."""
        for one in self.components:
            if one.name == name:
                return one
        raise DomainError(
            f"no component {name!r}", subject="name", hint=f"Components: {', '.join(self._names())}"
        )

    def averaged(self, determinations: int) -> "Budget":
        """Return the budget of a mean of like determinations: only repeatability becomes smaller.

        Parameters
        ----------
        determinations : int
            How many were averaged, at least 1.

        Raises
        ------
        DomainError
            Fewer than one.
        """
        number("determinations", determinations, "", (1.0, math.inf))
        shrink = 1.0 / math.sqrt(determinations)
        return replace(
            self,
            components=tuple(
                replace(c, standard_uncertainty_ph=c.standard_uncertainty_ph * shrink)
                if c.repeatability
                else c
                for c in self.components
            ),
        )

    def _names(self) -> list[str]:
        return [c.name for c in self.components]


def _root_sum(values: Iterable[float]) -> float:
    return math.sqrt(math.fsum(value * value for value in values))
