"""What criteria make of the same recordings: share accepted, time, and how far from where it came to rest."""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from quietcell.core.endpoint.criterion import Criterion
from quietcell.core.ingress.episode import EpisodeBody
from quietcell.core.readings import ReadingBlock
from quietcell.core.recording import Mark, Piece
from quietcell.core.records import Body, DeterminationBody, GapBody, Reason, SegmentBody, Verdict
from quietcell.core.settings import CellSettings
from quietcell.core.times import utc_ms
from quietcell.service.replay import replay

PLATEAU_MS = 300_000
"""A later plateau is the median over so long,"""
PLATEAU_WITHIN_MS = 3_600_000
"""the last such span within an hour of the beginning and before the next disturbance,"""
LATER_MS = 300_000
"""and it begins at least so long after the value was accepted, so that it is no part of it."""
_OTHER_WATER = frozenset({"co2-ingress", "acidic-ingress", "base-ingress"})
"""What came into the water changed it: nothing it came to later tells of a value before."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Accepted:
    """One value a criterion accepted."""

    body: DeterminationBody
    waited_s: float
    """From the beginning of the determination to its verdict."""
    plateau_ph: float | None
    """What the undisturbed reading came to later; None where it did not go on for long enough."""

    @property
    def disagreement_ph(self) -> float | None:
        """The accepted value less the later plateau."""
        return None if self.plateau_ph is None or self.body.ph is None else self.body.ph - self.plateau_ph


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """What one criterion made of one recording."""

    criterion: str
    determinations: int
    """Ended by their own verdict: not those cut off by the end of the recording."""
    accepted: tuple[Accepted, ...]
    refused_for: Mapping[str, int]
    """Reasons of those refused, those cut off included, and how often each was named."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """What one criterion made of an archive; None where nothing was accepted or no plateau followed."""

    criterion: str
    determinations: int
    accepted: int
    accepted_pct: float | None
    refused_for: Mapping[str, int]
    """Reasons of those refused, the most frequent first, and how often each was named."""
    median_time_s: float | None
    p90_time_s: float | None
    compared: int
    """Accepted values with a later plateau."""
    median_disagreement_ph: float | None
    """Of its size."""
    largest_disagreement_ph: float | None
    off_by_005_ph_pct: float | None
    """Share of those compared that lie more than 0.05 pH off."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Trace:
    """Potential, temperature and conductivity of a whole recording, in the order of their times."""

    utc_ms: NDArray[np.int64]
    mv: NDArray[np.float64]
    temperature_c: NDArray[np.float64]
    conductivity_us_cm: NDArray[np.float64]
    twice: Sequence[tuple[int, int]] = ()
    """Stretches the clock went through again, because it was set back: what came later is not known there."""

    def ph(self, settings: CellSettings) -> NDArray[np.float64]:
        """Return the pH of each reading; NaN where potential or temperature is missing."""
        known = np.isfinite(self.mv) & np.isfinite(self.temperature_c)
        ph = np.full(len(self.mv), np.nan)
        ph[known] = settings.line.ph(self.mv[known], self.temperature_c[known])
        check = settings.water_check
        return ph if check is None else ph - check.taken_off(self.conductivity_us_cm)


def trace_of(pieces: Iterable[Piece]) -> Trace:
    """Return the trace of a recording."""
    blocks = [piece.block(0) for piece in pieces if not isinstance(piece, Mark)]
    whole = ReadingBlock.concatenate(blocks) if blocks else ReadingBlock.from_columns([], [])
    back = np.flatnonzero(np.diff(whole.ms) < 0).tolist()
    twice = [(int(whole.ms[at + 1]), int(whole.ms[: at + 1].max())) for at in back]
    order = np.argsort(whole.ms, kind="stable")
    return Trace(
        utc_ms=whole.ms[order],
        mv=whole.mv[order],
        temperature_c=whole.temperature_c[order],
        conductivity_us_cm=whole.conductivity_us_cm[order],
        twice=twice,
    )


def trial(
    pieces: Sequence[Piece],
    settings: CellSettings,
    name: str,
    criterion: Criterion,
    requests_utc_ms: Sequence[int] = (),
) -> Trial:
    """Try a criterion on a recording.

    Parameters
    ----------
    pieces : sequence of Piece
        The recording, whole.
    settings : CellSettings
        The cell.
    name, criterion : str, Criterion
        What to try in place of the cell's own.
    requests_utc_ms : sequence of int
        When determinations are asked for; without any, a cell that is only measured on request is
        asked at the first reading.
    """
    trace = trace_of(pieces)
    if not requests_utc_ms and settings.mode == "on-request" and len(trace.utc_ms):
        requests_utc_ms = (int(trace.utc_ms[0]),)
    tried = replace(settings, criterion=criterion, criterion_name=name)
    bodies = list(replay(pieces, tried, requests_utc_ms))
    determinations = [body for body in bodies if isinstance(body, DeterminationBody)]
    ended = [body for body in determinations if _judged(body)]
    stops = _stops(bodies, requests_utc_ms)
    ph = trace.ph(settings)
    accepted = tuple(
        Accepted(
            body=body,
            waited_s=(utc_ms(body.ended) - utc_ms(body.began)) / 1000,
            plateau_ph=_plateau(trace, ph, stops, utc_ms(body.began), utc_ms(body.ended)),
        )
        for body in ended
        if body.verdict in (Verdict.ACCEPTED, Verdict.QUALIFIED)
    )
    return Trial(
        criterion=name,
        determinations=len(ended),
        accepted=accepted,
        refused_for=Counter(reason.value for body in determinations for reason in body.reasons),
    )


def _judged(body: DeterminationBody) -> bool:
    cut = {Reason.STOPPED, Reason.SUPERSEDED, Reason.RECONFIGURED, Reason.BUSY}
    return not cut & set(body.reasons)


def _stops(bodies: Iterable[Body], requests_utc_ms: Sequence[int]) -> list[int]:
    """Return the times behind which a reading is another water's or may be."""
    stops = [utc_ms(body.began) for body in bodies if isinstance(body, GapBody)]
    stops += [utc_ms(body.at) for body in bodies if isinstance(body, SegmentBody) and body.state == "ended"]
    stops += [
        utc_ms(body.began)
        for body in bodies
        if isinstance(body, EpisodeBody) and body.diagnosis in _OTHER_WATER
    ]
    return sorted([*stops, *requests_utc_ms])


def _plateau(
    trace: Trace, ph: NDArray[np.float64], stops: Sequence[int], began_ms: int, ended_ms: int
) -> float | None:
    """Return the pH the undisturbed reading came to."""
    limit_ms = min([began_ms + PLATEAU_WITHIN_MS, *(stop for stop in stops if stop > ended_ms)])
    if limit_ms - PLATEAU_MS < ended_ms + LATER_MS:
        return None
    if any(from_ms <= limit_ms and began_ms <= to_ms for from_ms, to_ms in trace.twice):
        return None
    low, high = np.searchsorted(trace.utc_ms, (limit_ms - PLATEAU_MS, limit_ms), side="right")
    later = ph[low:high][np.isfinite(ph[low:high])]
    return float(np.median(later)) if len(later) >= 3 else None  # a median of two is a mean


def summary(name: str, trials: Iterable[Trial]) -> Summary:
    """Sum up what a criterion made of many recordings."""
    own = [each for each in trials if each.criterion == name]
    count = sum(each.determinations for each in own)
    accepted = [value for each in own for value in each.accepted]
    times = np.array([value.waited_s for value in accepted])
    found = (value.disagreement_ph for value in accepted)
    off = np.abs(np.array([ph for ph in found if ph is not None]))
    refused_for: Counter[str] = sum((Counter(each.refused_for) for each in own), Counter())
    return Summary(
        criterion=name,
        determinations=count,
        accepted=len(accepted),
        accepted_pct=100.0 * len(accepted) / count if count else None,
        refused_for=dict(refused_for.most_common()),
        median_time_s=float(np.median(times)) if len(times) else None,
        p90_time_s=float(np.quantile(times, 0.9)) if len(times) else None,
        compared=len(off),
        median_disagreement_ph=float(np.median(off)) if len(off) else None,
        largest_disagreement_ph=float(off.max()) if len(off) else None,
        off_by_005_ph_pct=100.0 * float((off > 0.05).mean()) if len(off) else None,  # named
    )


def table(summaries: Sequence[Summary]) -> str:
    """Return the summaries as a table for people."""
    head = "criterion            ended  accepted  median s  90 % s  compared  off median  largest  > 0.05 pH"
    rows = [head]
    for each in summaries:
        cells: Mapping[str, str] = {
            "accepted": _text(each.accepted_pct, "{:.1f} %"),
            "median": _text(each.median_time_s, "{:.0f}"),
            "p90": _text(each.p90_time_s, "{:.0f}"),
            "off": _text(each.median_disagreement_ph, "{:.3f}"),
            "largest": _text(each.largest_disagreement_ph, "{:.3f}"),
            "share": _text(each.off_by_005_ph_pct, "{:.1f} %"),
        }
        rows.append(
            f"{each.criterion:20s} {each.determinations:5d}  {cells['accepted']:>8s}  {cells['median']:>8s}  "
            f"{cells['p90']:>6s}  {each.compared:8d}  {cells['off']:>10s}  {cells['largest']:>7s}  "
            f"{cells['share']:>9s}"
        )
    rows += [
        f"{each.criterion} refused for {counted(each.refused_for)}" for each in summaries if each.refused_for
    ]
    return "\n".join(rows)


def counted(reasons: Mapping[str, int]) -> str:
    """Return reasons with how often each was named: ``max-wait 3, gap 1``."""
    return ", ".join(f"{reason} {number}" for reason, number in Counter(reasons).most_common())


def _text(value: float | None, form: str) -> str:
    return "-" if value is None else form.format(value)
