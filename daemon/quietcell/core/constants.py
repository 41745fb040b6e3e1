"""Physical constants of the core: each with its value, its unit in the name, and its source.

The fixed constants of the SI (CODATA 2018, exact by definition) stand here. Equilibrium constants, conductances and
other quantities that depend on temperature live beside the functions that evaluate them.
"""

from __future__ import annotations

from typing import Final

GAS_CONSTANT_J_MOL_K: Final = 8.314462618
"""Molar gas constant R, J/(mol K). CODATA 2018: 8.314 462 618..., exact."""

FARADAY_C_MOL: Final = 96485.33212
"""Faraday constant F, C/mol. CODATA 2018: 96 485.332 12..., exact."""

ZERO_CELSIUS_K: Final = 273.15
"""Zero of the Celsius scale, K. Exact by definition (BIPM, SI brochure, 9th edition, section 2.3.1)."""
