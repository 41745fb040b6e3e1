"""What the engine of a cell needs to know about it, free of files and drivers."""

from dataclasses import dataclass, fields
from typing import Literal

from quietcell.core.electrode.nernst import Line
from quietcell.core.endpoint.criterion import Criterion
from quietcell.core.records import Json


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
    calibration_id: str | None = None
    """Of the calibration record; None for a calibration fixed in the configuration."""
    calibrated_utc_ms: int | None = None
    sample_point: str | None = None
    electrode: str | None = None
    meter: str | None = None
    ph_decimals: int = 2
    """Decimals of the reported pH."""

    def as_json(self) -> dict[str, Json]:
        """Return the settings as JSON values."""
        plain = {f.name: getattr(self, f.name) for f in fields(self)}
        for name in ("criterion", "line"):
            plain[name] = {f.name: getattr(plain[name], f.name) for f in fields(plain[name])}
        return plain

    @classmethod
    def from_json(cls, plain: dict[str, Json]) -> "CellSettings":
        """Rebuild settings from what `as_json` gave."""
        return cls(**{**plain, "criterion": Criterion(**plain["criterion"]), "line": Line(**plain["line"])})
