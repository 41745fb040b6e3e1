"""[criteria.NAME]: the explicit numbers a reading must meet."""

from collections.abc import Iterator
from dataclasses import replace
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, model_validator
from pydantic_core import PydanticCustomError

from quietcell.config.fields import DAY_S, Fault, Name, NotNegative, Positive, Seconds, Section, refuse
from quietcell.core.electrode.nernst import REFERENCE_TEMPERATURE_C, nernst_factor_mv
from quietcell.core.endpoint.criterion import SHIPPED, Criterion

MV_PER_PH = nernst_factor_mv(REFERENCE_TEMPERATURE_C)


def _not_shipped(name: str) -> str:
    if name in SHIPPED:
        raise PydanticCustomError(
            "shipped_criterion",
            'is shipped and means the same everywhere; give yours another name and based_on = "{name}"',
            {"name": name},
        )
    return name


CriterionName = Annotated[Name, AfterValidator(_not_shipped)]
"""Name of an own criterion; the shipped ones keep their numbers."""


class Agreeing(Section):
    """Successive portions that must agree before a value counts."""

    portions: Annotated[int, Field(ge=1, le=20)] = Field(
        description="Number of successive portions that must agree; 1 asks for none beside the first."
    )
    within_ph: Annotated[float, Field(gt=0, le=1)] = Field(
        description="Largest spread of the agreeing portions, pH."
    )


class CriterionSettings(Section):
    """Numbers that differ from those of a shipped criterion; what is absent stays as there."""

    based_on: Literal["loop-water", "grab-water", "buffer"] = Field(
        default="loop-water", description="Shipped criterion that gives every number not set here."
    )
    window_s: Seconds | None = Field(default=None, description="Span over which the drift is judged, s.")
    max_drift_mv_per_min: Positive | None = Field(
        default=None, description="Largest drift the bound may reach, mV/min; 59 mV are one pH at 25 °C."
    )
    confidence: Annotated[float, Field(ge=0.5, lt=1)] | None = Field(
        default=None, description="Confidence of the two-sided bound of the drift, 0.5 to below 1."
    )
    max_remaining_ph: Annotated[float, Field(gt=0, le=2)] | None = Field(
        default=None, description="Largest change still to come before the reading rests, pH."
    )
    max_remaining_risk: Annotated[float, Field(gt=0, le=0.5)] | None = Field(
        default=None, description="Largest probability that more than max_remaining_ph is still to come."
    )
    slow_tail_odds: Annotated[float, Field(gt=0, le=1000)] | None = Field(
        default=None,
        description="How much likelier than others a relaxation of 8 to 40 min is taken to be beforehand; "
        "10 to 30 for electrodes that come from buffer.",
    )
    long_window_s: Seconds | None = Field(
        default=None, description="Second, longer span judged beside the first, s."
    )
    long_max_drift_mv_per_min: Positive | None = Field(
        default=None, description="Largest drift over the longer span, mV/min."
    )
    min_wait_s: Annotated[float, Field(ge=0, le=7 * DAY_S)] | None = Field(
        default=None, description="Shortest time from the beginning to a verdict, s (rinse and response)."
    )
    max_wait_s: Seconds | None = Field(
        default=None, description="A determination not at rest by then is refused, s."
    )
    max_temperature_drift_c_per_min: Positive | None = Field(
        default=None, description="Largest drift of the sample temperature over the window, °C/min."
    )
    flow_low_ml_min: NotNegative | None = Field(
        default=None, description="Lowest flow at which a value may be accepted, mL/min."
    )
    flow_high_ml_min: Positive | None = Field(
        default=None, description="Highest flow at which a value may be accepted, mL/min."
    )
    max_flow_change_pct: Positive | None = Field(
        default=None, description="Largest change of the flow within the window, % of its mean."
    )
    min_readings: Annotated[int, Field(ge=3, le=100_000)] | None = Field(
        default=None, description="Fewest readings a window may rest on."
    )
    agreeing: Agreeing | None = Field(default=None, description="Successive portions that must agree.")
    max_gap_s: Seconds | None = Field(
        default=None, description="A longer silence of the meter restarts the window, s."
    )
    resolution_mv: Annotated[float, Field(gt=0, le=100)] | None = Field(
        default=None, description="Smallest step of the meter's mV display, mV."
    )

    def to_criterion(self) -> Criterion:
        """Return the criterion in full: the shipped one with the numbers set here."""
        given = self.model_dump(exclude={"based_on", "agreeing"}, exclude_none=True)
        if self.agreeing is not None:
            given["agreeing_portions"] = self.agreeing.portions
            given["agreeing_within_ph"] = self.agreeing.within_ph
        return replace(SHIPPED[self.based_on], **given)

    @model_validator(mode="after")
    def _coherent(self) -> Self:
        full = self.to_criterion()
        refuse([*self._times(full), *self._flows(full), *self._reachable(full)])
        return self

    def _times(self, full: Criterion) -> Iterator[Fault]:
        """Find times that contradict each other."""
        window_s, long_s = full.window_s, full.long_window_s
        needed_s = full.min_wait_s + max(window_s, long_s or 0.0)
        if full.max_wait_s <= needed_s:
            key = self.first_given("max_wait_s", "min_wait_s", "long_window_s", "window_s")
            yield (
                key,
                f"max_wait_s = {full.max_wait_s:g} must exceed min_wait_s + longest window = {needed_s:g}",
            )
        if long_s is not None and long_s <= window_s:
            key = self.first_given("long_window_s", "window_s")
            hint = 'based_on = "grab-water" has no long window'
            yield key, f"long_window_s = {long_s:g} must exceed window_s = {window_s:g}; {hint}"
        if long_s is None and self.long_max_drift_mv_per_min is not None:
            yield "long_max_drift_mv_per_min", f"needs long_window_s: {self.based_on} has no long window"
        if full.max_gap_s >= window_s:
            key = self.first_given("max_gap_s", "window_s")
            yield key, f"max_gap_s = {full.max_gap_s:g} must be less than window_s = {window_s:g}"

    def _flows(self, full: Criterion) -> Iterator[Fault]:
        """Find a flow band turned upside down."""
        low, high = full.flow_low_ml_min, full.flow_high_ml_min
        if low is not None and high is not None and low >= high:
            yield "flow_low_ml_min", f"is {low:g}; must be less than flow_high_ml_min = {high:g}"

    def _reachable(self, full: Criterion) -> Iterator[Fault]:
        """Find limits below what a meter of this resolution can show.

        A meter whose display stands still for a whole window may hide a drift of one step per window,
        and a change of one step in pH.
        """
        step_mv, step_ph = full.resolution_mv, full.resolution_mv / MV_PER_PH
        meter = f"a meter with steps of {step_mv:g} mV"
        drifts = [("window_s", "max_drift_mv_per_min", full.window_s, full.max_drift_mv_per_min)]
        if full.long_window_s is not None:
            limit = full.long_max_drift_mv_per_min
            drifts.append(("long_window_s", "long_max_drift_mv_per_min", full.long_window_s, limit))
        for window_key, limit_key, window_s, limit in drifts:
            hidden = step_mv * 60.0 / window_s
            if limit < hidden:
                key = self.first_given(limit_key, window_key, "resolution_mv")
                can = f"shows no less than {hidden:.3g} mV/min over {window_s:g} s"
                hint = f"raise the limit, lengthen {window_key} or state a finer resolution_mv"
                yield key, f"{limit_key} = {limit:g} is out of reach: {meter} {can}; {hint}"
        changes = [("max_remaining_ph", full.max_remaining_ph)]
        if full.agreeing_portions > 1:
            changes.append(("agreeing", full.agreeing_within_ph))
        for key, limit in changes:
            if limit < step_ph:
                given = self.first_given(key, "resolution_mv")
                can = f"shows no less than {step_ph:.2g} pH"
                yield given, f"{key} {limit:g} pH is out of reach: {meter} {can}; raise the limit"
