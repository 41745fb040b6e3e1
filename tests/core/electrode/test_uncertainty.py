"""The arithmetic of a budget after GUM."""

import math
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietcell.core.electrode.uncertainty import Budget, Component
from tests.support.wrong_use import assert_refused

components = st.lists(
    st.builds(
        Component,
        name=st.sampled_from(["one", "two", "three"]),
        standard_uncertainty_ph=st.floats(0.0, 0.5),
        bias_ph=st.floats(-0.2, 0.2),
        repeatability=st.booleans(),
    ),
    min_size=1,
    max_size=8,
).map(tuple)


def budget(*parts: Component) -> Budget:
    return Budget(ph=7.0, components=parts)


def test_independent_components_add_in_squares_and_k_is_2() -> None:
    # GUM 5.1.2 and 6.2.1.
    both = budget(
        Component(name="one", standard_uncertainty_ph=0.03),
        Component(name="two", standard_uncertainty_ph=0.04),
    )
    assert both.standard_uncertainty_ph == pytest.approx(0.05)
    assert both.expanded_uncertainty_ph == pytest.approx(0.10)
    assert (both.low_ph, both.high_ph) == pytest.approx((6.9, 7.1))


def test_a_rectangle_has_a_standard_uncertainty_of_its_half_width_over_root_3() -> None:
    # GUM 4.3.7.
    part = Component.between("meter", -0.06, 0.06)
    assert part.standard_uncertainty_ph == pytest.approx(0.06 / math.sqrt(3.0))
    assert part.bias_ph == 0.0


def test_an_error_on_one_side_widens_u_by_its_bias_and_shifts_the_narrow_interval() -> None:
    # GUM F.2.4.5: a bias that is not corrected is added to U.
    one = budget(Component.between("junction", 0.0, 0.1))
    u = 0.1 / math.sqrt(12.0)
    assert one.expanded_uncertainty_ph == pytest.approx(2.0 * u + 0.05)
    assert one.high_ph == pytest.approx(7.0 - 0.05 + 2.0 * u)
    assert one.low_ph == pytest.approx(7.0 - 0.05 - 2.0 * u)


@given(parts=components, determinations=st.integers(1, 10_000))
def test_averaging_never_touches_the_systematic_part(
    parts: tuple[Component, ...], determinations: int
) -> None:
    single = budget(*parts)
    mean = single.averaged(determinations)
    assert mean.systematic_ph == single.systematic_ph
    assert mean.bias_ph == single.bias_ph
    assert mean.repeatability_ph == pytest.approx(single.repeatability_ph / math.sqrt(determinations))
    assert mean.expanded_uncertainty_ph >= 2.0 * single.systematic_ph


@given(parts=components)
def test_plus_minus_u_holds_the_narrow_interval(parts: tuple[Component, ...]) -> None:
    one = budget(*parts)
    u = one.expanded_uncertainty_ph
    assert one.ph - u <= one.low_ph + 1e-12
    assert one.high_ph <= one.ph + u + 1e-12


def test_what_is_assumed_or_not_known_is_named() -> None:
    one = budget(
        Component(name="junction", standard_uncertainty_ph=0.03, basis="assumed"),
        Component(name="remaining", standard_uncertainty_ph=0.0, basis="not-known"),
    )
    assert (one.assumed, one.not_known) == (("junction",), ("remaining",))


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: Component(name="one", standard_uncertainty_ph=-0.1),
         "standard_uncertainty_ph of one: -0.1 pH is outside 0 pH and above"),
        (lambda: Component(name="one", standard_uncertainty_ph=0.1, bias_ph=float("inf")),
         "bias_ph of one: inf pH is outside the finite numbers"),
        (lambda: Component.between("one", 0.1, 0.0), "high_ph of one: 0 pH is outside 0.1 pH and above"),
        (lambda: budget().averaged(0), "determinations: 0 is outside 1 and above"),
        (lambda: budget(Component(name="one", standard_uncertainty_ph=0.1)).component("two"),
         "name: no component 'two'. Components: one"),
    ],
)  # fmt: skip
def test_wrong_use_names_argument_value_unit_and_range(call: Callable[[], object], message: str) -> None:
    assert_refused(call, message)
