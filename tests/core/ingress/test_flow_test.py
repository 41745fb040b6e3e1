"""What a flow test says of causes whose course with the flow is known."""

from dataclasses import replace

import numpy as np
import pytest

from quietcell.core.ingress.event import IngressSettings
from quietcell.core.ingress.flow_test import FlowStep, judge_flow_test, settle_s
from quietcell.core.readings import ReadingBlock
from quietcell.errors import DomainError
from tests.support.flow_tests import flow_test_case


@pytest.mark.parametrize("kind", ["leak", "streaming", "nothing-found", "carbon-dioxide-in-water"])
@pytest.mark.parametrize("conductivity", [True, False])
def test_each_cause_is_told_by_its_course_with_the_flow(kind: str, conductivity: bool) -> None:
    case = flow_test_case(3, kind, conductivity=conductivity)
    assert judge_flow_test(case.steps, case.settings).verdict == kind


def test_air_that_grows_with_the_flow_is_told_and_sized() -> None:
    case = flow_test_case(7, "air-drawn-in", conductivity=True)
    found = judge_flow_test(case.steps, case.settings)
    assert found.verdict == "air-drawn-in"
    assert found.co2_ug_per_l is not None
    off = abs(found.co2_ug_per_l.value - case.size_ug_l)
    assert off <= 1.5 * found.co2_ug_per_l.expanded_uncertainty
    assert "Look first" in found.text


@pytest.mark.parametrize("seed", [2, 5, 9, 12])
def test_conductivity_tells_air_drawn_in_from_streaming(seed: int) -> None:
    case = flow_test_case(seed, "air-drawn-in", conductivity=True)
    assert judge_flow_test(case.steps, case.settings).verdict == "air-drawn-in"


@pytest.mark.parametrize("declared", [None, 4.0])
def test_electrolyte_of_the_reference_is_no_leak(declared: float | None) -> None:
    case = flow_test_case(1, "nothing-found", conductivity=True)
    steps = [
        replace(step, conductivity_us_cm=(step.conductivity_us_cm or 0.0) + 7.5 * 4.0 / step.flow_ml_min)
        for step in case.steps
    ]
    settings = replace(case.settings, reference_outflow_ul_h=declared)
    assert judge_flow_test(steps, settings).verdict == "nothing-found"


def test_a_ph_that_does_not_come_back_is_no_finding() -> None:
    case = flow_test_case(3, "nothing-found", conductivity=False)
    moved = [
        replace(step, ph=step.ph + shift) for step, shift in zip(case.steps, (0, 0.2, -0.1, 0.3), strict=True)
    ]
    assert judge_flow_test(moved, case.settings).verdict == "cannot-tell"


def test_a_test_that_finds_nothing_says_what_it_would_have_found() -> None:
    case = flow_test_case(1, "nothing-found")
    found = judge_flow_test(case.steps, case.settings)
    assert 1.0 <= found.smallest_co2_ug_per_l <= 30.0
    assert f"a leak of {found.smallest_co2_ug_per_l:.0f} µg/L" in found.text


@pytest.mark.parametrize(
    ("flows", "says"),
    [
        ((100.0, 60.0, 180.0), "3 steps.*four"),
        ((100.0, 95.0, 180.0, 100.0), "too alike.*factor 1.2"),
        ((100.0, 60.0, 180.0, 130.0), "130.0 mL/min, is not the first.*repeat the last step"),
    ],
)
def test_steps_that_make_no_flow_test_are_refused_with_what_to_do(
    flows: tuple[float, ...], says: str
) -> None:
    steps = [FlowStep(flow_ml_min=flow, ph=7.0, temperature_c=25.0) for flow in flows]
    with pytest.raises(DomainError, match=says):
        judge_flow_test(steps, IngressSettings())


def test_a_figure_no_water_has_is_refused_with_its_range() -> None:
    with pytest.raises(DomainError, match=r"flow_ml_min = 0 mL/min.*0.1..100000 mL/min"):
        FlowStep(flow_ml_min=0.0, ph=7.0, temperature_c=25.0)


def test_a_step_is_made_of_readings_and_needs_a_flow() -> None:
    n = 60
    block = ReadingBlock.from_columns(
        ms=np.arange(n) * 1000, mv=np.zeros(n), temperature_c=np.full(n, 21.0), flow_ml_min=np.full(n, 80.0)
    )
    step = FlowStep.of(block, np.full(n, 6.5))
    assert (step.flow_ml_min, step.ph, step.conductivity_us_cm) == (80.0, 6.5, None)
    with pytest.raises(DomainError, match="flow meter"):
        FlowStep.of(replace(block, flow_ml_min=np.full(n, np.nan)), np.full(n, 6.5))


def test_a_large_hold_up_takes_longer_to_let_through() -> None:
    assert settle_s(50.0, IngressSettings()) < settle_s(50.0, IngressSettings(hold_up_ml=100.0))


@pytest.mark.parametrize("conductivity_us_cm", [None, 1000.0])
@pytest.mark.parametrize("ph", [3.0, 10.9])
def test_flows_and_waters_at_the_ends_of_their_ranges_are_judged(
    ph: float, conductivity_us_cm: float | None
) -> None:
    steps = [
        FlowStep(flow_ml_min=flow, ph=ph, temperature_c=1.0, conductivity_us_cm=conductivity_us_cm)
        for flow in (0.1, 10.0, 1e5, 0.1)
    ]
    assert judge_flow_test(steps, IngressSettings(hold_up_ml=1e5)).text
