"""Puts a report together: reads the ledger, several cells at a time, and sums it up."""

import multiprocessing
import sys
import threading
from bisect import bisect_left
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta, tzinfo
from pathlib import Path
from typing import Any

from quietcell import __version__
from quietcell.collector import at_rest
from quietcell.core.records import ENGINE_VERSION
from quietcell.core.times import DAY_MS, rfc3339, utc_ms
from quietcell.errors import LedgerDamagedError, QuietcellError
from quietcell.ledger.journal import Journal
from quietcell.ledger.links import check_links
from quietcell.report.cell_report import CellReport
from quietcell.report.excursions import limits_of
from quietcell.report.indications import Indications, read, wanted
from quietcell.report.material import Entry, Span, gather
from quietcell.report.summary import summarise

LONG_MS = 3 * DAY_MS
"""Of a longer span several cells are worked on at a time, each in a process of its own."""
STEPS = 100
"""Into so many steps the work on a cell is told."""
_GATHERED, _READ = 30, 80
_POLL_S = 0.2
_done: Any = None
"""In a process that works for another: how many steps are done, of all cells."""

Part = Callable[[CellReport, Indications | None, Span], str]
"""Writes what a page says of a cell."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Links:
    """Whether records follow on each other."""

    first_seq: int
    last_seq: int
    sound: bool
    fault: str | None
    last_sha256: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Counted:
    """The records a report rests on, and what their envelopes say."""

    first_seq: int | None
    last_seq: int | None
    records: dict[str, int]
    """By kind."""
    time_quality: dict[str, int]
    """Determinations by how far UTC could be trusted when they were stored."""
    software: tuple[str, ...]
    """That wrote them."""
    engine_versions: tuple[int, ...]
    site: str | None
    time_scales: tuple[float, ...] = ()
    """Other than 1, of the runs up to then: the clock of a demonstration."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LedgerFacts:
    """Which ledger, and what of it the report rests on."""

    ledger: str
    head_seq: int
    head_sha256: str
    counted: Counted
    links: Links | None
    verified: dict[str, Any] | None = None
    """Outcome of `verify`, where it was run."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """A report on a span."""

    made_at: str
    made_by: str
    engine_version: int
    time_zone: str
    from_at: str
    to_at: str
    ledger: LedgerFacts
    cells: tuple[CellReport, ...]
    parts: Mapping[str, str] = field(default_factory=dict)
    """What the page says of each cell, where it was asked for."""


Tell = Callable[[int, int], None]
"""Is told how much of the work is done, and how much there is."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Job:
    """The work on one cell; fit to be handed to another process."""

    folder: Path
    cell: str
    span: Span
    days: tuple[tuple[str, int], ...]
    limits: Mapping[str, float | None] | None
    readings: bool
    part: Part | None
    rows: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class _CellDone:
    report: CellReport
    counted: Counted
    part: str | None


def build(
    folder: Path,
    cells: Sequence[str],
    span: Span,
    *,
    made_at: str,
    zone: tzinfo = UTC,
    limits: Mapping[str, float | None] | None = None,
    readings: bool = True,
    part: Part | None = None,
    rows: bool = True,
    tell: Tell = lambda done, whole: None,  # noqa: ARG005 # nobody listens
) -> Report:
    """Read a ledger and sum up what it holds of some cells and a span.

    Parameters
    ----------
    folder : Path
        The ledger; a daemon may be writing it.
    cells : sequence of str
        Which cells.
    span : Span
        The span.
    made_at : str
        Now, RFC 3339.
    zone : tzinfo
        Where days begin and end.
    limits : mapping, optional
        Limits in place of those of the configuration.
    readings : bool
        Look at the stored readings as well.
    part : callable, optional
        Writes what a page says of a cell; fit to be handed to another process.
    rows : bool
        Give the determinations one by one as well.
    tell : callable
        Told how far the work is.

    Raises
    ------
    QuietcellError
        If the ledger cannot be read, or a process that read a part of it was ended from outside.
    """
    days = tuple(calendar_days(span, zone))
    jobs = [
        _Job(
            folder=folder,
            cell=cell,
            span=span,
            days=days,
            limits=limits,
            readings=readings,
            part=part,
            rows=rows,
        )
        for cell in cells
    ]
    with _working(jobs, tell) as results, Journal(folder) as journal:
        near = _near(journal, span)
        links = None if near is None else _links(journal, *near)
        done = list(results())
        counted = _together([each.counted for each in done])
        facts = facts_of(journal, counted, links)
    return Report(
        made_at=made_at,
        made_by=f"quietcell {__version__}",
        engine_version=ENGINE_VERSION,
        time_zone=str(zone),
        from_at=rfc3339(span.from_ms),
        to_at=rfc3339(span.to_ms),
        ledger=facts,
        cells=tuple(each.report for each in done),
        parts={each.report.cell: each.part for each in done if each.part is not None},
    )


def _work(job: _Job, tell: Callable[[int], None]) -> _CellDone:
    """Do all there is to do for one cell."""
    with at_rest():
        with Journal(job.folder) as journal:
            material = gather(journal, job.cell, job.span)
        tell(_GATHERED)
        found = None
        if job.readings:
            whole_s = max(1, (job.span.to_ms - job.span.from_ms) // 1000)
            done_s = told = 0

            def read_on(seconds: int) -> None:
                nonlocal done_s, told
                done_s += seconds
                steps = (_READ - _GATHERED) * min(done_s, whole_s) // whole_s
                tell(steps - told)
                told = steps

            found = read(wanted(job.folder, material, job.limits), read_on)
            tell(_READ - _GATHERED - told)
        else:
            tell(_READ - _GATHERED)
        limits = job.limits
        if limits is None:
            limits = limits_of(material.runs[-1].body["settings"], job.cell) if material.runs else {}
        report = summarise(material, found, limits, job.days)
        part = None if job.part is None else job.part(report, found, job.span)
        scales = {run.body.get("time_scale", 1) for run in material.runs} - {1}
        counted = count(list(material.everything()), material.site)
        counted = replace(counted, time_scales=tuple(sorted(scales)))
        tell(STEPS - _READ)
    return _CellDone(
        report=report if job.rows else replace(report, rows=(), samples=()), counted=counted, part=part
    )


def count(entries: Sequence[Entry], site: str | None) -> Counted:
    """Return what some records are."""
    return Counted(
        first_seq=min((each.seq for each in entries), default=None),
        last_seq=max((each.seq for each in entries), default=None),
        records=dict(Counter(each.kind for each in entries)),
        time_quality=dict(Counter(each.time_quality for each in entries if each.kind == "determination")),
        software=tuple({each.software for each in entries}),
        engine_versions=tuple({each.engine_version for each in entries}),
        site=site,
    )


def _together(parts: Sequence[Counted]) -> Counted:
    """Return what several cells' records are together."""
    records: Counter[str] = Counter()
    time_quality: Counter[str] = Counter()
    for part in parts:
        records.update(part.records)
        time_quality.update(part.time_quality)
    return Counted(
        first_seq=min((part.first_seq for part in parts if part.first_seq is not None), default=None),
        last_seq=max((part.last_seq for part in parts if part.last_seq is not None), default=None),
        records=dict(sorted(records.items())),
        time_quality=dict(sorted(time_quality.items())),
        software=tuple(sorted({each for part in parts for each in part.software})),
        engine_versions=tuple(sorted({each for part in parts for each in part.engine_versions})),
        site=next((part.site for part in parts if part.site), None),
        time_scales=parts[0].time_scales if parts else (),
    )


def facts_of(journal: Journal, counted: Counted, links: Links | None = None) -> LedgerFacts:
    """Return which ledger it is, and whether the records counted follow on each other.

    Parameters
    ----------
    journal : Journal
        The ledger's.
    counted : Counted
        The records.
    links : Links, optional
        What is known already.
    """
    first, last = counted.first_seq, counted.last_seq
    if first is not None and last is not None:
        known = links is not None and links.first_seq <= first and last <= links.last_seq
        links = links if known else _links(journal, first, last)
    return LedgerFacts(
        ledger=journal.ledger,
        head_seq=journal.head[0],
        head_sha256=journal.head[1],
        counted=counted,
        links=None if first is None else links,
    )


def _links(journal: Journal, first: int, last: int) -> Links:
    fault = sha256 = None
    try:
        sha256 = check_links(journal, first, last)
    except LedgerDamagedError as error:
        fault = str(error)
    return Links(first_seq=first, last_seq=last, sound=fault is None, fault=fault, last_sha256=sha256)


def _near(journal: Journal, span: Span) -> tuple[int, int] | None:
    """Return about which records are of a span: exactly, where the clock never stepped."""
    numbers = range(1, journal.head[0] + 1)

    def at_ms(seq: int) -> int:
        stored = journal.get(seq)
        return 0 if stored is None else utc_ms(stored.envelope()["body"]["at"])

    first = bisect_left(numbers, span.from_ms, key=at_ms)
    last = bisect_left(numbers, span.to_ms, key=at_ms)
    return (numbers[first], numbers[last - 1]) if first < last else None


def calendar_days(span: Span, zone: tzinfo) -> list[tuple[str, int]]:
    """Return the calendar days a span touches and when (UTC ms) each begins.

    Examples
    --------
    >>> calendar_days(Span(from_ms=1_000, to_ms=90_000_000), UTC)
    [('1970-01-01', 0), ('1970-01-02', 86400000)]
    """
    day = datetime.fromtimestamp(span.from_ms / 1000, zone).date()
    found: list[tuple[str, int]] = []
    while True:
        begins = round(datetime(day.year, day.month, day.day, tzinfo=zone).timestamp() * 1000)
        if begins >= span.to_ms:
            return found
        found.append((day.isoformat(), begins))
        day += timedelta(days=1)


@contextmanager
def _working(jobs: Sequence[_Job], tell: Tell) -> Iterator[Callable[[], Iterator[_CellDone]]]:
    """Do jobs, several at a time where that pays, and give a function that yields what came of them."""
    whole = STEPS * len(jobs)
    if len(jobs) == 1 or jobs[0].span.to_ms - jobs[0].span.from_ms <= LONG_MS:
        yield lambda: _one_by_one(jobs, tell)
        return
    # A copy of this process has loaded everything already; beside other threads none can be made.
    alone = sys.platform == "linux" and threading.active_count() == 1
    context = multiprocessing.get_context("fork" if alone else "spawn")
    done = context.Value("q", 0)
    workers = min(len(jobs), context.cpu_count())
    with ProcessPoolExecutor(workers, mp_context=context, initializer=_share, initargs=(done,)) as pool:
        futures = [pool.submit(_work_apart, job) for job in jobs]
        try:
            yield lambda: _awaited(futures, done, whole, tell)
        finally:
            pool.shutdown(cancel_futures=True)


def _one_by_one(jobs: Sequence[_Job], tell: Tell) -> Iterator[_CellDone]:
    done = 0

    def told(steps: int) -> None:
        nonlocal done
        done += steps
        tell(done, STEPS * len(jobs))

    for job in jobs:
        yield _work(job, told)


def _awaited(futures: Sequence[Future[_CellDone]], done: Any, whole: int, tell: Tell) -> Iterator[_CellDone]:
    while wait(futures, _POLL_S).not_done:
        tell(done.value, whole)
        if any(each.done() and each.exception() for each in futures):
            break
    tell(whole, whole)
    try:
        for future in futures:
            yield future.result()
    except BrokenProcessPool as error:
        raise QuietcellError(
            "a process that worked on a cell was ended from outside",
            hint="Was there too little memory? Report on one cell at a time, or on a shorter span",
        ) from error


def _share(done: Any) -> None:
    global _done  # noqa: PLW0603 # how a process of a pool is told of what it shares
    _done = done


def _work_apart(job: _Job) -> _CellDone:
    def told(steps: int) -> None:
        with _done.get_lock():
            _done.value += steps

    return _work(job, told)
