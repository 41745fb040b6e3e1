"""What may still speak against a value at rest: calibration, conductivity, carbon dioxide on its way in."""

from quietcell.core.endpoint.uptake import co2_uptake
from quietcell.core.evaluation import Evaluation
from quietcell.core.readings import ReadingBlock
from quietcell.core.records import GrabSample, Reason
from quietcell.core.settings import CellSettings


def objections(
    worth: Evaluation, since: ReadingBlock | None, settings: CellSettings, grab: GrabSample | None = None
) -> tuple[tuple[Reason, ...], str]:
    """Return why a value at rest must not be accepted, and in words what it waits for.

    Parameters
    ----------
    worth : Evaluation
        Of the window.
    since : ReadingBlock or None
        Readings since the last disturbance of a sample someone brought; None of water that flows.
    settings : CellSettings
        The cell.
    grab : GrabSample, optional
        How a sample was brought to the bench.

    Returns
    -------
    tuple of Reason, and str
        Both empty when nothing speaks against it.

    Notes
    -----
    Uptake is looked for in samples someone brought. In the water of a loop the ingress watch does it:
    there the change is the water's own and belongs into the record.
    """
    reasons = list(worth.faults)
    if worth.budget is None and not reasons:  # nothing that is no pH may ever pass for one
        reasons.append(Reason.FLAGGED_READINGS)
    texts = [_in_numbers(reason, worth, settings) for reason in reasons]
    if (
        since is not None
        and not settings.salted(grab)
        and worth.budget is not None
        and worth.temperature_c is not None
    ):
        uptake = co2_uptake(
            since.ms,
            since.mv,
            since.conductivity_us_cm,
            ph=worth.budget.ph,
            mv_per_ph=-settings.mv_per_ph(worth.temperature_c),
            max_remaining_ph=settings.criterion.max_remaining_ph,
        )
        if uptake is not None and uptake.suspected:
            reasons.append(Reason.NOT_AT_REST)
            texts.append(
                "the sample takes up carbon dioxide, conductivity rises "
                f"{uptake.rise_us_cm_per_min:.3f} µS/cm a minute: cover it"
            )
    return tuple(reasons), ", ".join(texts)


def _in_numbers(reason: Reason, worth: Evaluation, settings: CellSettings) -> str:
    """Say what a value at rest is held against, where that is numbers."""
    against = {
        Reason.OUTSIDE_BRACKET: ("the buffers reach from", settings.bracket_ph),
        Reason.CONDUCTIVITY_CONTRADICTION: ("conductivity and temperature allow", worth.ph_allowed),
    }
    words, limits = against.get(reason, ("", None))
    if worth.budget is None or limits is None:
        return reason.value
    return f"{reason.value} (pH {worth.budget.ph:.2f}; {words} {limits[0]:.2f} to {limits[1]:.2f})"
