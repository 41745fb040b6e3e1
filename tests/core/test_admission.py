"""What speaks against a value at rest: a sample that takes up carbon dioxide."""

from dataclasses import replace

import numpy as np
import pytest

from quietcell.core.electrode.nernst import Line
from quietcell.core.endpoint.criterion import SHIPPED
from quietcell.core.engine import Engine
from quietcell.core.inputs import EngineInput, Request
from quietcell.core.readings import ReadingBlock
from quietcell.core.records import Json
from tests.core.test_engine import stopped
from tests.support.settling import Trace, settling_trace
from tests.support.streams import began, cell_settings, determinations, run

GRAB = replace(SHIPPED["grab-water"], max_wait_s=1500.0)


def asked(trace: Trace) -> dict[str, Json]:
    """The determination asked for as the electrode comes into the sample."""
    rows = trace.ms <= 1_600_000
    block = ReadingBlock.from_columns(
        ms=trace.ms[rows],
        mv=trace.mv[rows],
        temperature_c=trace.temperature_c[rows],
        conductivity_us_cm=trace.conductivity_us_cm[rows],
    )
    cell = cell_settings(GRAB, mode="on-request", line=Line(slope_pct=100.0, zero_mv=0.0))
    inputs: list[EngineInput] = [began(), Request(ms=0), block, stopped(1_600_001)]
    return determinations(run(Engine(cell), inputs))[0]


@pytest.mark.parametrize("seed", [1, 4, 7])
def test_no_value_is_accepted_while_conductivity_shows_uptake(seed: int) -> None:
    body = asked(settling_trace("co2-uptake", seed))
    assert body["verdict"] == "refused"


def test_a_sample_at_rest_with_steady_conductivity_is_accepted() -> None:
    trace = settling_trace("plain", 3)
    steady = replace(trace, conductivity_us_cm=np.full(len(trace.ms), 1.5))
    assert asked(steady)["verdict"] == "accepted"
