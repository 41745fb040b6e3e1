"""Water as a solvent at atmospheric pressure: density, permittivity, viscosity, and what follows from them.

From permittivity and viscosity follow the Debye-Hückel slope (activity of ions) and the two Onsager
coefficients (how ions slow each other down in conduction).
"""

from typing import Final

from numpy.typing import ArrayLike

from quietcell.core.constants import LN10, ZERO_CELSIUS_K
from quietcell.core.water._elementwise import Number, OnInvalid, admit_temperature, by_rows, exp, log, sqrt

_DAVIES_LINEAR: Final = 0.3


def density_kg_l(temperature_c: ArrayLike, *, on_invalid: OnInvalid = "raise") -> Number:
    """Return the density of air-free water at 0.101325 MPa.

    Parameters
    ----------
    temperature_c : array_like
        Temperature, °C, 0..100.
    on_invalid : {"raise", "nan"}
        Raise for a bad temperature, or give NaN in its place.

    Returns
    -------
    float or ndarray
        Density, kg/L.

    Raises
    ------
    DomainError
        If a temperature is outside 0..100 °C or not a number.

    Notes
    -----
    ``d = (c0 + c1 t + ... + c5 t^5) / (1 + b t)``, valid 0..150 °C; within 0.03 kg/m³ of IAPWS-95 up
    to 100 °C. At 100 °C the liquid is at its saturation pressure, which changes nothing here.

    Source: G. S. Kell, J. Chem. Eng. Data 20 (1975) 97, equation 16.

    Examples
    --------
    >>> round(density_kg_l(25.0), 5)
    0.99704
    """
    return by_rows(lambda t: (density(t),), admit_temperature(temperature_c, on_invalid))[0]


def density(t: Number) -> Number:
    """Return the density of water, kg/L, at t °C; the kernel of `density_kg_l`."""
    rise = t * (-46.170461e-6 + t * (105.56302e-9 + t * -280.54253e-12))
    g_l = 999.83952 + t * (16.945176 + t * (-7.9870401e-3 + rise))
    return 1e-3 * g_l / (1.0 + 16.879850e-3 * t)


def permittivity(t: Number) -> Number:
    """Return the relative permittivity of water at t °C, 0..100.

    Source: C. G. Malmberg, A. A. Maryott, J. Res. NBS 56 (1956) 1.
    """
    return 87.740 + t * (-0.40008 + t * (9.398e-4 + t * -1.410e-6))


def viscosity_mpa_s(t: Number) -> Number:
    """Return the viscosity of water, mPa s, at t °C, 0..100.

    Source: IAPWS SR6-08 (2011), Supplementary Release on Properties of Liquid Water at 0.1 MPa, eq. 7.
    """
    log_ratio = log((t + ZERO_CELSIUS_K) / 300.0)
    terms = 280.68 * exp(-1.9 * log_ratio) + 511.45 * exp(-7.7 * log_ratio)
    return 1e-3 * (terms + 61.131 * exp(-19.6 * log_ratio) + 0.45903 * exp(-40.0 * log_ratio))


def ion_interaction(t: Number, density_kg_l: Number) -> tuple[Number, Number, Number]:
    """Return the Debye-Hückel slope and the Onsager coefficients of relaxation and electrophoresis.

    Parameters
    ----------
    t : float or ndarray
        Temperature, °C.
    density_kg_l : float or ndarray
        Density of water, kg/L.

    Returns
    -------
    slope, relaxation, electrophoresis : float or ndarray
        ``A`` of log10 γ, (kg/mol)^0.5; relative loss of conductance, (L/mol)^0.5; loss of conductance
        of one univalent ion, S cm²/mol (L/mol)^0.5. At 25 °C: 0.511, 0.230, 30.3.

    Notes
    -----
    ``A = 1.8246e6 (ε T)^-1.5 d^0.5``, ``B = 8.204e5 (ε T)^-1.5``, ``E = 41.25 / (η (ε T)^0.5)`` with η
    in poise. Source: R. A. Robinson, R. H. Stokes, Electrolyte Solutions, 2nd edition, chapters 7, 9.
    """
    et = permittivity(t) * (t + ZERO_CELSIUS_K)
    root = sqrt(et)
    inverse = 1.0 / (et * root)
    return (
        1.8246e6 * inverse * sqrt(density_kg_l),
        8.204e5 * inverse,
        41.25 / (0.01 * viscosity_mpa_s(t) * root),
    )


def activity_coefficient(slope: Number, ionic_strength_mol_kg: Number) -> Number:
    """Return the activity coefficient of a univalent ion; its fourth power is that of a divalent one.

    Notes
    -----
    ``log10 γ = -A z² (√I / (1 + √I) - 0.3 I)``, usable to I = 0.1 mol/kg. It moves pH by more than 0.001
    only above I = 4e-6 mol/kg; it is applied everywhere, so that no result steps at a limit.

    Source: C. W. Davies, Ion Association (1962).
    """
    root = sqrt(ionic_strength_mol_kg)
    return exp(-LN10 * slope * (root / (1.0 + root) - _DAVIES_LINEAR * ionic_strength_mol_kg))
