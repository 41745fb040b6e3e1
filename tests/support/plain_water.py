"""Water chemistry of its own, apart from the core: ions by Newton's rule, hydration step by step.

Constants: ion product of IAPWS R11-24, carbonate of Plummer and Busenberg 1982, ammonia of Bates and
Pinching, conductances of McCleskey 2011 (H+, OH-, Na+, Cl-, HCO3-, NH4+), hydration of Pinsent et al.
1956; the last one's activation energy, 60 kJ/mol, is from memory. All are fits by this file's own hands
to those tables, so that no slip of the core can hide in both.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_T_C = np.arange(0.0, 101.0, 10.0)
_PKW = np.array(
    [14.9465, 14.5336, 14.1645, 13.8330, 13.5343, 13.2646, 13.0206, 12.7997, 12.5995, 12.4181, 12.2538]
)
_PKA = (
    [0.0, 10.0, 20.0, 25.0, 30.0, 40.0, 50.0, 90.0],
    [10.0841, 9.7297, 9.4003, 9.2442, 9.0935, 8.8070, 8.5390, 7.60],
)
_PKW_FIT = np.polynomial.Polynomial.fit(1.0 / (_T_C + 273.15), _PKW, 4)
_PKA_FIT = np.polynomial.Polynomial.fit(1.0 / (np.array(_PKA[0]) + 273.15), np.array(_PKA[1]), 2)
_LAMBDA = {
    "h": (-0.01414, 5.355, 224.2),
    "oh": (0.003396, 2.925, 121.3),
    "na": (0.003763, 0.877, 26.23),
    "cl": (0.003817, 1.337, 40.99),
    "nh4": (0.003341, 1.285, 39.04),
    "hco3": (0.000614, 0.9048, 21.14),
    "co3": (-0.000326, 2.998, 64.03),
}


@dataclass(frozen=True, slots=True)
class Ions:
    """What is dissolved, mol/kg; arrays of one length."""

    acid: Array
    base: Array
    salt: Array
    ammonia: Array


@dataclass(frozen=True, slots=True)
class Constants:
    """Equilibrium constants and hydration rate over a series of temperatures."""

    kw: Array
    k1: Array
    k2: Array
    ka: Array
    per_s: Array

    @classmethod
    def at(cls, t_c: Array) -> "Constants":
        """Return the constants at temperatures, °C."""
        k = t_c + 273.15

        def plummer(a: float, b: float, c: float, d: float, e: float) -> Array:
            return np.asarray(10.0 ** (a + b * k + c / k + d * np.log10(k) + e / k**2))

        return cls(
            kw=np.asarray(10.0 ** -_PKW_FIT(1.0 / k)),
            k1=plummer(-356.3094, -0.06091964, 21834.37, 126.8339, -1684915.0),
            k2=plummer(-107.8871, -0.03252849, 5151.79, 38.92561, -563713.9),
            ka=np.asarray(10.0 ** -_PKA_FIT(1.0 / k)),
            per_s=np.asarray(0.03 * np.exp(-60e3 / 8.314 * (1.0 / k - 1.0 / 298.15))),
        )


def _hydrogen(ions: Ions, k: Constants, total: Array, hydrated: Array | None) -> Array:
    """Return H+ of settled carbonate, or of so much hydrated carbonate that takes no more up."""
    low, high = np.full(len(total), -13.5), np.full(len(total), -2.0)
    for _ in range(44):
        middle = 0.5 * (low + high)
        h = 10.0**middle
        if hydrated is None:
            parts = 1.0 + h / k.k1 + k.k2 / h
            carbonate = total / parts * (1.0 + 2.0 * k.k2 / h)
        else:
            carbonate = hydrated * (1.0 + 2.0 * k.k2 / h) / (1.0 + k.k2 / h)
        charge = h + ions.base + ions.ammonia * h / (h + k.ka) - k.kw / h - carbonate - ions.acid
        low, high = np.where(charge < 0.0, middle, low), np.where(charge < 0.0, high, middle)
    return np.asarray(10.0 ** (0.5 * (low + high)))


def reads(ions: Ions, t_c: Array, settled: Array, young: Array, age_s: Array) -> tuple[Array, Array]:
    """Return pH and conductivity (µS/cm at temperature).

    Parameters
    ----------
    settled, young
        Carbonate that came to rest long ago, and CO2 that entered `age_s` ago, mol/kg.
    """
    k = Constants.at(t_c)
    h = _hydrogen(ions, k, settled, None)
    free = settled / (1.0 + k.k1 / h + k.k1 * k.k2 / h**2)
    hydrated = settled - free
    if young.max() > 0.0:
        free = free + young
        h = _hydrogen(ions, k, settled + young, None)
        most = (settled + young) * (1.0 - 1.0 / (1.0 + k.k1 / h + k.k1 * k.k2 / h**2))
        edges = np.concatenate([[0.0], np.geomspace(0.02, 1.0, 15)])
        for step in np.diff(edges):
            h = _hydrogen(ions, k, hydrated, hydrated)
            bicarbonate = hydrated / (1.0 + k.k2 / h)
            oh = k.kw / h
            forth = k.per_s + 8.4e3 * np.exp(-2895.0 * 2.303 * (1.0 / (t_c + 273.15) - 1 / 298.15)) * oh
            # The step's end is where forth and back would balance, approached exponentially.
            back = forth * h / k.k1
            rate = forth + back
            rest = (back * (bicarbonate + free)) / rate
            moved = (free - rest) * (1.0 - np.exp(-rate * step * age_s))
            moved = np.minimum(moved, np.maximum(most - hydrated, 0.0))
            free, hydrated = free - moved, hydrated + moved
        h = _hydrogen(ions, k, hydrated, hydrated)
    bicarbonate = hydrated / (1.0 + k.k2 / h)
    of = {name: a * t_c**2 + b * t_c + c for name, (a, b, c) in _LAMBDA.items()}
    sum_up = (
        of["h"] * h
        + of["oh"] * k.kw / h
        + of["na"] * (ions.base + ions.salt)
        + of["cl"] * (ions.acid + ions.salt)
        + of["nh4"] * ions.ammonia * h / (h + k.ka)
        + of["hco3"] * bicarbonate
        + of["co3"] * (hydrated - bicarbonate)
    )
    density = 1.0 - 4.8e-6 * (t_c - 4.0) ** 2
    return np.asarray(-np.log10(h)), np.asarray(1000.0 * density * sum_up)
