"""From scores to a diagnosis: what must be shown before a cause is named."""

import math
from typing import Final, NamedTuple

from quietcell.core.ingress.event import Diagnosis, IngressSettings
from quietcell.core.ingress.rivals import Scores

OPEN_RATIO: Final = 12.0
"""Log likelihood ratio against no change that any diagnosis needs."""
CO2_MARGIN: Final = 6.0
"""Lead of carbon dioxide over every rival but acid."""
CO2_LOOKS: Final = ((20.0, 2), (5.0, 6), (0.0, 12))
"""Looks in a row that must agree on carbon dioxide: from so many µg/L on, so many. A small rise may be
a passing one; a large one is not waited for."""
LEAST_CO2_UG_L: Final = 1.2
"""Water wanders by less without a leak (common practice, no source)."""
OTHER_MARGIN: Final = 4.0
PH_MARGIN: Final = 2.5
"""A fault of the pH is far more common than chemistry that leaves conductivity alone by chance."""
OTHER_LOOKS: Final = 6
SETTLE_MS: Final = 180_000
"""Other causes wait so long: a slow electrode makes carbon dioxide look like salt for a while."""
ALONE_MARGIN: Final = 3.0
ALONE_LOOKS: Final = 18
ALONE_SETTLE_MS: Final = 240_000
"""By pH alone only size speaks, and it must last."""
UNDECIDED_MS: Final = 1_200_000
"""After so long a change nobody can explain is told as such;"""
UNDECIDED_ALONE_MS: Final = 600_000
"""by pH alone, and for a fall behind an upstream conductivity cell, waiting brings nothing."""
ACID_LEAD: Final = 4.0
"""Acid is named where it leads over carbon dioxide by so much."""
LEAST_PH, LEAST_LOG = 0.04, 0.04
"""Smaller changes of pH or ln conductivity alone are nobody's business."""

_ACIDS: Final = ("co2-ingress", "acidic-ingress")
PH_ONLY: Final = ("junction-drift", "electrical-step", "streaming")
LOG_ONLY: Final = ("salt-ingress", "conductivity-fault", "reference-outflow")
EXPLAINED: Final = ("carbonate-loss", "reference-outflow")
"""Nothing to tell: the water got better, or the conductivity cell sees what the reference lets out."""
_NAMES: Final[dict[str, Diagnosis]] = {
    "co2-ingress": "co2-ingress",
    "acidic-ingress": "acidic-ingress",
    "base-ingress": "base-ingress",
    "salt-ingress": "salt-ingress",
    "conductivity-fault": "sensor-fault",
    "junction-drift": "junction-drift",
    "electrical-step": "electrical-step",
    "streaming": "streaming",
    "temperature": "temperature",
    "ammonia-loss": "cannot-tell",
    "two-causes": "cannot-tell",
}


class Verdict(NamedTuple):
    """What a look at the scores says."""

    favourite: str
    """The rival that leads, `undecided` where none does."""
    needs_looks: int
    needs_ms: int
    """How long it has to lead before it is told."""


_UNDECIDED: Final = Verdict("undecided", 1, UNDECIDED_MS)


def judge(scores: Scores, settings: IngressSettings, *, alone: bool) -> Verdict:
    """Return which cause leads clearly, and how long it must go on doing so."""
    best = scores.best()
    if scores.ratio[best] < OPEN_RATIO:
        return _UNDECIDED
    fall = scores.change[0] < 0.0
    if alone:
        return _judge_alone(scores, best, fall=fall)
    if best in _ACIDS:
        return _judge_acids(scores, best)
    return _judge_others(scores, best, settings, fall=fall)


def _judge_acids(scores: Scores, best: str) -> Verdict:
    if scores.margin(best, beside=(*_ACIDS, "two-causes")) < CO2_MARGIN:
        return _UNDECIDED
    acid, gas = (scores.ratio.get(name, -math.inf) for name in ("acidic-ingress", "co2-ingress"))
    if acid - gas < ACID_LEAD:
        looks = next(n for size, n in CO2_LOOKS if scores.co2_ug_l >= size)
        return Verdict("co2-ingress", looks, 0) if scores.co2_ug_l >= LEAST_CO2_UG_L else _UNDECIDED
    return Verdict("acidic-ingress", OTHER_LOOKS, SETTLE_MS)


def _judge_others(scores: Scores, best: str, settings: IngressSettings, *, fall: bool) -> Verdict:
    rivals = PH_ONLY if best in PH_ONLY else LOG_ONLY if best in LOG_ONLY else ()
    small = abs(scores.change[0]) < LEAST_PH if best in PH_ONLY else abs(scores.change[1]) < LEAST_LOG
    needed = PH_MARGIN if best in PH_ONLY else OTHER_MARGIN
    if (rivals and small) or scores.margin(best, beside=rivals) < needed:
        return _UNDECIDED
    blind = settings.conductivity_position in ("upstream", "separate-portion")
    if best == "junction-drift" and blind and fall:
        # The conductivity cell does not see what comes in behind it.
        return Verdict("leak-or-junction", OTHER_LOOKS, SETTLE_MS)
    return Verdict(best, OTHER_LOOKS, SETTLE_MS)


def _judge_alone(scores: Scores, best: str, *, fall: bool) -> Verdict:
    undecided = Verdict("leak-or-junction" if fall else "undecided", ALONE_LOOKS, UNDECIDED_ALONE_MS)
    if abs(scores.change[0]) < LEAST_PH:
        return _UNDECIDED
    if best == "co2-ingress":
        lead = scores.margin(best, beside=("acidic-ingress",))
        return Verdict(best, ALONE_LOOKS, ALONE_SETTLE_MS) if lead >= ALONE_MARGIN else undecided
    if best == "junction-drift" and fall:
        return undecided
    if scores.margin(best) < ALONE_MARGIN and best != "junction-drift":
        return undecided
    return Verdict(best, OTHER_LOOKS, SETTLE_MS)


def worth_telling(told: Verdict, scores: Scores) -> bool:
    """Return whether a change nobody can explain is large enough to be told; any other is."""
    if told.favourite != "undecided":
        return True
    moved = abs(scores.change[0]) >= LEAST_PH or abs(scores.change[1]) >= LEAST_LOG
    return moved and scores.ratio[scores.best()] >= OPEN_RATIO


def diagnosis_of(favourite: str) -> Diagnosis:
    """Return the diagnosis a favourite is told as."""
    return _NAMES.get(favourite, "cannot-tell")
