"""What must be shown before a cause is named."""

import pytest

from quietcell.core.ingress.event import IngressSettings
from quietcell.core.ingress.rivals import Scores
from quietcell.core.ingress.verdict import judge
from quietcell.core.settings import Position


@pytest.mark.parametrize(
    ("ratios", "named"),
    [
        ({"co2-ingress": 60.0}, "co2-ingress"),
        ({"acidic-ingress": 60.0}, "acidic-ingress"),
        ({"co2-ingress": 60.0, "acidic-ingress": 63.0}, "co2-ingress"),
        ({"co2-ingress": 60.0, "acidic-ingress": 65.0}, "acidic-ingress"),
        ({"co2-ingress": 60.0, "junction-drift": 56.0}, "undecided"),
        ({"co2-ingress": 11.0}, "undecided"),
    ],
)
def test_carbon_dioxide_is_named_only_where_it_leads(ratios: dict[str, float], named: str) -> None:
    scores = Scores({"two-causes": 0.0, **ratios}, 0.0, (-0.3, 0.5), 15.0)
    assert judge(scores, IngressSettings(), alone=False).favourite == named


@pytest.mark.parametrize("position", ["upstream", "separate-portion"])
def test_a_fall_where_the_conductivity_cell_cannot_see_is_leak_or_junction(position: Position) -> None:
    scores = Scores({"two-causes": 0.0, "junction-drift": 60.0}, 0.0, (-0.3, 0.0), 15.0)
    settings = IngressSettings(conductivity_position=position)
    assert judge(scores, settings, alone=False).favourite == "leak-or-junction"
