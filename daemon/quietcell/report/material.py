"""What a report rests on: the records of a cell that say something about a span of time."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np

from quietcell.core.records import Json
from quietcell.core.times import DAY_MS, utc_ms
from quietcell.ledger.chain import Stored, digest
from quietcell.ledger.journal import Journal
from quietcell.ledger.upcast import upcast
from quietcell.report.referred import uncertainties_25c

LEAD_MS = DAY_MS
"""A determination that ended so long before a span may still speak for its beginning."""
_LATEST_MS = 253_402_300_799_999
"""The last instant of year 9999."""
WITHIN = (
    "determination",
    "gap",
    "clock-step",
    "note",
    "operator-verdict",
    "check",
    "flow-test",
    "driver-fault",
    "cell-fault",
    "readings-digest",
)
"""Kinds that concern the instant they are dated at."""
SINCE_EVER = ("segment", "configuration", "calibration", "episode", "electrode", "attendance", "alarm")
"""Kinds that may have begun before a span what still holds in it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """A stretch of time, the end not included; UTC, ms."""

    from_ms: int
    to_ms: int

    def __contains__(self, at_ms: object) -> bool:
        """Tell whether an instant lies in it."""
        return isinstance(at_ms, int) and self.from_ms <= at_ms < self.to_ms

    def meets(self, from_ms: int, to_ms: int) -> bool:
        """Tell whether another stretch has something in common with it."""
        return from_ms < self.to_ms and to_ms >= self.from_ms

    def clipped(self, from_ms: int, to_ms: int) -> tuple[int, int]:
        """Return the part of another stretch that lies in it."""
        return max(from_ms, self.from_ms), min(to_ms, self.to_ms)


KEPT = (
    "id", "cell", "began", "ended", "verdict", "reasons", "qualifiers", "ph", "ph_25c", "ph_25c_model",
    "ph_25c_spread", "ph_reported", "ph_expanded_uncertainty", "ph_expanded_uncertainty_repeatability",
    "ph_expanded_uncertainty_systematic", "temperature_c", "mv", "conductivity_us_cm", "flow_ml_min",
    "sample_age_s", "smallest_co2_ug_per_l", "sample_id", "grab", "operator", "episodes",
    "criterion", "readings_sha256",
)  # fmt: skip
"""What a report on a span keeps of a determination: months of whole ones would fill the memory."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One record: its body in the newest schema, and what the envelope says."""

    seq: int
    sha256: str
    """Empty for determinations of a span, which are many."""
    body: dict[str, Json]
    software: str
    engine_version: int
    time_quality: str

    kind: str

    @property
    def at_ms(self) -> int:
        """When it happened, UTC."""
        return utc_ms(self.body["at"])


def entry(stored: Stored, *, brief: bool = False) -> Entry:
    """Return a stored record, parsed; brief for one of many determinations."""
    envelope = stored.envelope()
    body = upcast(envelope)
    return Entry(
        seq=stored.seq,
        sha256="" if brief else digest(stored.text),
        body=_brief(body) if brief else body,
        kind=body["record"],
        software=envelope["software"],
        engine_version=envelope["engine_version"],
        time_quality=envelope["time_quality"],
    )


def _brief(body: dict[str, Json]) -> dict[str, Json]:
    """Return what a report on a span needs of a determination, its budget as rows."""
    kept = {name: body.get(name) for name in KEPT}
    kept["budget"] = tuple(
        (line["name"], line["repeatability"], line["basis"], line["standard_uncertainty_ph"], line["bias_ph"])
        for line in body["ph_budget"] or ()
    )
    return kept


@dataclass(frozen=True, slots=True, kw_only=True)
class CellMaterial:
    """The records of one cell."""

    cell: str
    span: Span
    site: str | None = None
    in_span: Mapping[str, list[Entry]] = field(default_factory=dict)
    """By kind, those dated in the span."""
    before: Mapping[str, list[Entry]] = field(default_factory=dict)
    """By kind, those dated earlier that may still matter."""
    neighbours: list[Entry] = field(default_factory=list)
    """Determinations that ended shortly before the span or behind it."""
    doubts: list[Entry] = field(default_factory=list)
    """Whenever recorded: about results in the span."""
    runs: list[Entry] = field(default_factory=list)
    """Of the daemon, up to the end of the span: they hold the limits."""
    recorded_to_ms: int | None = None
    """End of what the ledger knows of, UTC; None: it reaches beyond the span."""

    def of(self, kind: str) -> list[Entry]:
        """Return the records of a kind dated in the span."""
        return self.in_span.get(kind, [])

    def until_end(self, kind: str) -> list[Entry]:
        """Return the records of a kind up to the end of the span."""
        return [*self.before.get(kind, []), *self.of(kind)]

    def everything(self) -> Iterator[Entry]:
        """Yield all records dated in the span."""
        for entries in self.in_span.values():
            yield from entries


def gather(journal: Journal, cell: str, span: Span) -> CellMaterial:
    """Read what concerns one cell and a span.

    Parameters
    ----------
    journal : Journal
        Read-only will do; it may go on being written.
    cell : str
        Which cell.
    span : Span
        The span.
    """
    in_span: dict[str, list[Entry]] = {}
    before: dict[str, list[Entry]] = {}
    for kind in WITHIN:
        in_span[kind] = _read(journal, cell, kind, span.from_ms, span.to_ms)
    for kind in SINCE_EVER:
        for each in map(entry, journal.of_cell(cell, kinds=(kind,))):
            if each.at_ms < span.to_ms:
                (in_span if each.at_ms >= span.from_ms else before).setdefault(kind, []).append(each)
    in_span["gap"] += [
        each
        for each in _read(journal, cell, "gap", span.to_ms, _LATEST_MS)
        if utc_ms(each.body["began"]) < span.to_ms
    ]
    doubts = [
        each
        for each in map(entry, journal.of_cell(cell, kinds=("doubt",)))
        if span.meets(utc_ms(each.body["since"]), utc_ms(each.body["until"])) or each.at_ms in span
    ]
    own = [(each.seq, each.body) for each in in_span["determination"]]
    configured = [*before.get("configuration", []), *in_span.get("configuration", [])]
    found = uncertainties_25c(own, [(each.seq, each.body) for each in configured])
    for (_, body), u_ph in zip(own, found, strict=True):
        body["ph_25c_expanded_uncertainty"] = u_ph
    lead = _read(journal, cell, "determination", span.from_ms - LEAD_MS, span.from_ms)
    behind = _read(journal, cell, "determination", span.to_ms, span.to_ms + LEAD_MS)
    runs = [
        each
        for each in map(entry, journal.of_cell("daemon", kinds=("run",)))
        if each.at_ms < span.to_ms and "settings" in each.body
    ]
    known = whole_span(journal)
    return CellMaterial(
        cell=cell,
        span=span,
        site=runs[-1].body["settings"].get("site", {}).get("name") if runs else None,
        in_span=in_span,
        before=before,
        neighbours=[*lead, *behind],
        doubts=doubts,
        runs=runs,
        recorded_to_ms=None if known is None else known.to_ms,
    )


def _read(journal: Journal, cell: str, kind: str, from_ms: int, to_ms: int) -> list[Entry]:
    """Return the records of a kind dated in a span; determinations brief, with their times as UTC ms too."""
    brief = kind == "determination"
    found = [entry(stored, brief=brief) for stored in journal.of_span(cell, kind, from_ms, to_ms)]
    if brief:
        for name in ("began", "ended"):
            # All in one go: one by one it would take longer than all the rest.
            times = np.array([each.body[name][:-1] for each in found], "datetime64[ms]").astype(np.int64)
            for each, at_ms in zip(found, times.tolist(), strict=True):
                each.body[f"{name}_ms"] = at_ms
    return found


def whole_span(journal: Journal) -> Span | None:
    """Return from the earliest to the latest record, None for an empty ledger.

    Where the clock was set back the last record is not the latest: a segment ended at the step. But what lies
    more than a day ahead of a clock that is right now was never so: all later reports would end there.
    """
    first, last = journal.get(1), journal.get(journal.head[0])
    if first is None or last is None:
        return None
    texts = [(each["recorded_at"], each["body"]["at"]) for each in (first.envelope(), last.envelope())]
    times = [utc_ms(text) for both in texts for text in both]
    now_ms = max(times[-2:])
    for cell in journal.cells():
        times += [utc_ms(record.body()["at"]) for record in journal.of_cell(cell, kinds=("segment",))]
    return Span(from_ms=min(times), to_ms=max(ms for ms in times if ms <= now_ms + DAY_MS) + 1)
