"""What the engine says in a long ledger: determinations, and the episodes behind some of them."""

from collections.abc import Iterator, Sequence

import numpy as np

from quietcell.core.ingress.episode import EpisodeBody, EpisodeEvidence
from quietcell.core.ingress.event import Amount, State
from quietcell.core.records import (
    BudgetLine,
    CalibrationSummary,
    CriterionSummary,
    DeterminationBody,
    Json,
    Qualifier,
    Verdict,
)
from quietcell.core.times import rfc3339
from quietcell.core.water.reference25 import ph_25c
from tests.support.long_cell import LongCell
from tests.support.long_water import BEGINS_UTC_MS, EVERY_MS, Dip, fall_ph, water

_PARTS = (
    ("zero", 0.0205, 0.0, False),
    ("junction", 0.0302, 0.0522, False),
    ("streaming", 0.0201, 0.0, False),
    ("temperature", 0.0002, 0.0, False),
    ("repeatability", 0.0011, 0.0, True),
)


def determine(cell: LongCell, dips: Sequence[Dip], gap: tuple[int, int], text: str) -> None:
    """Record a determination every ten minutes, some of them refused or qualified."""
    template, segments = _template(cell), iter(cell.segments)
    number, begin_ms, end_ms, line = next(segments)
    began = np.arange(BEGINS_UTC_MS + 1000, cell.segments[-1][2] - EVERY_MS, EVERY_MS, dtype=np.int64)
    lasting = cell.rng.integers(200_000, 420_000, len(began))
    ended = began + lasting
    ph, temperature_c, conductivity, flow = water(cell.rng, ended, dips)
    at_25c = np.asarray(ph_25c(ph, temperature_c).value)
    falls, luck = fall_ph(ended, dips), cell.rng.random(len(began))
    lows = [
        np.round(column, places).tolist()
        for column, places in ((ph, 4), (at_25c, 4), (temperature_c, 3), (conductivity, 5), (flow, 3))
    ]
    ordinal = 10
    for row, (first, last) in enumerate(zip(began.tolist(), ended.tolist(), strict=True)):
        while first >= end_ms:
            number, begin_ms, end_ms, line = next(segments)
            ordinal = 10
        if (
            first < begin_ms
            or last > end_ms
            or any(first < end and last > begin for begin, end in cell.attended)
        ):
            continue
        ordinal += 1
        here_ph, here_25c, here_c, here_k, here_flow = (column[row] for column in lows)
        co2 = falls[row] > 0.05
        refused = luck[row] < 0.015 or (first < gap[1] and last > gap[0])
        verdict = "refused" if refused else "qualified" if co2 else "accepted"
        reasons = (
            ["gap"] if refused and luck[row] >= 0.015 else ["max-wait", "not-at-rest"] if refused else []
        )
        body = {
            **template,
            "id": f"{cell.name}.{number}.{ordinal}",
            "at": rfc3339(last),
            "began": rfc3339(first),
            "ended": rfc3339(last),
            "verdict": verdict,
            "reasons": reasons,
            "qualifiers": [Qualifier.CO2_UNLOCATED.value] if verdict == "qualified" else [],
            "episodes": [f"{cell.name}.1.9"] if verdict == "qualified" else [],
            "ph": here_ph,
            "ph_25c": here_25c,
            "ph_reported": round(here_ph, 2),
            "temperature_c": here_c,
            "conductivity_us_cm": here_k,
            "flow_ml_min": here_flow,
            "mv": round(float(line.mv(here_ph, here_c)), 4),
            "ph_expanded_uncertainty": round(0.12 + 0.02 * float(luck[row]), 4),
            "sample_id": text if row % 500 == 7 else None,
            "operator": text if row % 500 == 7 else None,
            "calibration": {
                **template["calibration"],
                "id": cell.calibrations[number],
                "slope_pct": line.slope_pct,
                "zero_mv": line.zero_mv,
            },
        }
        cell.add(last, body)
        if verdict != "refused":
            cell.results.append((last, body["id"]))


def _template(cell: LongCell) -> dict[str, Json]:
    budget = tuple(
        BudgetLine(name=name, standard_uncertainty_ph=u, bias_ph=bias, repeatability=own, basis="assumed")
        for name, u, bias, own in _PARTS
    )
    return DeterminationBody(
        id="",
        cell=cell.name,
        at="",
        sample_point=f"{cell.name}, tap 1",
        sample_id=None,
        operator=None,
        mode="continuous",
        began="",
        ended="",
        verdict=Verdict.ACCEPTED,
        reasons=(),
        qualifiers=(),
        ph=7.0,
        ph_25c=7.0,
        ph_25c_model="carbonate",
        ph_25c_spread=0.0019,
        ph_reported=7.0,
        ph_expanded_uncertainty=0.13,
        ph_expanded_uncertainty_repeatability=0.0022,
        ph_expanded_uncertainty_systematic=0.084,
        ph_budget=budget,
        temperature_c=21.0,
        mv=0.0,
        conductivity_us_cm=0.05,
        conductivity_25c_us_cm=0.06,
        ph_allowed_low=6.8,
        ph_allowed_high=7.4,
        ph_margin=0.13,
        flow_ml_min=100.0,
        sample_age_s=7.2,
        time_since_disturbance_s=600.0,
        drift_mv_per_min=-0.01,
        drift_bound_mv_per_min=0.05,
        long_drift_mv_per_min=0.005,
        long_drift_bound_mv_per_min=0.02,
        remaining_ph=0.001,
        remaining_ph_bound=0.004,
        remaining_risk=0.0,
        drift_confidence=0.95,
        temperature_drift_c_per_min=0.002,
        window_s=58.8,
        readings=60,
        rejected_readings={},
        smallest_co2_ug_per_l=2.7,
        episodes=(),
        earlier_refused=0,
        calibration=CalibrationSummary(
            id=None, slope_pct=98.4, zero_mv=3.1, isopotential_ph=7.0, age_d=None, buffers=()
        ),
        low_ionic_check=None,
        electrode="glass-7",
        meter="meter-2",
        kcl_adjusted=False,
        from_buffer=False,
        portions_ph=(),
        criterion=CriterionSummary(name="test", digest="7" * 64),
        readings_sha256="6" * 64,
    ).as_json()


def episode(cell: LongCell, dip: Dip) -> Iterator[tuple[int, dict[str, Json]]]:
    """Yield the records of an episode and when each is written."""
    begin, end, depth = dip
    name = f"{cell.name}.0.episode-{begin}"
    amount = Amount(value=round(100 * depth, 1), expanded_uncertainty=round(20 * depth, 1))
    steps: tuple[tuple[State, int], ...] = (
        ("opened", begin + 120_000),
        ("updated", begin + 300_000),
        ("closed", end),
    )
    for state, at_ms in steps:
        left = 0.0 if state == "closed" else depth  # gone by then
        evidence = EpisodeEvidence(
            log_likelihood_ratios={"co2-ingress": 812.4, "acidic-ingress": 809.9},
            co2_ug_per_l=amount if left else None,
            co2_ug_per_l_from_ph=amount if left else None,
            co2_ug_per_l_from_conductivity=amount if left else None,
            co2_rise_ug_per_l=amount if left else None,
            equilibrium_with_air_pct=2.9,
            ph_before=6.98,
            ph_now=round(6.98 - left, 3),
            conductivity_before_us_cm=0.052,
            conductivity_now_us_cm=round(0.052 * (1 + 2 * left), 5),
            temperature_before_c=21.0,
            temperature_now_c=21.0,
            sample_age_s=7.2,
        )
        body = EpisodeBody(
            id=name if state == "opened" else f"{name}-{state}",
            cell=cell.name,
            at=rfc3339(at_ms),
            episode=name,
            diagnosis="co2-ingress",
            place="unlocated",
            state=state,
            began=rfc3339(begin),
            flagged_at=rfc3339(begin + 120_000),
            closed_at=rfc3339(end) if state == "closed" else None,
            confirmed=False,
            evidence=evidence,
            text=f"Carbon dioxide is coming into the water: {amount.value} µg/L. Look first at fittings.",
        )
        yield at_ms, body.as_json()
