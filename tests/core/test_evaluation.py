"""What a window is worth: uncertainty, 25 °C, and what chemistry and calibration forbid."""

import math
from dataclasses import replace
from unittest.mock import Mock

import numpy as np
import pytest

from quietcell.core import evaluation
from quietcell.core.determination import reported
from quietcell.core.electrode.influences import LowIonicCheck
from quietcell.core.electrode.nernst import Line
from quietcell.core.engine import Engine
from quietcell.core.evaluation import evaluate
from quietcell.core.inputs import SegmentEnded
from quietcell.core.readings import ReadingBlock
from quietcell.core.records import GrabSample, Json, Reason
from quietcell.core.times import DAY_MS, rfc3339
from quietcell.core.water.speciation import Composition, speciate
from quietcell.errors import DomainError
from tests.support.streams import ANCHOR_UTC_MS, SHORT, began, cell_settings, determinations, readings, run

LINE = Line(slope_pct=100.0, zero_mv=0.0)


def water(
    ph: float, conductivity_us_cm: float, temperature_c: float = 25.0, seconds: int = 60
) -> ReadingBlock:
    """Quiet readings of a water."""
    quiet = readings(seconds)
    return ReadingBlock.from_columns(
        ms=quiet.ms,
        mv=quiet.mv - 25.0 + float(LINE.mv(ph, temperature_c)),
        temperature_c=np.full(seconds, temperature_c),
        conductivity_us_cm=np.full(seconds, conductivity_us_cm),
        flow_ml_min=np.full(seconds, 100.0),
    )


def judged(block: ReadingBlock, **changes: Json) -> dict[str, Json]:
    settings = cell_settings(**{"line": LINE, "hold_up_ml": 12.0, **changes})
    return determinations(run(Engine(settings), [began(), block, SegmentEnded(ms=100_000, cause="stopped")]))[
        0
    ]


def test_value_carries_uncertainty_in_two_parts_and_its_budget() -> None:
    body = judged(water(6.8, 0.1))
    whole = body["ph_expanded_uncertainty"]
    parts = (body["ph_expanded_uncertainty_repeatability"], body["ph_expanded_uncertainty_systematic"])
    assert body["verdict"] == "accepted"
    assert parts[0] < parts[1] < whole
    assert {line["name"] for line in body["ph_budget"]} >= {"junction", "slope", "zero", "repeatability"}
    assert body["sample_age_s"] == 7.2


def test_thermometer_and_display_are_as_uncertain_as_the_configuration_says() -> None:
    block = water(4.5, 12.0, temperature_c=30.0)
    body = judged(block, temperature_uncertainty_c=3.0, criterion=replace(SHORT, resolution_mv=1.0))
    budget = {line["name"]: line["standard_uncertainty_ph"] for line in body["ph_budget"]}
    # GUM (JCGM 100) 4.3.7 and F.2.2.1: a display's step is a rectangle; 0.2 mV is the meter's own limit.
    mv_per_ph = 8.314462618 * 303.15 * math.log(10.0) / 96.48533212
    assert budget["temperature"] == pytest.approx(1.5 * 2.5 / 303.15, abs=1e-4)
    assert budget["meter"] == pytest.approx(math.hypot(1 / 12**0.5, 0.2 / 3**0.5) / mv_per_ph, abs=1e-5)


def test_what_drifted_before_a_check_is_not_counted_again() -> None:
    # GUM (JCGM 100) 4.1: the bias a check found holds the drift up to then.
    calibrated = {"calibrated_utc_ms": ANCHOR_UTC_MS - 20 * DAY_MS, "low_ionic_id": "check"}
    check = LowIonicCheck(bias_ph=0.05, standard_uncertainty_ph=0.01)

    def drift_ph(checked_d: float) -> float:
        at = rfc3339(ANCHOR_UTC_MS - round(checked_d * DAY_MS))
        body = judged(water(6.8, 0.1), low_ionic=check, low_ionic_at=at, **calibrated)
        assert body["calibration"]["age_d"] == 20.0
        return next(float(c["standard_uncertainty_ph"]) for c in body["ph_budget"] if c["name"] == "drift")

    whole = drift_ph(30.0)
    assert drift_ph(5.0) == pytest.approx(whole / 4.0, rel=1e-3)


def test_the_reported_ph_follows_from_the_one_shown_beside_it() -> None:
    # Half away from zero, common practice, no source; whoever holds the record has nothing else to round.
    assert reported(6.61496, 2) == 6.62  # the record shows 6.6150
    assert reported(4.015, 2) == 4.02  # nearest binary number below it
    assert [reported(-0.005, 2), reported(6.5, 0), reported(6.6183, 3)] == [-0.01, 7.0, 6.618]
    assert reported(6.61494, 2) == 6.61


@pytest.mark.parametrize(
    "dissolved",
    [
        Composition(total_carbonate_mol_kg=2e-6),
        Composition(total_carbonate_mol_kg=17e-6),
        Composition(strong_acid_mol_kg=2e-6),
        Composition(strong_base_mol_kg=2e-6),
        Composition(ammonia_mol_kg=1e-5),
        Composition(total_carbonate_mol_kg=2e-6, neutral_salt_mol_kg=2e-6),
    ],
)
@pytest.mark.parametrize("measured_at_c", [20.0, 40.0, 80.0])
def test_a_conductivity_measured_hotter_allows_the_ph_its_water_has_in_the_cell(
    dissolved: Composition, measured_at_c: float
) -> None:
    # Conductivity of acid and alkali rises less with temperature than a salt's: about 1.4 % per °C where H+
    # carries it, 2 to 3 % else (Robinson and Stokes; McCleskey et al. 2012).
    portion, cell = speciate(dissolved, measured_at_c), speciate(dissolved, 25.0)
    block = water(float(cell.ph), 0.0)
    grab = GrabSample(
        portion=1,
        container=None,
        age_min=None,
        conductivity_us_cm=float(portion.conductivity_us_cm),
        conductivity_temperature_c=measured_at_c,
        open_to_air=False,
        kcl_adjusted=False,
    )
    certain = cell_settings(line=LINE, calibration_errors=())
    found = evaluate(block, certain, None, utc_ms=0, grab=grab)
    assert found.ph_margin is not None
    assert found.ph_margin > 0.0
    further = float(cell.ph + np.copysign(1.0, cell.ph - 7.0))
    beyond = evaluate(water(further, 0.0), certain, None, utc_ms=0, grab=grab)
    assert beyond.faults == (Reason.CONDUCTIVITY_CONTRADICTION,)


def test_at_25_degrees_the_reference_is_the_reading_itself() -> None:
    body = judged(water(6.3, 0.25))
    assert body["ph_25c"] == body["ph"]
    assert body["ph_25c_spread"] == 0


def test_warm_water_is_referred_to_25_degrees_with_a_named_model_and_a_spread() -> None:
    body = judged(water(6.6, 0.35, temperature_c=40.0))
    assert body["ph_25c_model"] == "carbonate"
    assert body["ph_25c"] > body["ph"]
    assert body["ph_25c_spread"] > 0
    assert body["conductivity_25c_us_cm"] < 0.35


@pytest.mark.parametrize(("ph", "conductivity"), [(6.2, 0.06), (8.0, 0.06), (5.0, 1.0), (9.2, 1.0)])
def test_ph_that_the_conductivity_forbids_is_refused_however_steady(ph: float, conductivity: float) -> None:
    body = judged(water(ph, conductivity, seconds=95))
    assert body["verdict"] == "refused"
    assert body["reasons"] == ["max-wait", "conductivity-contradiction"]
    assert body["ph_margin"] < 0


@pytest.mark.parametrize(("ph", "conductivity"), [(7.0, 0.06), (6.75, 0.1), (5.75, 1.0), (8.5, 1.0)])
def test_ph_that_the_conductivity_allows_is_accepted(ph: float, conductivity: float) -> None:
    body = judged(water(ph, conductivity))
    assert body["verdict"] == "accepted"
    assert body["ph_allowed_low"] < body["ph_allowed_high"]


def test_expired_calibration_and_value_outside_its_buffers_are_refused() -> None:
    expired = judged(water(6.8, 0.1, seconds=95), calibration_expires_utc_ms=ANCHOR_UTC_MS)
    assert expired["reasons"] == ["max-wait", "calibration-expired"]
    outside = judged(water(6.8, 0.1, seconds=95), bracket_ph=(7.5, 10.0))
    assert outside["reasons"] == ["max-wait", "outside-bracket"]


def test_what_is_not_known_is_said_beside_the_value() -> None:
    block = water(6.8, 0.1)
    block.conductivity_us_cm[:] = np.nan
    assert judged(block)["qualifiers"] == ["calibration-not-known", "no-conductivity"]
    known = judged(water(6.8, 0.1), calibration_expires_utc_ms=ANCHOR_UTC_MS * 2, bracket_ph=(4.005, 9.18))
    assert known["qualifiers"] == []


def test_calibration_made_in_buffers_is_known_though_it_never_expires() -> None:
    made = {"calibration_id": "daemon.1.4", "calibrated_utc_ms": ANCHOR_UTC_MS, "bracket_ph": (4.0, 9.2)}
    assert judged(water(6.8, 0.1), **made)["qualifiers"] == []
    fixed = {"bracket_ph": (4.0, 9.2)}
    assert judged(water(6.8, 0.1), **fixed)["qualifiers"] == ["calibration-not-known"]


def test_a_potential_no_electrode_gives_has_no_value() -> None:
    block = water(7.0, 0.06)
    block.mv[:] = 1400.0
    assert evaluate(block, cell_settings(line=LINE), None, utc_ms=0).budget is None


@pytest.mark.parametrize("shown", [0.0, -0.01, 1e7])
def test_a_conductivity_cell_that_sees_no_water_has_measured_nothing(shown: float) -> None:
    body = judged(water(6.8, shown))
    assert (body["verdict"], body["ph_reported"]) == ("accepted", 6.8)
    assert body["conductivity_us_cm"] is None
    assert body["qualifiers"] == ["calibration-not-known", "no-conductivity"]


def test_less_conductivity_than_pure_water_has_is_referred_to_no_other_temperature() -> None:
    body = judged(water(6.2, 0.13, temperature_c=99.0, seconds=95))
    assert (body["conductivity_us_cm"], body["conductivity_25c_us_cm"]) == (0.13, None)


@pytest.mark.parametrize("shown", [-0.05, 1e9])
def test_a_flow_no_cell_has_leaves_the_value_held_against_all_else(shown: float) -> None:
    block = water(6.8, 0.1, seconds=95)
    block.flow_ml_min[:] = shown
    assert judged(block)["ph_reported"] == 6.8
    assert judged(block)["sample_age_s"] in (None, 0.0)
    expired = judged(block, calibration_expires_utc_ms=ANCHOR_UTC_MS)
    assert expired["reasons"] == ["max-wait", "calibration-expired"]


def test_what_has_no_value_is_never_accepted_whatever_kept_it_from_one(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(evaluation, "ph_budget", Mock(side_effect=DomainError("out of range")))
    body = judged(water(6.8, 0.1, seconds=95))
    assert (body["verdict"], body["ph"]) == ("refused", None)
    assert body["reasons"] == ["max-wait", "flagged-readings"]


def test_a_flow_that_wavers_about_nothing_changes_too_much() -> None:
    block = water(6.8, 0.1, seconds=95)
    block.flow_ml_min[:] = np.resize([0.1, -0.1], 95)
    body = judged(block, criterion=replace(SHORT, max_flow_change_pct=20.0))
    assert body["reasons"] == ["max-wait", "flow-out-of-band"]
