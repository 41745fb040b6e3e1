"""Clean water into which carbon dioxide comes, as the meters of a cell read it."""

import numpy as np

from quietcell.core.readings import ReadingBlock
from quietcell.core.settings import CellSettings
from quietcell.core.water.speciation import Composition, conductivity_us_cm, solve_ph

CO2_UG_PER_MOL = 44.0095e6


def leaking(seconds: int, settings: CellSettings, *, from_s: int = 0, seed: int = 1) -> ReadingBlock:
    """One reading a second: 2 µg/L of carbon dioxide, 42 from a second on."""
    rng = np.random.default_rng(seed)
    co2 = np.where(np.arange(seconds) < from_s, 2.0, 42.0) / CO2_UG_PER_MOL
    water = Composition(total_carbonate_mol_kg=co2, neutral_salt_mol_kg=2e-8)
    ph = np.asarray(solve_ph(water, 21.0))
    return ReadingBlock.from_columns(
        ms=np.arange(seconds) * 1000 + rng.integers(100, 900, seconds),
        mv=np.round(np.asarray(settings.line.mv(ph, 21.0)) + rng.normal(0, 0.02, seconds), 2),
        temperature_c=np.full(seconds, 21.0),
        conductivity_us_cm=np.round(
            np.asarray(conductivity_us_cm(water, 21.0)) * (1 + rng.normal(0, 0.002, seconds)), 5
        ),
    )
