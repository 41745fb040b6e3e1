"""What the detector is told about a cell, and what it tells of an episode."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, get_args

from quietcell.core.records import decimals
from quietcell.core.settings import CellSettings, Position
from quietcell.errors import DomainError

Place = Literal["sample-path", "upstream", "unlocated"]
State = Literal["opened", "updated", "closed"]
Diagnosis = Literal[
    "co2-ingress",
    "acidic-ingress",
    "base-ingress",
    "salt-ingress",
    "junction-drift",
    "electrical-step",
    "streaming",
    "temperature",
    "flow-stopped",
    "sensor-fault",
    "cannot-tell",
]

LEAST_PH_CHANGE_REL_U = 0.01
"""A junction's response in water of low ionic strength is no better known (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class IngressSettings:
    """What the detector knows of a cell beforehand.

    Raises
    ------
    DomainError
        If a figure is out of range or the position is not known.
    """

    conductivity_position: Position | None = None
    """None is not declared."""
    hold_up_ml: float | None = None
    """Volume from sample point to electrode, mL."""
    reference_outflow_ul_h: float | None = None
    """Electrolyte that leaves the reference electrode, µL/h."""
    conductivity_rel_u: float = 0.01
    """Relative standard uncertainty of a conductivity."""
    temperature_u_c: float = 0.1
    """Standard uncertainty of the temperature, °C."""
    ph_bias_u: float = 0.05
    """Standard uncertainty of a pH in water of low ionic strength, common to all readings."""
    ph_change_rel_u: float = 0.02
    """Relative standard uncertainty of a change of pH: slope of the line and response of the junction."""
    air_co2_uatm: float = 420.0
    """Fugacity of CO2 the water would take up from the air around it, µatm."""
    most_co2_uatm: float = 3000.0
    """No leak brings more than equilibrium with a gas of this fugacity, µatm: crowded, closed rooms."""

    def __post_init__(self) -> None:
        """Refuse what no cell has."""
        if self.conductivity_position not in (*get_args(Position), None):
            known = ", ".join(get_args(Position))
            raise DomainError(
                f"conductivity_position = {self.conductivity_position!r} is not known",
                hint=f"use one of {known}, or None where nobody knows",
            )
        for name, unit, low, high in (
            ("hold_up_ml", "mL", 0.0, 1e5),
            ("reference_outflow_ul_h", "µL/h", 0.0, 1e4),
            ("conductivity_rel_u", "", 1e-4, 0.5),
            ("temperature_u_c", "°C", 0.0, 10.0),
            ("ph_bias_u", "", 1e-4, 1.0),
            ("ph_change_rel_u", "", 0.0, 0.5),
            ("air_co2_uatm", "µatm", 1.0, 1e5),
            ("most_co2_uatm", "µatm", 1.0, 1e6),
        ):
            value = getattr(self, name)
            if value is not None and not low <= value <= high:
                shown = f"{value:g} {unit}".rstrip()
                raise DomainError(
                    f"{name} = {shown} is out of range",
                    hint=f"give {name} in {low:g}..{high:g} {unit}".rstrip(),
                )

    @classmethod
    def of(cls, cell: CellSettings) -> "IngressSettings":
        """Return what the settings of a cell say; uncertainties there are expanded (k = 2)."""
        known = cell.slope_uncertainty_pct
        change = {} if known is None else {"ph_change_rel_u": max(known / 200.0, LEAST_PH_CHANGE_REL_U)}
        return cls(
            conductivity_position=cell.conductivity_position,
            hold_up_ml=cell.hold_up_ml,
            reference_outflow_ul_h=cell.reference_outflow_ul_h,
            conductivity_rel_u=cell.conductivity_uncertainty_pct / 200.0,
            temperature_u_c=cell.temperature_uncertainty_c / 2.0,
            **{name: min(value, 0.5) for name, value in change.items()},  # a poor calibration tells little
        )

    @property
    def sees_same_water(self) -> bool:
        """Whether the conductivity cell sees the very water the electrode sees; unless declared it does."""
        return self.conductivity_position in ("downstream", "same", None)

    def sample_age_s(self, flow_ml_min: float | None) -> float | None:
        """Return the time from sample point to electrode, s; None where hold-up or flow is not known."""
        if not self.hold_up_ml or not flow_ml_min or not flow_ml_min > 0.0:
            return None
        return 60.0 * self.hold_up_ml / flow_ml_min


@dataclass(frozen=True, slots=True, kw_only=True)
class Amount:
    """An amount of carbon dioxide, as CO2, with its uncertainty."""

    value: float = decimals(1, "ug/L")
    expanded_uncertainty: float = decimals(1, "ug/L")
    """k = 2."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EpisodeEvent:
    """An episode opened, changed or closed; times are ms of the current segment, negative before it."""

    diagnosis: Diagnosis
    place: Place
    state: State
    began_ms: int
    flagged_ms: int
    """First event with this diagnosis."""
    closed_ms: int | None
    at_ms: int
    number: int
    """Of the episode, counted from 1 over the life of the detector."""
    log_likelihood_ratios: Mapping[str, float]
    """Per rival the log likelihood ratio against no change at all."""
    co2_rise_ug_per_l: Amount | None
    """What came in since it began, as CO2; None where carbon dioxide is out of the question."""
    co2_ug_per_l_from_ph: Amount | None
    """Total inorganic carbon, as CO2, by pH."""
    co2_ug_per_l_from_conductivity: Amount | None
    """The same by conductivity; None also without conductivity at the sample."""
    equilibrium_with_air_pct: float | None
    """pH (and conductivity, if measured) as a share of equilibrium with air, if carbonate made them."""
    ph_before: float
    ph_now: float
    conductivity_before_us_cm: float | None
    conductivity_now_us_cm: float | None
    temperature_before_c: float
    temperature_now_c: float
    sample_age_s: float | None
    kind: str = ""
    """What `wording` needs beside the diagnosis: ``leak-or-junction``, ``standing``, a kind of fault, or
    ``rejected`` of one that closes by a person's word."""
