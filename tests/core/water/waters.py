"""Waters for tests."""

from dataclasses import replace

from numpy.typing import ArrayLike

from quietcell.core.water import Composition


def holding(background: Composition, solute: str, amount_mol_kg: ArrayLike) -> Composition:
    """Return a background with an amount of one solute in place of its own."""
    field = {f"{solute}_mol_kg": amount_mol_kg}
    return replace(background, **field)  # type: ignore[arg-type]  # the field is named at run time
