"""One plain sentence for the technician: what, since when, how much, what convinced, what to look at."""

import math
from collections.abc import Callable
from typing import Final

from quietcell.core.ingress.event import Amount, EpisodeEvent

_CAUSE: Final = {
    "co2-ingress": "Carbon dioxide is coming into the water",
    "acidic-ingress": "Acid is coming into the water",
    "base-ingress": "Alkali is coming into the water",
    "salt-ingress": "Salt is coming into the water, or its conductivity cell is wrong",
    "junction-drift": "The pH electrode drifts; the water has not changed",
    "electrical-step": "The pH has stepped for an electrical reason; the water has not changed",
    "streaming": "The pH moved with the flow; the water has not changed",
    "temperature": "pH and conductivity moved with the temperature",
    "flow-stopped": "The sample flow has stopped; readings are not of the loop",
    "sensor-fault": "A sensor is at fault",
    "cannot-tell": "Something changed that the readings cannot explain",
}
_ELSE: Final = {
    "co2-ingress": "a strong acid, which looks nearly the same",
    "acidic-ingress": "carbon dioxide of a gas richer in it than room air",
    "base-ingress": "carbon dioxide going out of the water",
    "salt-ingress": "electrolyte from the reference electrode, if the flow has fallen",
    "junction-drift": "ageing of the glass",
    "electrical-step": "a gas bubble at the junction",
    "streaming": "a ground loop through a pump",
    "temperature": "a thermometer that lags or is wrong",
    "flow-stopped": "a blocked flow meter",
    "sensor-fault": "a gas bubble or deposit on the sensor",
    "cannot-tell": "two causes at once",
}
_LOOK: Final = {
    "co2-ingress": "Look first at fittings, tubing and seals before the electrode, then at the vent filter "
    "of the tank",
    "acidic-ingress": "Look first at the ion exchanger's exhaustion and at cleaning acid left in the line "
    "(acid burns: shut and drain first, follow the site's rules)",
    "base-ingress": "Look first at dosing and at the ion exchanger",
    "salt-ingress": "Look first at the membrane and exchanger upstream, then check the conductivity cell",
    "junction-drift": "Look first at the electrode's junction and filling, then check it in a buffer of low "
    "ionic strength",
    "electrical-step": "Look first at cables, connectors and earthing of the cell",
    "streaming": "Look first at the flow regulator, and earth the cell",
    "temperature": "Look first at the sample cooler or the heat exchanger (hot lines: take care)",
    "flow-stopped": "Look first at the sample valve, filter and flow meter",
    "sensor-fault": "Look first at the sensor itself: bubble, deposit, cable",
    "cannot-tell": "Look first at the log for work on the loop, then at electrode and conductivity cell",
}
LEAK_OR_JUNCTION: Final = (
    "The pH falls where the conductivity cell cannot see: air leaks in before the electrode, or its "
    "junction drifts"
)
STANDING: Final = (
    "From the first reading on the water holds carbon dioxide: a leak that was there before, or the water "
    "as it is made"
)
_SPECIAL: Final = {
    "leak-or-junction": LEAK_OR_JUNCTION,
    "conductivity-too-low": "The conductivity is lower than any water has: its cell or thermometer is wrong",
    "ph-out-of-range": "The pH is beyond what water of a loop has: the electrode or its cable is at fault",
    "ph-noisy": "The pH has become noisy: the electrode or its cable is at fault",
    "ph-stuck": "The pH repeats itself as no electrode's does: glass, cable or meter is at fault",
    "conductivity-stuck": "The conductivity repeats itself as no water's does: its cell or meter is at fault",
}
_PLACED: Final = {
    "sample-path": (
        "Carbon dioxide is coming in between sample point and electrode",
        "Look first at fittings, tubing and seals there",
    ),
    "upstream": (
        _CAUSE["co2-ingress"],
        "Look first upstream: vent filter of the tank, degasser and ion exchanger, then fittings and seals",
    ),
}
"""Cause and where to look once it is known where carbon dioxide comes in."""
_PORTION: Final = "rinse electrode and beaker and pour a fresh portion"
_IN_SAMPLE: Final = {
    "co2-ingress": (
        "Carbon dioxide is coming into the sample",
        "Look first at its cover and at the stirring, which brings air in",
    ),
    "acidic-ingress": (
        "Acid is coming into the sample",
        f"Look first at what clung to the glass: {_PORTION}",
    ),
    "base-ingress": (
        "Alkali is coming into the sample",
        f"Look first at what clung to the glass: {_PORTION}",
    ),
    "salt-ingress": (
        "Salt is coming into the sample",
        f"Look first at the reference electrode, whose electrolyte flows into it: {_PORTION}",
    ),
    "temperature": (
        _CAUSE["temperature"],
        "Look first for heat or draught at the beaker, and let it come to rest",
    ),
    "cannot-tell": (_CAUSE["cannot-tell"], f"Look first at electrode and conductivity cell: {_PORTION}"),
    "standing": (
        "From the first reading on the sample holds carbon dioxide: from its way here, or from its source",
        "Look first at container, closure and age of the sample, then measure at the sample point",
    ),
    "leak-or-junction": (
        "The pH of the sample falls: it takes up carbon dioxide from the air, or the junction drifts",
        "Cover the sample and measure a fresh portion; check the electrode in a buffer of low ionic strength",
    ),
}
"""The same of what someone brought to the electrode: it has no fittings, no tank and no flow."""
REJECTED: Final = "rejected"
"""Kind of what closes because a person says that it is none."""
_WIDE: Final = 0.4
"""An uncertainty beyond this share of a value is told as a range."""
_BOTH: Final = (
    "Tighten and look over fittings, tubing and seals before the electrode, and change the flow to see "
    "whether pH follows; check the electrode in a buffer of low ionic strength"
)


def cause(event: EpisodeEvent, *, sample: bool = False) -> str:
    """Return what is suspected, as a sentence without its end.

    Parameters
    ----------
    event : EpisodeEvent
        What happened.
    sample : bool
        Whether it happened in what someone brought to the electrode.
    """
    return _cause_and_look(event, sample=sample)[0]


def wording(event: EpisodeEvent, time_text: Callable[[int], str], *, sample: bool = False) -> str:
    """Return the sentence of an event.

    Parameters
    ----------
    event : EpisodeEvent
        What happened.
    time_text : callable
        Gives a segment time as people read it.
    sample : bool
        Whether it happened in what someone brought to the electrode.
    """
    since = time_text(event.began_ms)
    told = _numbers(event)
    if event.state == "closed":
        became = "was rejected: what is read is the new normal" if event.kind == REJECTED else "is gone"
        return f"{told_as(event.diagnosis)} since {since} {became} ({told})."
    why, look = _cause_and_look(event, sample=sample)
    other = "" if event.kind or _placed(event) else f"; it could also be {_ELSE[event.diagnosis]}"
    return f"{why}, since {since}{_sizes(event)}: {told}{other}. {look}."


def _placed(event: EpisodeEvent) -> bool:
    """Tell whether the flow has shown that air leaks in: then no other cause is left."""
    explained = event.kind in ("standing", "leak-or-junction")
    return event.place == "sample-path" and (event.diagnosis == "co2-ingress" or explained)


def _cause_and_look(event: EpisodeEvent, *, sample: bool) -> tuple[str, str]:
    kind, diagnosis = event.kind, event.diagnosis
    if sample and (kind or diagnosis) in _IN_SAMPLE:
        return _IN_SAMPLE[kind or diagnosis]
    if _placed(event) or (event.place == "upstream" and diagnosis == "co2-ingress"):
        return _PLACED[event.place]
    if kind == "standing":
        why = (
            _CAUSE["co2-ingress"] + ", from the first reading on" if diagnosis == "co2-ingress" else STANDING
        )
        return why, _LOOK["co2-ingress"] + "; change the flow: what a leak brings grows as the flow falls"
    look = _BOTH if kind == "leak-or-junction" else _LOOK[diagnosis]
    return _SPECIAL.get(kind, _CAUSE[diagnosis]), look


def told_as(diagnosis: str) -> str:
    """Return what an episode was, as the beginning of a sentence on how it ended."""
    unknown = diagnosis == "cannot-tell"
    return "The change nobody could tell the cause of" if unknown else f"What was told as {diagnosis}"


def _sizes(event: EpisodeEvent) -> str:
    """Return how much carbon dioxide came in, how much there is by either way, and how old it is."""
    rise, age_s, share = event.co2_rise_ug_per_l, event.sample_age_s, event.equilibrium_with_air_pct
    if rise is None or event.diagnosis not in ("co2-ingress", "cannot-tell"):
        return ""
    totals = [
        f"{_amount(amount)} by {name}"
        for amount, name in (
            (event.co2_ug_per_l_from_conductivity, "conductivity"),
            (event.co2_ug_per_l_from_ph, "pH"),
        )
        if amount is not None
    ]
    what = "" if event.diagnosis == "co2-ingress" else " if it is carbon dioxide"
    age = f" at a sample age of {age_s:.0f} s" if age_s is not None else ""
    air = f", {share:.2g} % of equilibrium with air" if share is not None and share > 0.0 else ""
    return f", {_amount(rise)} more of it{what}, now {' and '.join(totals)}{age}{air}"


def _amount(amount: Amount) -> str:
    """Return an amount with its uncertainty; as a range where that is wide, for nothing is less than none."""
    value, expanded = amount.value, amount.expanded_uncertainty
    places = 1 if abs(value) < 10.0 else 0
    if 0.0 < expanded < 0.95:  # else a small uncertainty would be told as none
        places = max(places, math.ceil(-math.log10(expanded / 0.95)))
    if expanded <= _WIDE * abs(value):
        return f"{value:.{places}f} ± {expanded:.{places}f} µg/L"
    least, most = f"{max(value - expanded, 0.0):.{places}f}", f"{max(value + expanded, 0.0):.{places}f}"
    return f"{least} to {most} µg/L" if float(least) > 0.0 else f"up to {most} µg/L"


def _numbers(event: EpisodeEvent) -> str:
    """Return the two numbers that convinced."""
    ph = f"pH {event.ph_before:.2f} to {event.ph_now:.2f}"
    before, now = event.conductivity_before_us_cm, event.conductivity_now_us_cm
    if event.diagnosis == "temperature":
        return f"temperature {event.temperature_before_c:.1f} to {event.temperature_now_c:.1f} °C, {ph}"
    if before is None or now is None:
        return ph + ", no conductivity of this water"
    return f"conductivity {before:.3f} to {now:.3f} µS/cm, {ph}"
