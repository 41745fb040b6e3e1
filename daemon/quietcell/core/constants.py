"""Constants of the core that do not depend on temperature: each with value, unit in the name, and source.

Coefficients of an equation stand beside the function that evaluates it.
"""

from typing import Final

GAS_CONSTANT_J_MOL_K: Final = 8.314462618
"""Molar gas constant R, J/(mol K). CODATA 2018: 8.314 462 618..., exact."""

FARADAY_C_MOL: Final = 96485.33212
"""Faraday constant F, C/mol. CODATA 2018: 96 485.332 12..., exact."""

ZERO_CELSIUS_K: Final = 273.15
"""Zero of the Celsius scale, K. Exact by definition (SI brochure, 9th edition, section 2.3.1)."""

REFERENCE_TEMPERATURE_C: Final = 25.0
"""Temperature that pH and conductivity are referred to, °C. Common practice (ASTM D5128, D1125)."""

LN10: Final = 2.302585092994046
"""Natural logarithm of 10, dimensionless, to double precision."""

WATER_MOLAR_MASS_G_MOL: Final = 18.015268
"""Molar mass of water, g/mol, as IAPWS R11-24 uses it."""

CO2_MOLAR_MASS_G_MOL: Final = 44.0095
"""Molar mass of carbon dioxide, g/mol. CIAAW conventional atomic weights C 12.011, O 15.999 (CO2 44.009)."""

NH3_MOLAR_MASS_G_MOL: Final = 17.031
"""Molar mass of ammonia, g/mol. CIAAW conventional atomic weights N 14.007, H 1.008."""

NAOH_MOLAR_MASS_G_MOL: Final = 39.997
"""Molar mass of sodium hydroxide, g/mol. CIAAW atomic weights Na 22.990, O 15.999, H 1.008."""

HCL_MOLAR_MASS_G_MOL: Final = 36.458
"""Molar mass of hydrogen chloride, g/mol. CIAAW conventional atomic weights Cl 35.45, H 1.008."""
