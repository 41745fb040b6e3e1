"""[cells.NAME]: one flow cell or beaker with its electrode, its meter and what is known of it."""

from datetime import date
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, SerializeAsAny, model_validator
from pydantic_core import PydanticCustomError

from quietcell.config.alarms import LimitSettings
from quietcell.config.fields import (
    PH,
    Name,
    Seconds,
    Section,
    Text,
    refuse,
)
from quietcell.config.recordings import RecordingLayout
from quietcell.contracts import DriverSettings
from quietcell.core.electrode.nernst import ISOPOTENTIAL_SPAN_PH, SLOPE_SPAN_PCT, ZERO_SPAN_MV
from quietcell.core.settings import Position


def _not_reserved(name: str) -> str:
    if name == "daemon":
        raise PydanticCustomError("reserved_name", "is reserved for the daemon itself; choose another name")
    return name


CellName = Annotated[Name, AfterValidator(_not_reserved)]
"""Name of a cell."""


def _sensible_slope(slope_pct: float) -> float:
    low, high = SLOPE_SPAN_PCT
    if not low <= abs(slope_pct) <= high:
        raise PydanticCustomError(
            "slope_out_of_range",
            "must lie within {low} and {high} % of theory, negative for a meter whose mV rise with pH",
            {"low": f"{low:g}", "high": f"{high:g}"},
        )
    return slope_pct


class CalibrationSettings(Section):
    """A fixed calibration; without it the last one in the ledger counts."""

    slope_pct: Annotated[float, AfterValidator(_sensible_slope)] = Field(
        description="Slope, % of theory; negative for a meter whose mV rise with pH."
    )
    zero_mv: Annotated[float, Field(ge=ZERO_SPAN_MV[0], le=ZERO_SPAN_MV[1])] = Field(
        description="Potential at pH 7 and 25 °C, mV."
    )
    isopotential_ph: Annotated[float, Field(ge=ISOPOTENTIAL_SPAN_PH[0], le=ISOPOTENTIAL_SPAN_PH[1])] = Field(
        default=7.0, description="The pH at which the potential does not depend on temperature."
    )
    bracket_ph: tuple[PH, PH] | None = Field(
        default=None, description="Lowest and highest buffer, pH; absent: not known, not checked."
    )
    expires: date | None = Field(
        default=None, description="Last day (UTC) on which it counts; absent: not known, not checked."
    )
    slope_uncertainty_pct: Annotated[float, Field(gt=0, le=100)] | None = Field(
        default=None, description="Expanded uncertainty (k = 2) of the slope, % of theory."
    )
    zero_uncertainty_mv: Annotated[float, Field(gt=0, le=1000)] | None = Field(
        default=None, description="Expanded uncertainty (k = 2) of zero_mv, mV."
    )

    @model_validator(mode="after")
    def _coherent(self) -> Self:
        if self.bracket_ph is not None and self.bracket_ph[0] >= self.bracket_ph[1]:
            low, high = self.bracket_ph
            refuse([("bracket_ph", f"is [{low:g}, {high:g}]; must be [low, high] with low less than high")])
        return self


class CellSettings(Section):
    """One cell."""

    driver: Text | None = Field(
        default=None, description="Driver of its meter; a cell used only for replay needs none."
    )
    settings: SerializeAsAny[DriverSettings] | None = Field(
        default=None, description="The driver's own settings; see `quietcell drivers`."
    )
    criterion: Name = Field(default="loop-water", description="Criterion a value must meet: shipped or own.")
    buffer_criterion: Name = Field(
        default="buffer", description="Criterion a buffer must meet in a calibration or check."
    )
    mode: Literal["continuous", "on-request"] = Field(
        default="continuous", description="One determination after another, or only when asked."
    )
    every_s: Seconds = Field(
        default=600.0, description="From the beginning of one determination to the next, s; for continuous."
    )
    sample_point: Text | None = Field(
        default=None, description="Where the water is drawn, as reports name it; absent: the cell's name."
    )
    conductivity_position: Position | None = Field(
        default=None, description="Where the conductivity cell sits, seen from the electrode."
    )
    hold_up_ml: Annotated[float, Field(gt=0, le=1e5)] | None = Field(
        default=None, description="Volume of water from sample point to electrode, mL; gives the sample age."
    )
    reference_outflow_ul_h: Annotated[float, Field(ge=0, le=1e4)] | None = Field(
        default=None, description="Electrolyte that leaves the reference electrode, µL/h."
    )
    conductivity_uncertainty_pct: Annotated[float, Field(ge=0.02, le=100)] = Field(
        default=2.0, description="Expanded uncertainty (k = 2) of the conductivity, % of the value."
    )
    temperature_uncertainty_c: Annotated[float, Field(gt=0, le=20)] = Field(
        default=0.2, description="Expanded uncertainty (k = 2) of the sample temperature, °C."
    )
    electrode: Name | None = Field(default=None, description="Name of the electrode now in the cell.")
    meter: Name | None = Field(default=None, description="Name of the meter.")
    kcl_adjusted: bool = Field(
        default=False,
        description="Samples get 0.3 mL of saturated KCl per 100 mL: no rule by conductivity then applies.",
    )
    ph_decimals: Annotated[int, Field(ge=0, le=3)] = Field(
        default=2, description="Decimals of the reported pH; the raw value is kept beside it."
    )
    calibration: CalibrationSettings | None = Field(
        default=None, description="A fixed calibration; absent: the last one in the ledger."
    )
    limits: LimitSettings = Field(default=LimitSettings(), description="Where a person is called.")
    recording: RecordingLayout | None = Field(
        default=None, description="Layout of this cell's recordings; absent: the standard one."
    )

    @model_validator(mode="after")
    def _coherent(self) -> Self:
        given = self.model_fields_set
        faults = []
        if self.mode == "on-request" and "every_s" in given:
            faults.append(("every_s", 'does not go with mode = "on-request"; it belongs to "continuous"'))
        if self.conductivity_position is None:
            faults.extend(
                (key, "needs conductivity_position: upstream, downstream, same or separate-portion")
                for key in ("reference_outflow_ul_h", "conductivity_uncertainty_pct")
                if key in given
            )
        refuse(faults)
        return self
