"""What a report says about one cell, in numbers: a pure function of its records and readings."""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from itertools import pairwise
from statistics import median

import numpy as np

from quietcell.core.records import Json
from quietcell.core.times import rfc3339, utc_ms
from quietcell.report.alarm_times import alarm_times
from quietcell.report.cell_report import (
    CellReport,
    Component,
    Day,
    Digests,
    Episode,
    ExcursionRow,
    ReasonCount,
    Spread,
)
from quietcell.report.coverage import (
    VALID,
    Stretch,
    attended,
    brought,
    due_every_ms,
    layers,
    sanitised,
    shares_of,
    valid_pct,
)
from quietcell.report.excursions import LIMITS, Excursion
from quietcell.report.indications import Indications
from quietcell.report.material import CellMaterial, Entry, Span
from quietcell.report.settings_in_force import settings_in_force

SET_BACK_MS = 1000
"""A clock that goes back further was set back, and not only slowed."""
SHOWN = (
    "ph_25c",
    "ph",
    "temperature_c",
    "conductivity_us_cm",
    "flow_ml_min",
    "sample_age_s",
    "smallest_co2_ug_per_l",
)
"""Quantities of the results that are summed up."""


def summarise(
    material: CellMaterial,
    found: Indications | None,
    limits: Mapping[str, float | None],
    days: Sequence[tuple[str, int]],
) -> CellReport:
    """Return what there is to say about a cell.

    Parameters
    ----------
    material : CellMaterial
        Its records.
    found : Indications or None
        What its readings show; None where nobody looked.
    limits : mapping
        The limits the excursions are measured by, as they stood at the end of the span.
    days : sequence of (str, int)
        Calendar days and when (UTC ms) each begins; the first begins at or before the span.
    """
    every_ms = due_every_ms(material.until_end("configuration"))
    entries: list[Entry] = []
    samples: list[Entry] = []
    for each in material.of("determination"):
        (samples if brought(each.body, every_ms) else entries).append(each)
    bodies = [each.body for each in entries]
    results = [body for body in bodies if body["verdict"] in VALID]
    doubted = {i for doubt in material.doubts for i in doubt.body["determinations"]}
    holding = layers(material, doubted)
    found_shares = shares_of(holding, material.span)
    in_force = material.until_end("configuration")
    last: dict[str, Json] = in_force[-1].body["settings"] if in_force else {}
    return CellReport(
        cell=material.cell,
        sample_point=last.get("sample_point"),
        electrode=last.get("electrode"),
        meter=last.get("meter"),
        mode=last.get("mode"),
        every_s=last.get("every_s"),
        determinations=len(bodies),
        verdicts=dict(sorted(Counter(body["verdict"] for body in bodies).items())),
        in_doubt=sum(body["id"] in doubted for body in results),
        valid_pct=valid_pct(found_shares),
        shares=tuple(found_shares),
        spreads=_spreads(results, SHOWN),
        uncertainty=_spreads(
            results,
            (
                "ph_25c_expanded_uncertainty",
                "ph_expanded_uncertainty",
                "ph_expanded_uncertainty_repeatability",
                "ph_expanded_uncertainty_systematic",
            ),
        ),
        components=_components(results),
        ph_25c_models=dict(Counter(b["ph_25c_model"] for b in results if b["ph_25c_model"] is not None)),
        largest_ph_25c_spread=max(
            (b["ph_25c_spread"] for b in results if b["ph_25c_spread"] is not None), default=None
        ),
        qualifiers=_counted(results, "qualifiers"),
        reasons=_counted([body for body in bodies if body["verdict"] not in VALID], "reasons"),
        days=_days(bodies, holding, material.span, days),
        episodes=episodes(material),
        limits=dict(limits),
        excursions=() if found is None else _excursions(found.excursions, results, material),
        readings=None if found is None else found.readings,
        readings_counted=None if found is None else found.counted,
        readings_missing=() if found is None else tuple(found.missing),
        doubts=_numbered(material.doubts),
        calibrations=_numbered(material.until_end("calibration")),
        checks=_numbered(material.of("check")),
        flow_tests=_numbered(material.of("flow-test")),
        notes=_numbered(material.of("note")),
        alarms=alarm_times((each.body for each in material.until_end("alarm")), _as_far_as_known(material)),
        acts=_numbered(_acts(material)),
        faults={kind: len(material.of(kind)) for kind in ("gap", "driver-fault", "cell-fault", "clock-step")},
        clock_set_back=_set_back(material),
        silent_s=sum((e.body["gap_s"] for e in material.of("gap")), 0.0),
        configurations=tuple(settings_in_force(material)),
        criteria={body["criterion"]["name"]: body["criterion"]["digest"] for body in bodies},
        digests=_digests(material.of("readings-digest")),
        rows=_numbered(entries),
        samples=_numbered(samples),
    )


def _as_far_as_known(material: CellMaterial) -> Span:
    """Return the span as far as the ledger reaches."""
    to_ms = material.span.to_ms
    return replace(material.span, to_ms=min(to_ms, material.recorded_to_ms or to_ms))


def _acts(material: CellMaterial) -> list[Entry]:
    """Return what people did with alarms and episodes, and with electrodes and meters, in order."""
    alarms = [each for each in material.of("alarm") if "reason" in each.body]
    others = [*material.of("electrode"), *material.of("operator-verdict")]
    return sorted([*alarms, *others], key=lambda each: each.seq)


def _numbered(entries: Iterable[Entry]) -> tuple[dict[str, Json], ...]:
    return tuple({"seq": each.seq, **each.body} for each in entries)


def _known(bodies: Iterable[Mapping[str, Json]], name: str) -> list[float]:
    return [body[name] for body in bodies if body[name] is not None]


def _spreads(results: Sequence[Mapping[str, Json]], names: Iterable[str]) -> tuple[Spread, ...]:
    found = []
    for name in names:
        values = _known(results, name)
        if values:
            p5, p95 = (float(x) for x in np.quantile(values, [0.05, 0.95]))
            found.append(
                Spread(
                    quantity=name,
                    number=len(values),
                    lowest=min(values),
                    p5=p5,
                    median=float(median(values)),
                    p95=p95,
                    highest=max(values),
                )
            )
    return tuple(found)


def _components(results: Iterable[Mapping[str, Json]]) -> tuple[Component, ...]:
    """Return the components of all budgets, the largest first."""
    lines: dict[tuple[str, bool], tuple[list[float], list[float], set[str]]] = {}
    for body in results:
        for name, repeatability, basis, size, bias in body["budget"]:
            sizes, biases, bases = lines.setdefault((name, repeatability), ([], [], set()))
            sizes.append(size)
            biases.append(bias)
            bases.add(basis)
    found = [
        Component(
            name=name,
            repeatability=repeatability,
            basis=tuple(sorted(bases)),
            number=len(sizes),
            median_standard_uncertainty_ph=float(median(sizes)),
            largest_standard_uncertainty_ph=max(sizes),
            median_bias_ph=float(median(biases)),
        )
        for (name, repeatability), (sizes, biases, bases) in lines.items()
    ]
    return tuple(sorted(found, key=lambda c: (-c.median_standard_uncertainty_ph, c.name)))


def _counted(bodies: Iterable[Mapping[str, Json]], name: str) -> tuple[ReasonCount, ...]:
    """Return each word of a list field with how often it occurs, the most frequent first."""
    at: dict[str, list[str]] = {}
    for body in bodies:
        for word in body[name]:
            at.setdefault(word, []).append(body["ended"])
    found = [
        ReasonCount(reason=word, number=len(times), first_at=min(times), last_at=max(times))
        for word, times in at.items()
    ]
    return tuple(sorted(found, key=lambda reason: (-reason.number, reason.reason)))


def _days(
    bodies: Sequence[Mapping[str, Json]],
    holding: Sequence[Stretch],
    span: Span,
    days: Sequence[tuple[str, int]],
) -> tuple[Day, ...]:
    starts = [at_ms for _, at_ms in days]
    by_day: list[list[Mapping[str, Json]]] = [[] for _ in days]
    ended = np.array([body["ended_ms"] for body in bodies], np.int64)
    for body, index in zip(bodies, np.searchsorted(starts, ended, side="right") - 1, strict=True):
        by_day[index].append(body)
    first, last = (np.array([getattr(s, name) for s in holding], np.int64) for name in ("from_ms", "to_ms"))
    found = []
    for (day, at_ms), (_, next_ms), own in zip(days, [*days[1:], ("", span.to_ms)], by_day, strict=True):
        part = Span(from_ms=max(at_ms, span.from_ms), to_ms=min(next_ms, span.to_ms))
        near = np.flatnonzero((first < part.to_ms) & (last > part.from_ms)).tolist()
        verdicts = Counter(body["verdict"] for body in own)
        results = [body for body in own if body["verdict"] in VALID]
        ph = _known(results, "ph_25c")
        found.append(
            Day(
                day=day,
                accepted=verdicts["accepted"],
                qualified=verdicts["qualified"],
                refused=len(own) - len(results),
                valid_pct=valid_pct(shares_of([holding[i] for i in near], part)),
                ph_25c_lowest=min(ph, default=None),
                ph_25c_median=_median(ph),
                ph_25c_highest=max(ph, default=None),
                ph_25c_largest_uncertainty=max(_known(results, "ph_25c_expanded_uncertainty"), default=None),
                conductivity_median_us_cm=_median(_known(results, "conductivity_us_cm")),
                temperature_median_c=_median(_known(results, "temperature_c")),
            )
        )
    return tuple(found)


def _median(values: Sequence[float]) -> float | None:
    return float(median(values)) if values else None


def episodes(material: CellMaterial) -> tuple[Episode, ...]:
    """Return the episodes that were open at some instant of the span, in order of their beginning."""
    records: dict[str, list[dict[str, Json]]] = {}
    for each in material.until_end("episode"):
        records.setdefault(each.body["episode"], []).append(each.body)
    measured = [s for s in attended(material) if s.name == "attended: measure"]
    found = []
    for name, bodies in records.items():
        last, opened_ms = bodies[-1], utc_ms(bodies[0]["at"])
        if last["closed_at"] is not None and utc_ms(last["closed_at"]) < material.span.from_ms:
            continue
        told = [body["evidence"] for body in bodies]
        amounts = [each["co2_ug_per_l"] for each in told if each["co2_ug_per_l"] is not None]
        # The first tell the widest; the most that is sure says how bad it was.
        most = max(amounts, key=lambda a: a["value"] - a["expanded_uncertainty"], default=None)
        ph = max(told, key=lambda each: abs(each["ph_now"] - each["ph_before"]))
        conductivity = max(told, key=_conductivity_change)
        found.append(
            Episode(
                id=name,
                diagnosis=last["diagnosis"],
                place=last["place"],
                began=last["began"],
                closed_at=last["closed_at"],
                confirmed=last["confirmed"],
                in_sample=any(each.from_ms <= opened_ms < each.to_ms for each in measured),
                co2_ug_per_l=None if most is None else most["value"],
                co2_expanded_uncertainty_ug_per_l=None if most is None else most["expanded_uncertainty"],
                ph_before=ph["ph_before"],
                ph_furthest=ph["ph_now"],
                conductivity_before_us_cm=conductivity["conductivity_before_us_cm"],
                conductivity_furthest_us_cm=conductivity["conductivity_now_us_cm"],
                text=last["text"],
            )
        )
    return tuple(sorted(found, key=lambda e: (e.began, e.id)))


def _conductivity_change(evidence: Mapping[str, Json]) -> float:
    before, now = evidence["conductivity_before_us_cm"], evidence["conductivity_now_us_cm"]
    return -1.0 if before is None or now is None else abs(now - before)


def _excursions(
    found: Sequence[Excursion], results: Sequence[Mapping[str, Json]], material: CellMaterial
) -> tuple[ExcursionRow, ...]:
    ended = np.array([body["ended_ms"] for body in results], np.int64)
    function_check = sanitised(material)
    rows = []
    for one in found:
        within = np.flatnonzero((ended >= one.from_ms) & (ended <= one.to_ms)).tolist()
        past = 0
        if one.limit_value is not None:
            side = LIMITS[one.limit][2]
            values = [results[i][one.quantity] for i in within]
            past = sum(
                value is not None and (value < one.limit_value if side == "low" else value > one.limit_value)
                for value in values
            )
        rows.append(
            ExcursionRow(
                limit=one.limit,
                limit_value=one.limit_value,
                quantity=one.quantity,
                unit=one.unit,
                from_at=rfc3339(one.from_ms),
                to_at=rfc3339(one.to_ms),
                duration_s=one.duration_s,
                readings=one.readings,
                furthest=round(one.furthest, 5),
                furthest_at=rfc3339(one.furthest_ms),
                results=len(within),
                results_past=past,
                sanitisation=any(s.from_ms <= one.from_ms < s.to_ms for s in function_check),
            )
        )
    return tuple(rows)


def _set_back(material: CellMaterial) -> int:
    """Return how often the clock went back from one segment to the next, as far as both are of the span."""
    return sum(
        earlier.at_ms - later.at_ms >= SET_BACK_MS
        for earlier, later in pairwise(sorted(material.of("segment"), key=lambda each: each.seq))
    )


def _digests(entries: Sequence[Entry]) -> Digests:
    return Digests(
        records=len(entries),
        first_seq=entries[0].seq if entries else None,
        last_seq=entries[-1].seq if entries else None,
        readings=sum(span["readings"] for each in entries for span in each.body["spans"]),
    )
