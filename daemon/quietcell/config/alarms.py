"""[alarms.NAME] and [cells.NAME.limits]: what a person is called for, and from where on."""

from dataclasses import replace
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, StringConstraints, model_validator
from pydantic_core import PydanticCustomError

from quietcell.config.fields import DAY_S, PH, NotNegative, Positive, Seconds, Section, refuse
from quietcell.core.alarms.rule import AlarmRule, Priority, causes_first
from quietcell.core.alarms.shipped import ALARM_NAMES, CELL_ALARMS, DAEMON_ALARMS
from quietcell.core.electrode.condition import Signal
from quietcell.errors import QuietcellError


def _known(name: str) -> str:
    if name not in ALARM_NAMES:
        raise PydanticCustomError(
            "unknown_alarm", "no such alarm; there are {names}", {"names": ", ".join(ALARM_NAMES)}
        )
    return name


AlarmName = Annotated[str, AfterValidator(_known)]
"""Name in the alarm table."""
Prose = Annotated[str, StringConstraints(min_length=1, max_length=500)]
Delay = Annotated[float, Field(ge=0, le=DAY_S)]


class AlarmSettings(Section):
    """What differs from the shipped row of the alarm table; what is absent stays as there."""

    enabled: bool = Field(default=True, description="Watch for it at all.")
    priority: Literal["high", "medium", "low"] | None = Field(
        default=None, description="How soon a person should act."
    )
    condition: (
        Literal["none", "maintenance-required", "out-of-specification", "function-check", "failure"] | None
    ) = Field(default=None, description="What it says of the cell, after NAMUR NE 107.")
    title: Prose | None = Field(default=None, description="What people call it.")
    cause: Prose | None = Field(default=None, description="What usually lies behind it.")
    consequence: Prose | None = Field(default=None, description="What happens if nobody acts.")
    what_to_do: Prose | None = Field(default=None, description="The first steps, as the site wants them.")
    respond_within_s: Annotated[float, Field(gt=0, le=30 * DAY_S)] | None = Field(
        default=None, description="How long one has before the consequence, s."
    )
    on_delay_s: Delay | None = Field(
        default=None, description="The condition must hold for so long before the alarm is raised, s."
    )
    off_delay_s: Delay | None = Field(
        default=None, description="The condition must be gone for so long before the alarm returns, s."
    )
    deadband: NotNegative | None = Field(
        default=None, description="A level must come back inside its limit by so much; unit of the limit."
    )
    suppressed_by: tuple[AlarmName, ...] | None = Field(
        default=None, description="Alarms that, while present, are taken for the cause of this one."
    )


def alarm_table(settings: dict[str, AlarmSettings]) -> tuple[tuple[AlarmRule, ...], tuple[AlarmRule, ...]]:
    """Return the alarms of every cell and those of the daemon, the configuration put over the shipped rows.

    Raises
    ------
    QuietcellError
        If alarms would suppress each other in a circle.
    """

    def row(shipped: AlarmRule) -> AlarmRule:
        own = settings.get(shipped.name)
        if own is None:
            return shipped
        given = own.model_dump(exclude_none=True)
        if own.priority is not None:
            given["priority"] = Priority(own.priority)
        if own.condition is not None:
            given["condition"] = Signal(own.condition)
        return replace(shipped, **given)

    cell, daemon = tuple(map(row, CELL_ALARMS)), tuple(map(row, DAEMON_ALARMS))
    for rows in (cell, daemon):
        causes_first({one.name: one.suppressed_by for one in rows})
    return cell, daemon


def not_in_a_circle(settings: dict[str, AlarmSettings]) -> dict[str, AlarmSettings]:
    """Refuse alarms that would suppress each other."""
    try:
        alarm_table(settings)
    except QuietcellError as error:
        raise PydanticCustomError(
            "circle", "{name} suppresses itself in a circle; change suppressed_by", {"name": error.subject}
        ) from error
    return settings


class LimitSettings(Section):
    """Where a person is called for this cell; what is absent is not watched."""

    ph_low: PH | None = Field(default=None, description="Lowest pH (25 °C) of a result.")
    ph_high: PH | None = Field(default=None, description="Highest pH (25 °C) of a result.")
    conductivity_low_us_cm: NotNegative | None = Field(
        default=None, description="Lowest raw conductivity, µS/cm."
    )
    conductivity_high_us_cm: Positive | None = Field(
        default=None, description="Highest raw conductivity, µS/cm."
    )
    conductivity_stage_1: bool = Field(
        default=False,
        description="Watch raw conductivity against the stage 1 table of USP <645>, as an aid.",
    )
    temperature_low_c: float | None = Field(default=None, description="Lowest sample temperature, °C.")
    temperature_high_c: float | None = Field(default=None, description="Highest sample temperature, °C.")
    flow_low_ml_min: NotNegative | None = Field(
        default=None, description="Lowest flow, mL/min; absent: that of the criterion."
    )
    flow_high_ml_min: Positive | None = Field(
        default=None, description="Highest flow, mL/min; absent: that of the criterion."
    )
    flow_stopped_ml_min: NotNegative = Field(default=1.0, description="Less than this is no flow, mL/min.")
    no_result_after_s: Seconds | None = Field(
        default=None,
        description="Longest time without a valid result, s; absent: twice every_s and max_wait_s together, "
        "for a continuous cell.",
    )
    silent_after_s: Annotated[float, Field(ge=3, le=7 * DAY_S)] | None = Field(
        default=None,
        description="A meter that sends nothing for so long is silent, s; absent: max_gap_s of the "
        "criterion, 5 s at least.",
    )
    calibration_due_before_d: Annotated[float, Field(ge=0, le=365)] = Field(
        default=7.0, description="So many days before it expires a calibration is due."
    )
    check_every_d: Positive | None = Field(default=None, description="A check is due so often, d.")
    electrolyte_every_d: Positive | None = Field(
        default=None, description="The reference electrolyte is to be refilled so often, d."
    )
    cleaning_every_d: Positive | None = Field(
        default=None, description="The electrode is to be cleaned so often, d."
    )
    tubing_every_d: Positive | None = Field(default=None, description="Tubing is to be changed so often, d.")
    blind_above_co2_ug_per_l: Positive = Field(
        default=100.0,
        description="The detector counts as blind where more CO2 than this could stay hidden, µg/L.",
    )

    @model_validator(mode="after")
    def _coherent(self) -> Self:
        refuse(
            [
                (low, f"is {getattr(self, low):g}; must be less than {high} = {getattr(self, high):g}")
                for low, high in (
                    ("ph_low", "ph_high"),
                    ("conductivity_low_us_cm", "conductivity_high_us_cm"),
                    ("temperature_low_c", "temperature_high_c"),
                    ("flow_low_ml_min", "flow_high_ml_min"),
                )
                if None not in (getattr(self, low), getattr(self, high))
                and getattr(self, low) >= getattr(self, high)
            ]
        )
        return self
