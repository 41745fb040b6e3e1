"""What is in the water, from its pH and its conductivity together.

One solute is unknown, the rest (`background`) is known; the unknown's own field of the background is
ignored. Conductivity beside pH is either explained by a neutral salt or weighed against it.
"""

from typing import NamedTuple

from numpy.typing import ArrayLike

from quietcell.core.constants import LN10
from quietcell.core.water._elementwise import (
    Number,
    OnInvalid,
    admit,
    admit_conductivity,
    admit_ph,
    admit_temperature,
    by_rows,
    clip,
    exp,
    iterate,
    log,
    magnitude,
    sqrt,
)
from quietcell.core.water._mixture import Amounts, medium
from quietcell.core.water._unknown import admit_unknown, find
from quietcell.core.water.speciation import PURE_WATER, Composition, Solute, admit_composition

_SALT_PASSES = 8
_SLOPE_STEP = 1e-3
"""Of pH."""


class Fit(NamedTuple):
    """One unknown from pH and conductivity together."""

    amount_mol_kg: Number
    """Best amount of the unknown, mol/kg."""
    amount_u_mol_kg: Number
    """Its standard uncertainty, mol/kg."""
    ph: Number
    """pH of the water with that amount."""
    chi_square: Number
    """Weighted sum of squares left, one degree of freedom: above 3.84 the two do not fit (95 %)."""


def amount_and_salt(
    unknown: Solute,
    ph: ArrayLike,
    conductivity_us_cm: ArrayLike,
    temperature_c: ArrayLike,
    background: Composition = PURE_WATER,
    *,
    on_invalid: OnInvalid = "raise",
) -> tuple[Number, Number]:
    """Return one solute from pH and the neutral salt that explains the conductivity left over.

    Parameters
    ----------
    unknown, ph, temperature_c, background, on_invalid
        As for `inverse_ph.amount_from_ph`; the background's salt is ignored.
    conductivity_us_cm : array_like
        Conductivity at the temperature of the water, µS/cm, 0..1000.

    Returns
    -------
    amount, salt : float or ndarray
        Both mol/kg and signed. A negative salt says that the pH asks for more conductivity than there is.

    Raises
    ------
    DomainError
        As for `inverse_ph.amount_from_ph`.

    Notes
    -----
    ``salt = (κ - κ(pH, amount)) / (1000 d (λ_Na + λ_Cl))``, repeated as the ionic strength follows.

    Source: `speciation.conductivity_us_cm`.

    Examples
    --------
    >>> amount, salt = amount_and_salt("total_carbonate", 6.0, 1.0, 25.0)
    >>> round(1e6 * amount, 2), round(1e6 * salt, 2)
    (3.22, 4.81)
    """
    admit_unknown(unknown)

    def kernel(p: Number, wanted: Number, t: Number, *amounts: Number) -> tuple[Number, Number]:
        m, n = medium(t, background.amine), Amounts(*amounts)
        a = exp(-LN10 * p)
        per_salt = 1000.0 * m.density_kg_l * (m.sodium + m.chloride)
        salt: Number = 0.0
        for _ in range(_SALT_PASSES):
            found = find(m, a, n._replace(salt=salt), unknown)
            salt = salt + (wanted - found.conductivity) / per_salt
        return find(m, a, n._replace(salt=salt), unknown).amount, salt

    p, wanted = admit_ph(ph, on_invalid), admit_conductivity(conductivity_us_cm, on_invalid)
    amounts = admit_composition(background, on_invalid)
    amount, salt = by_rows(kernel, p, wanted, admit_temperature(temperature_c, on_invalid), *amounts)
    return amount, salt


def amount_from_both(
    unknown: Solute,
    ph: ArrayLike,
    conductivity_us_cm: ArrayLike,
    temperature_c: ArrayLike,
    background: Composition = PURE_WATER,
    *,
    ph_u: ArrayLike,
    conductivity_rel_u: ArrayLike,
    on_invalid: OnInvalid = "raise",
) -> Fit:
    """Return one solute from pH and conductivity together, by weighted least squares.

    Parameters
    ----------
    unknown, ph, temperature_c, background, on_invalid
        As for `inverse_ph.amount_from_ph`.
    conductivity_us_cm : array_like
        Conductivity at the temperature of the water, µS/cm, 0..1000.
    ph_u : array_like
        Standard uncertainty of the pH, 1e-4..3.
    conductivity_rel_u : array_like
        Relative standard uncertainty of the conductivity, 1e-4..1.

    Returns
    -------
    Fit
        Amount with its standard uncertainty, the pH that goes with it, and chi square.

    Raises
    ------
    DomainError
        As for `inverse_ph.amount_from_ph`, also for an uncertainty out of range.

    Notes
    -----
    Least ``[(pH - p)/u]² + [ln(κ/κ(p))/u_r]²`` over p by Gauss-Newton steps of at most 0.3, from the
    measured pH; ``u(amount) = |dC/dp| [1/u² + (d ln κ/dp)²/u_r²]^-0.5``. The start decides the side where
    conductivity alone leaves two.

    Source: speciation as in `speciation.speciate`; GUM (JCGM 100), section 5, for the uncertainty.

    Examples
    --------
    >>> fit = amount_from_both("total_carbonate", 6.02, 0.395, 25.0, ph_u=0.03, conductivity_rel_u=0.02)
    >>> round(1e6 * fit.amount_mol_kg, 2), round(1e6 * fit.amount_u_mol_kg, 2), round(fit.chi_square, 1)
    (3.2, 0.11, 0.4)
    """
    admit_unknown(unknown)

    def kernel(
        p_seen: Number, seen: Number, t: Number, u: Number, u_rel: Number, *amounts: Number
    ) -> tuple[Number, ...]:
        m, n = medium(t, background.amine), Amounts(*amounts)
        log_seen = log(seen)

        def at(p: Number) -> tuple[Number, Number]:
            found = find(m, exp(-LN10 * p), n, unknown)
            return log(found.conductivity), found.amount

        def step(state: tuple[Number, ...]) -> tuple[tuple[Number, ...], Number]:
            p = state[0]
            here, amount = at(p)
            (up, more), (down, less) = at(p + _SLOPE_STEP), at(p - _SLOPE_STEP)
            slope = (up - down) / (2.0 * _SLOPE_STEP)
            weight = 1.0 / (u * u) + slope * slope / (u_rel * u_rel)
            pull = (p_seen - p) / (u * u) + slope * (log_seen - here) / (u_rel * u_rel)
            move = clip(pull / weight, -0.3, 0.3)
            chi = ((p_seen - p) / u) * ((p_seen - p) / u) + ((log_seen - here) / u_rel) * (
                (log_seen - here) / u_rel
            )
            spread = magnitude(more - less) / (2.0 * _SLOPE_STEP) / sqrt(weight)
            return (p + move, amount, spread, chi), move

        start = (p_seen, 0.0 * p_seen, 0.0 * p_seen, 0.0 * p_seen)
        p, _, spread, chi = iterate(step, start, tolerance=1e-10, most=60)
        return at(p)[1], spread, p, chi

    p = admit_ph(ph, on_invalid)
    seen = admit(conductivity_us_cm, "conductivity_us_cm", "µS/cm", 1e-3, 1000.0, on_invalid)
    u = admit(ph_u, "ph_u", "", 1e-4, 3.0, on_invalid)
    u_rel = admit(conductivity_rel_u, "conductivity_rel_u", "", 1e-4, 1.0, on_invalid)
    amounts = admit_composition(background, on_invalid)
    return Fit(*by_rows(kernel, p, seen, admit_temperature(temperature_c, on_invalid), u, u_rel, *amounts))
