"""Chemistry of pure water: what is dissolved, what pH and conductivity it has, and what they allow.

`ion_product`, `solvent`, `carbonate`, `bases`, `conductance` hold the constants; `speciation` goes from
composition to pH and conductivity, `inverse_ph`, `inverse_conductivity` and `inverse_both` back; `hydration`
tells CO2 that has just come in from CO2 that has settled; `limits` bounds pH by conductivity; `reference25`
refers both to 25 °C; `steam_cycle` takes pH from conductivity; `pharmacopoeia` holds conductivity rules as
data.

All functions take scalars (and return a float) or arrays of any shape; a row's result does not depend on
its neighbours, bit for bit. A value out of range raises `DomainError`; with ``on_invalid="nan"`` it gives
NaN in its row, for streams, where the caller flags it.
"""

from quietcell.core.water import (
    bases,
    carbonate,
    conductance,
    hydration,
    inverse_both,
    inverse_conductivity,
    inverse_ph,
    ion_product,
    limits,
    pharmacopoeia,
    reference25,
    solvent,
    speciation,
    steam_cycle,
)
from quietcell.core.water.speciation import PURE_WATER, Composition

__all__ = [
    "PURE_WATER",
    "Composition",
    "bases",
    "carbonate",
    "conductance",
    "hydration",
    "inverse_both",
    "inverse_conductivity",
    "inverse_ph",
    "ion_product",
    "limits",
    "pharmacopoeia",
    "reference25",
    "solvent",
    "speciation",
    "steam_cycle",
]
