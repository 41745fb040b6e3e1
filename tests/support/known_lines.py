"""A calibration line, what little is known of it, and the same known exactly."""

from quietcell.core.electrode.known_line import KnownLine
from quietcell.core.electrode.nernst import Line

LINE = Line(slope_pct=98.0, zero_mv=5.0)
KNOWN = KnownLine.from_figures(LINE, age_d=0.0, temperature_c=25.0)
EXACT = KnownLine.from_figures(
    LINE,
    slope_standard_uncertainty_pct=0.0,
    zero_standard_uncertainty_mv=0.0,
    isopotential_standard_uncertainty_ph=0.0,
    age_d=0.0,
    temperature_c=25.0,
)
