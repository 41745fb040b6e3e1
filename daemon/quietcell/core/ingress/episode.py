"""The record of an episode: the body, and how it is written from what the detector tells."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import ClassVar

from quietcell.core.ingress.event import Amount, Diagnosis, EpisodeEvent, Place, State
from quietcell.core.ingress.wording import wording
from quietcell.core.records import Body, decimals


@dataclass(frozen=True, slots=True, kw_only=True)
class EpisodeEvidence:
    """What convinced."""

    log_likelihood_ratios: Mapping[str, float]
    """Per rival explanation, against no change at all; empty where nothing was compared."""
    co2_ug_per_l: Amount | None
    """Total inorganic carbon, as CO2: the more certain of the two that follow."""
    co2_ug_per_l_from_ph: Amount | None
    co2_ug_per_l_from_conductivity: Amount | None
    co2_rise_ug_per_l: Amount | None
    """What of it came in since the episode began."""
    equilibrium_with_air_pct: float | None = decimals(2, "%")
    """Total carbonate as a share of equilibrium with air, if carbonate alone made pH and conductivity."""
    ph_before: float = decimals(3, "1")
    ph_now: float = decimals(3, "1")
    conductivity_before_us_cm: float | None = decimals(5, "uS/cm")
    conductivity_now_us_cm: float | None = decimals(5, "uS/cm")
    temperature_before_c: float = decimals(2, "Cel")
    temperature_now_c: float = decimals(2, "Cel")
    sample_age_s: float | None = decimals(1, "s")


@dataclass(frozen=True, slots=True, kw_only=True)
class EpisodeBody(Body):
    """A suspected cause over a span of time."""

    kind: ClassVar[str] = "episode"

    episode: str
    """Id of the record that opened it."""
    diagnosis: Diagnosis
    place: Place
    state: State
    began: str
    flagged_at: str
    """First record with this diagnosis."""
    closed_at: str | None
    confirmed: bool
    """Whether a person confirmed it."""
    evidence: EpisodeEvidence
    text: str
    """For the technician, with what to look at first."""


def episode_body(
    event: EpisodeEvent,
    *,
    id: str,  # noqa: A002 # the record's own name for it
    cell: str,
    at: str,
    episode: str,
    confirmed: bool,
    text_of: Callable[[int], str],
    sample: bool = False,
) -> EpisodeBody:
    """Write the record of an episode that opened, changed or closed.

    Parameters
    ----------
    event : EpisodeEvent
        What happened, on segment time.
    id, cell, at : str
        Identity of the body.
    episode : str
        Id of the record that opened it.
    confirmed : bool
        Whether a person confirmed it.
    text_of : callable
        Gives a segment time as RFC 3339.
    sample : bool
        Whether it is of what someone brought to the electrode.
    """
    by_ph, by_conductivity = event.co2_ug_per_l_from_ph, event.co2_ug_per_l_from_conductivity
    known = [amount for amount in (by_conductivity, by_ph) if amount is not None]
    return EpisodeBody(
        id=id,
        cell=cell,
        at=at,
        episode=episode,
        diagnosis=event.diagnosis,
        place=event.place,
        state=event.state,
        began=text_of(event.began_ms),
        flagged_at=text_of(event.flagged_ms),
        closed_at=None if event.closed_ms is None else text_of(event.closed_ms),
        confirmed=confirmed,
        evidence=EpisodeEvidence(
            log_likelihood_ratios=event.log_likelihood_ratios,
            co2_ug_per_l=min(known, key=lambda amount: amount.expanded_uncertainty, default=None),
            co2_ug_per_l_from_ph=by_ph,
            co2_ug_per_l_from_conductivity=by_conductivity,
            co2_rise_ug_per_l=event.co2_rise_ug_per_l,
            equilibrium_with_air_pct=event.equilibrium_with_air_pct,
            ph_before=event.ph_before,
            ph_now=event.ph_now,
            conductivity_before_us_cm=event.conductivity_before_us_cm,
            conductivity_now_us_cm=event.conductivity_now_us_cm,
            temperature_before_c=event.temperature_before_c,
            temperature_now_c=event.temperature_now_c,
            sample_age_s=event.sample_age_s,
        ),
        text=wording(event, lambda ms: f"{text_of(ms)[11:19]} UTC", sample=sample),
    )
