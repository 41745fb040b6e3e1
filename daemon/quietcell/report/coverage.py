"""For what share of a span there is a valid result, and what stands in the way for the rest.

Every instant belongs to one cause, so the shares add up to the whole. A determination speaks from its
beginning to that of the next, but no longer than the cell's interval allows and never beyond its own end
if that is later. Over it lies what took the water away from the electrode: work at the cell, sanitisation,
silence of the meter, a daemon that does not run.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from quietcell.core.records import Json, Reason
from quietcell.core.times import utc_ms
from quietcell.report.material import CellMaterial, Entry, Span

VALID = ("accepted", "qualified")
"""Verdicts whose value is a result."""
NOT_RUNNING = "not-running"
NO_DETERMINATION = "no-determination"
ON_REQUEST = "on-request"
IN_DOUBT = "result-in-doubt"
NO_READINGS = "no-readings"
NOT_RECORDED = "not-recorded"
SANITISATION = "sanitisation"


@dataclass(frozen=True, slots=True, kw_only=True)
class Share:
    """How much of a span has one cause."""

    cause: str
    """A verdict, ``result-in-doubt``, ``refused: REASON``, ``attended: WORK``, or why there was none."""
    seconds: float
    share_pct: float


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch of time with a name; UTC, ms."""

    from_ms: int
    to_ms: int
    name: str


def layers(material: CellMaterial, doubted: Collection[str]) -> list[Stretch]:
    """Return what holds when; later ones lie over earlier ones."""
    every_ms = due_every_ms(material.until_end("configuration"))
    bodies = [e.body for e in [*material.of("determination"), *material.neighbours]]
    determinations = [body for body in bodies if not brought(body, every_ms)]
    segments = list(_segments(material))
    return [
        *(Stretch(s.from_ms, s.to_ms, _idle(every_ms, s.from_ms)) for s in segments),
        # Whether an open segment goes on there nobody knows: the daemon may have been killed.
        Stretch(material.recorded_to_ms or material.span.to_ms, material.span.to_ms, NOT_RECORDED),
        *spoken_for(determinations, every_ms, doubted),
        *(Stretch(utc_ms(e.body["began"]), utc_ms(e.body["ended"]), NO_READINGS) for e in material.of("gap")),
        *sanitised(material),
        *attended(material),
        *_between(segments, material.span),
    ]


def shares_of(stretches: Sequence[Stretch], span: Span) -> list[Share]:
    """Return every cause with its share of a span, largest first.

    Parameters
    ----------
    stretches : sequence of Stretch
        What holds when, as `layers` gives it: later ones lie over earlier ones.
    span : Span
        The span.
    """
    whole = span.to_ms - span.from_ms
    if whole <= 0:
        return []
    clipped = [(*span.clipped(s.from_ms, s.to_ms), s.name) for s in stretches]
    clipped = [each for each in clipped if each[0] < each[1]]
    edges = np.unique(np.array([span.from_ms, span.to_ms, *(x for a, b, _ in clipped for x in (a, b))]))
    names = sorted({NOT_RUNNING, *(name for _, _, name in clipped)})
    number = {name: index for index, name in enumerate(names)}
    cause = np.full(len(edges) - 1, number[NOT_RUNNING])
    firsts = np.searchsorted(edges, [a for a, _, _ in clipped])
    lasts = np.searchsorted(edges, [b for _, b, _ in clipped])
    for first, last, (_, _, name) in zip(firsts, lasts, clipped, strict=True):
        cause[first:last] = number[name]
    length_ms = np.bincount(cause, weights=np.diff(edges), minlength=len(names))
    found = [
        Share(cause=name, seconds=float(ms) / 1000.0, share_pct=100.0 * float(ms) / whole)
        for name, ms in zip(names, length_ms, strict=True)
        if ms
    ]
    return sorted(found, key=lambda share: -share.seconds)


def valid_pct(found: Iterable[Share]) -> float:
    """Return the share of time with a valid result that is not in doubt, %."""
    return sum((share.share_pct for share in found if share.cause in VALID), 0.0)


def spoken_for(
    determinations: Iterable[Mapping[str, Json]],
    every_ms: Sequence[tuple[int, int | None]],
    doubted: Collection[str],
) -> list[Stretch]:
    """Return the stretch each determination speaks for.

    Parameters
    ----------
    determinations : iterable of mapping
        Bodies, with `began_ms` and `ended_ms` in UTC.
    every_ms : sequence of (int, int or None)
        From when on (UTC ms) one is due so often, None on request only.
    doubted : collection of str
        Ids of those in doubt.
    """
    ordered = sorted(determinations, key=lambda body: (body["began_ms"], body["ended_ms"]))
    times = [(body["began_ms"], body["ended_ms"]) for body in ordered]
    found = []
    for index, (body, (began, ended)) in enumerate(zip(ordered, times, strict=True)):
        due = _at(every_ms, began)
        end = max(ended, began + due) if due is not None else ended
        if index + 1 < len(times):
            end = min(end, times[index + 1][0])
        found.append(Stretch(began, end, _outcome(body, doubted)))
    return found


def _outcome(body: Mapping[str, Json], doubted: Collection[str]) -> str:
    if body["verdict"] in VALID:
        return IN_DOUBT if body["id"] in doubted else str(body["verdict"])
    # That it took too long says nothing where what it waited for stands beside it.
    told = sorted(body["reasons"], key=lambda reason: reason == Reason.MAX_WAIT.value)
    return f"{body['verdict']}: {told[0] if told else 'no reason'}"


def brought(body: Mapping[str, Json], every_ms: Sequence[tuple[int, int | None]]) -> bool:
    """Tell whether a determination is of a sample, at a cell that has water of its own to tell of."""
    return body.get("grab") is not None and _at(every_ms, body["began_ms"]) is not None


def due_every_ms(configurations: Sequence[Entry]) -> list[tuple[int, int | None]]:
    """Return from when on a determination is due how often."""
    found: list[tuple[int, int | None]] = []
    for each in configurations:
        settings = each.body["settings"]
        continuous = settings["mode"] == "continuous"
        found.append((each.at_ms, round(settings["every_s"] * 1000) if continuous else None))
    return found


def _at(steps: Sequence[tuple[int, int | None]], at_ms: int) -> int | None:
    value = steps[0][1] if steps else None
    for since, each in steps:
        if since > at_ms:
            break
        value = each
    return value


def _idle(every_ms: Sequence[tuple[int, int | None]], at_ms: int) -> str:
    return ON_REQUEST if _at(every_ms, at_ms) is None else NO_DETERMINATION


def _segments(material: CellMaterial) -> Iterable[Stretch]:
    """Yield the stretches the cell was measured in; one that has no end goes on."""
    began: Entry | None = None
    for each in material.until_end("segment"):
        if each.body["state"] == "began":
            if began is not None:
                yield Stretch(began.at_ms, each.at_ms, "")
            began = each
        elif began is not None:
            yield Stretch(began.at_ms, each.at_ms, "")
            began = None
    if began is not None:
        yield Stretch(began.at_ms, material.span.to_ms, "")


def _between(segments: Sequence[Stretch], span: Span) -> Iterable[Stretch]:
    """Yield what lies between the stretches a cell was measured in."""
    end = span.from_ms
    for each in sorted(segments, key=lambda s: s.from_ms):
        if each.from_ms > end:
            yield Stretch(end, each.from_ms, NOT_RUNNING)
        end = max(end, each.to_ms)
    yield Stretch(end, span.to_ms, NOT_RUNNING)


def attended(material: CellMaterial) -> list[Stretch]:
    """Return when someone worked at the cell; its readings are then not of the water.

    The end of a segment ends the work, whether that was recorded or not.
    """
    ends = [e for e in material.until_end("segment") if e.body["state"] == "ended"]
    steps = (
        (e.at_ms, e.body["state"] == "began", f"attended: {e.body.get('work')}")
        for e in sorted([*material.until_end("attendance"), *ends], key=lambda e: e.seq)
    )
    return _stretches(steps, material.span.to_ms)


def sanitised(material: CellMaterial) -> list[Stretch]:
    """Return when the cell was in function check for a sanitisation."""
    steps = (
        (e.at_ms, e.body["state"] not in ("normal", "returned-unacknowledged"), SANITISATION)
        for e in material.until_end("alarm")
        if e.body["alarm"] == SANITISATION
    )
    return _stretches(steps, material.span.to_ms)


def _stretches(steps: Iterable[tuple[int, bool, str]], end_ms: int) -> list[Stretch]:
    """Return the stretches that steps (when, whether it begins, name) mark; an open one ends at `end_ms`."""
    found: list[Stretch] = []
    since: tuple[int, str] | None = None
    for at_ms, begins, name in steps:
        if begins:
            since = since or (at_ms, name)
        elif since is not None:
            found.append(Stretch(since[0], at_ms, since[1]))
            since = None
    if since is not None:
        found.append(Stretch(since[0], end_ms, since[1]))
    return found
