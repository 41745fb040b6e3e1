"""The record of an episode, from what the detector found."""

from collections.abc import Callable

from quietcell.core.ingress.carbonic_line import Finding, wording
from quietcell.core.records import EpisodeBody, EpisodeEvidence, Size


def episode_body(
    finding: Finding,
    *,
    id: str,  # noqa: A002 # the record's own name for it
    cell: str,
    at: str,
    text_of: Callable[[int], str],
    sample_age_s: float | None,  # the field's name
) -> EpisodeBody:
    """Write the record of an episode that opened, changed or closed.

    Parameters
    ----------
    finding : Finding
        What was found, on segment time.
    id, cell, at : str
        Identity of the body.
    text_of : callable
        Gives a segment time as RFC 3339.
    sample_age_s : float or None
        From sample point to electrode.
    """
    began = text_of(finding.began_ms)
    return EpisodeBody(
        id=id,
        cell=cell,
        at=at,
        diagnosis="co2-ingress",
        place="unlocated",
        state=finding.state,
        began=began,
        flagged_at=text_of(finding.flagged_ms),
        closed_at=None if finding.closed_ms is None else text_of(finding.closed_ms),
        evidence=EpisodeEvidence(
            co2_ug_per_l_from_ph=Size(
                value=finding.from_ph_ug_l, expanded_uncertainty=finding.from_ph_u_ug_l
            ),
            co2_ug_per_l_from_conductivity=Size(
                value=finding.from_conductivity_ug_l, expanded_uncertainty=finding.from_conductivity_u_ug_l
            ),
            ph_before=finding.before.ph,
            ph_now=finding.now.ph,
            conductivity_before_us_cm=finding.before.conductivity_us_cm,
            conductivity_now_us_cm=finding.now.conductivity_us_cm,
            sample_age_s=sample_age_s,
        ),
        text=wording(finding, f"{began[11:19]} UTC", sample_age_s),
    )
