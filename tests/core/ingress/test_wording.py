"""What a technician reads: one sentence of what, since when, by which numbers, and where to look first."""

from dataclasses import replace
from typing import get_args

import pytest

from quietcell.core.ingress.event import Amount, Diagnosis, EpisodeEvent
from quietcell.core.ingress.wording import wording

EVENT = EpisodeEvent(
    diagnosis="co2-ingress",
    place="unlocated",
    state="opened",
    began_ms=0,
    flagged_ms=60_000,
    closed_ms=None,
    at_ms=60_000,
    number=1,
    log_likelihood_ratios={"co2-ingress": 40.0},
    co2_rise_ug_per_l=Amount(value=18.2, expanded_uncertainty=2.6),
    co2_ug_per_l_from_ph=Amount(value=22.0, expanded_uncertainty=6.0),
    co2_ug_per_l_from_conductivity=Amount(value=20.4, expanded_uncertainty=3.0),
    equilibrium_with_air_pct=2.8,
    ph_before=6.93,
    ph_now=6.51,
    conductivity_before_us_cm=0.0571,
    conductivity_now_us_cm=0.1264,
    temperature_before_c=25.0,
    temperature_now_c=25.0,
    sample_age_s=12.0,
)


def at(ms: int) -> str:
    return f"14:{ms // 60_000:02d} UTC"


def test_carbon_dioxide_is_told_with_its_size_by_both_ways_and_its_age() -> None:
    assert wording(EVENT, at) == (
        "Carbon dioxide is coming into the water, since 14:00 UTC, 18 ± 3 µg/L more of it, now 20 ± 3 µg/L "
        "by conductivity and 22 ± 6 µg/L by pH at a sample age of 12 s, 2.8 % of equilibrium with air: "
        "conductivity 0.057 to 0.126 µS/cm, pH 6.93 to 6.51; it could also be a strong acid, which looks "
        "nearly the same. Look first at fittings, tubing and seals before the electrode, then at the vent "
        "filter of the tank."
    )


@pytest.mark.parametrize("diagnosis", get_args(Diagnosis))
def test_every_diagnosis_says_since_when_what_else_and_where_to_look(diagnosis: Diagnosis) -> None:
    text = wording(replace(EVENT, diagnosis=diagnosis), at)
    for part in ("since 14:00 UTC", "it could also be", "Look first", "pH 6.93 to 6.51"):
        assert part in text


def test_a_fall_behind_the_conductivity_cell_shows_both_instructions() -> None:
    text = wording(replace(EVENT, diagnosis="cannot-tell", kind="leak-or-junction"), at)
    assert "fittings, tubing and seals" in text
    assert "buffer of low ionic strength" in text


def test_what_a_flow_test_has_placed_is_told_with_its_place_and_without_other_causes() -> None:
    text = wording(replace(EVENT, state="updated", place="sample-path"), at)
    assert text.startswith("Carbon dioxide is coming in between sample point and electrode, since 14:00 UTC")
    assert "could also be" not in text
    assert "tank" not in text
    fall = replace(EVENT, diagnosis="cannot-tell", kind="leak-or-junction", place="sample-path")
    assert "junction" not in wording(fall, at)
    upstream = wording(replace(EVENT, state="updated", place="upstream"), at)
    assert "Look first upstream: vent filter of the tank" in upstream


@pytest.mark.parametrize("kind", ["", "standing", "leak-or-junction"])
@pytest.mark.parametrize("diagnosis", get_args(Diagnosis))
def test_a_sample_in_a_beaker_has_no_fittings_no_tank_and_no_flow(diagnosis: Diagnosis, kind: str) -> None:
    chemical = diagnosis in ("co2-ingress", "acidic-ingress", "base-ingress", "salt-ingress", "cannot-tell")
    text = wording(replace(EVENT, diagnosis=diagnosis, kind=kind), at, sample=True)
    assert "since 14:00 UTC" in text
    if chemical or kind:
        for part in ("fittings", "tank", "exchanger", "upstream", "flow to see", "leak"):
            assert part not in text


def test_cleaning_acid_comes_with_its_caution() -> None:
    assert "acid burns" in wording(replace(EVENT, diagnosis="acidic-ingress"), at)


def test_what_is_over_says_so() -> None:
    assert "co2-ingress since" in wording(replace(EVENT, state="closed"), at)
    assert "nobody could tell" in wording(replace(EVENT, state="closed", diagnosis="cannot-tell"), at)


@pytest.mark.parametrize(
    ("value", "expanded", "told"),
    [
        (12.3, 0.34, "12.3 ± 0.3 µg/L"),
        (2.31, 0.04, "2.31 ± 0.04 µg/L"),
        (450.0, 0.97, "450 ± 1 µg/L"),
        (12.3, 0.0, "12 ± 0 µg/L"),
    ],
)
def test_a_small_uncertainty_is_never_told_as_none(value: float, expanded: float, told: str) -> None:
    # GUM (JCGM 100) 7.2.6: as many digits as the uncertainty has.
    size = Amount(value=value, expanded_uncertainty=expanded)
    assert f", {told} more of it" in wording(replace(EVENT, co2_rise_ug_per_l=size), at)


def test_a_wide_uncertainty_is_told_as_a_range_that_begins_at_nothing_at_the_least() -> None:
    wide = replace(
        EVENT,
        co2_rise_ug_per_l=Amount(value=77.0, expanded_uncertainty=60.0),
        co2_ug_per_l_from_ph=Amount(value=77.0, expanded_uncertainty=95.0),
    )
    text = wording(wide, at)
    assert "17 to 137 µg/L more of it" in text
    assert "up to 172 µg/L by pH" in text
    assert "20 ± 3 µg/L by conductivity" in text
