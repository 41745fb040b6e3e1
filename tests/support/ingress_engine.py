"""Feeds a scenario to the whole engine of a cell, as a replay would."""

from dataclasses import replace

import numpy as np

from quietcell.core.electrode.nernst import Line
from quietcell.core.engine import Engine
from quietcell.core.inputs import EngineInput, SegmentEnded
from quietcell.core.records import Json
from quietcell.core.settings import CellSettings
from tests.support.ingress_simulation import Scenario
from tests.support.streams import began, cell_settings

LINE = Line(slope_pct=98.4, zero_mv=3.1)


def settings_of(scenario: Scenario, **changes: Json) -> CellSettings:
    """Return the cell of a scenario, with quick determinations."""
    known = scenario.settings
    cell = cell_settings(
        line=LINE,
        every_s=600.0,
        conductivity_position=known.conductivity_position,
        hold_up_ml=known.hold_up_ml,
        reference_outflow_ul_h=known.reference_outflow_ul_h,
    )
    return replace(cell, **changes)


def inputs_of(scenario: Scenario) -> list[EngineInput]:
    """Return the readings of a scenario, with the potentials that stand for its pH."""
    mv = np.asarray(LINE.mv(scenario.ph, scenario.block.temperature_c))
    block = replace(scenario.block, mv=np.round(mv, 2))
    return [began(), block, SegmentEnded(ms=int(block.ms[-1]), cause="recording-ended")]


def bodies_of(scenario: Scenario, **changes: Json) -> list[dict[str, Json]]:
    """Return the bodies of all records."""
    engine = Engine(settings_of(scenario, **changes))
    return [body.as_json() for item in inputs_of(scenario) for body in engine.take(item)]
