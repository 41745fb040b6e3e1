"""Drivers that exist for their settings only."""

from collections.abc import Sequence
from typing import ClassVar, Literal

from pydantic import Field, field_validator

from quietcell.contracts import Clock, DriverSettings, DriverTable, LineCounts
from quietcell.core.readings import Reading


class Scaling(DriverSettings):
    """A table inside the settings."""

    factor: float = Field(default=1.0, gt=0)


class LoopSettings(DriverSettings):
    """Settings with every kind of trap."""

    port: str = Field(description="Device of the line.")
    conductivity_unit: Literal["uS/cm", "mS/m", "S/m"] = "uS/cm"
    columns: tuple[str, ...] = ()
    scaling: Scaling = Scaling()
    password: str | None = None

    @field_validator("columns")
    @classmethod
    def _known(cls, columns: tuple[str, ...]) -> tuple[str, ...]:
        for column in columns:
            if column not in {"mv", "temperature_c"}:
                raise ValueError(f"{column!r} is no column; allowed: mv, temperature_c")
        return columns


class NoSettings(DriverSettings):
    """A driver that needs none."""


class LoopDriver:
    """A driver that is never opened."""

    settings_model: ClassVar[type[DriverSettings]] = LoopSettings
    counts: LineCounts

    def __init__(self, settings: DriverSettings, clock: Clock) -> None: ...

    async def open(self) -> None: ...

    async def read(self) -> Sequence[Reading]:
        return ()

    async def close(self) -> None: ...


class StillDriver(LoopDriver):
    """A driver without settings."""

    settings_model: ClassVar[type[DriverSettings]] = NoSettings


DRIVERS: DriverTable = {"loop-lines": LoopDriver, "still": StillDriver}
