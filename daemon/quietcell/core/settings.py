"""What the engine of a cell needs to know about it, free of files and drivers."""

from collections.abc import Callable
from dataclasses import asdict, dataclass, fields
from typing import Any, Literal

from quietcell.core.electrode.influences import LowIonicCheck
from quietcell.core.electrode.known_line import LineError
from quietcell.core.electrode.nernst import Line, nernst_factor_mv
from quietcell.core.endpoint.criterion import SHIPPED, Criterion
from quietcell.core.records import GrabSample, Json
from quietcell.errors import DomainError

Position = Literal["upstream", "downstream", "same", "separate-portion"]
"""Where the conductivity cell sits, seen from the electrode."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CellSettings:
    """Settings of one cell's engine; part of the record, so that anyone can recompute."""

    cell: str
    criterion_name: str
    criterion: Criterion
    line: Line
    """Electrode potential to pH, from the calibration in force."""
    mode: Literal["continuous", "on-request"] = "continuous"
    every_s: float = 600.0
    """Continuous mode: time from the beginning of one determination to the next, s."""
    calibrated: bool = True
    """False while there is no calibration: the line is then theory's, and nothing is accepted."""
    buffer_criterion_name: str = "buffer"
    buffer_criterion: Criterion = SHIPPED["buffer"]
    """When a buffer counts as having come to rest."""
    calibration_id: str | None = None
    """Of the calibration record; None for a calibration fixed in the configuration."""
    calibrated_utc_ms: int | None = None
    calibration_expires_utc_ms: int | None = None
    """From then on nothing is accepted; None is not checked, and not known of one that is fixed."""
    bracket_ph: tuple[float, float] | None = None
    """Lowest and highest buffer; None is not known and not checked."""
    slope_uncertainty_pct: float | None = None
    """Expanded (k = 2), % of theory; None is not known."""
    zero_uncertainty_mv: float | None = None
    """Expanded (k = 2), mV; None is not known."""
    calibration_errors: tuple[LineError, ...] | None = None
    """Errors of the line by source, which take the place of the two figures above; None is not known."""
    calibration_temperature_c: float | None = None
    calibration_buffers: tuple[str, ...] = ()
    """Buffers with their lots, in words."""
    failed_check_id: str | None = None
    """Of the last check record since the calibration, if it failed; nothing is accepted then."""
    low_ionic: LowIonicCheck | None = None
    """Bias in water of low ionic strength, where it was measured."""
    low_ionic_id: str | None = None
    """Of its check record."""
    low_ionic_at: str | None = None
    water_model: str = "carbonate"
    """What is taken to be dissolved when a pH is referred to 25 °C."""
    conductivity_position: Position | None = None
    """None is not declared."""
    hold_up_ml: float | None = None
    """Volume from sample point to electrode, mL."""
    reference_outflow_ul_h: float | None = None
    """Electrolyte that leaves the reference electrode, µL/h."""
    conductivity_uncertainty_pct: float = 2.0
    """Expanded (k = 2), % of the value."""
    temperature_uncertainty_c: float = 0.2
    """Expanded (k = 2), °C."""
    sample_point: str | None = None
    electrode: str | None = None
    meter: str | None = None
    kcl_adjusted: bool = False
    """Potassium chloride is added to the samples, so that conductivity says nothing about their pH."""
    ph_decimals: int = 2
    """Decimals of the reported pH."""

    def mv_per_ph(self, temperature_c: float | None) -> float:
        """Return by how much the potential falls for one pH, mV; negative where it rises."""
        factor = nernst_factor_mv(25.0 if temperature_c is None else temperature_c)
        return self.line.slope_pct / 100.0 * factor

    def ph(self, mv: float | None, temperature_c: float | None) -> float | None:
        """Return the pH of a potential; None where it, the temperature or a calibration is missing."""
        if mv is None or temperature_c is None or not self.calibrated:
            return None
        try:
            return float(self.line.ph(mv, temperature_c))
        except DomainError:
            return None

    @property
    def water_check(self) -> LowIonicCheck | None:
        """The check whose bias comes off what is read of the cell's water."""
        return None if self.kcl_adjusted else self.low_ionic

    def water_ph(
        self, mv: float | None, temperature_c: float | None, conductivity_us_cm: float | None
    ) -> float | None:
        """Return the pH of the cell's water as a result would have it, None as `ph` does."""
        ph, check = self.ph(mv, temperature_c), self.water_check
        if ph is None or check is None or not check.covers(conductivity_us_cm):
            return ph
        return ph - check.bias_ph

    def salted(self, grab: GrabSample | None) -> bool:
        """Return whether potassium chloride is in a sample: its conductivity says nothing of the water."""
        return self.kcl_adjusted or (grab is not None and grab.kcl_adjusted)

    def sample_age_s(self, flow_ml_min: float | None) -> float | None:
        """Return the time from sample point to electrode, s; None where hold-up or flow is not known."""
        if not self.hold_up_ml or flow_ml_min is None or not flow_ml_min > 0.0:
            return None
        return 60.0 * self.hold_up_ml / flow_ml_min

    def as_json(self) -> dict[str, Json]:
        """Return the settings as JSON values."""
        plain = {f.name: getattr(self, f.name) for f in fields(self)}
        for name in ("criterion", "buffer_criterion", "line"):
            plain[name] = asdict(plain[name])
        plain["calibration_buffers"] = list(self.calibration_buffers)
        plain["low_ionic"] = None if self.low_ionic is None else asdict(self.low_ionic)
        plain["calibration_errors"] = (
            None if self.calibration_errors is None else [error_json(e) for e in self.calibration_errors]
        )
        return plain

    @classmethod
    def from_json(cls, plain: dict[str, Json]) -> "CellSettings":
        """Rebuild settings from what `as_json` gave, also that of an older program, which knew fewer."""
        rebuild: dict[str, Callable[[Any], Any]] = {
            "criterion": lambda known: Criterion(**known),
            "buffer_criterion": lambda known: Criterion(**known),
            "line": lambda known: Line(**known),
            "bracket_ph": tuple,
            "calibration_buffers": tuple,
            "calibration_errors": lambda known: tuple(map(error_from, known)),
            "low_ionic": lambda known: LowIonicCheck(**known),
        }
        return cls(
            **{
                name: value if value is None or name not in rebuild else rebuild[name](value)
                for name, value in plain.items()
            }
        )


def error_json(error: LineError) -> dict[str, Json]:
    """Return one source of error of a line as JSON values."""
    return {
        "source": error.source,
        "covariance": [list(row) for row in error.covariance],
        "assumed": error.assumed,
    }


def error_from(plain: dict[str, Json]) -> LineError:
    """Rebuild one source of error of a line."""
    first, second, third = (tuple(row) for row in plain["covariance"])
    return LineError(source=plain["source"], covariance=(first, second, third), assumed=plain["assumed"])
