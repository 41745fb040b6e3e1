"""Seeded flow tests whose cause is known."""

import math
from dataclasses import dataclass

import numpy as np

from quietcell.core.ingress.event import IngressSettings
from quietcell.core.ingress.flow_test import FlowStep
from quietcell.core.water.hydration import apparent_carbonate
from quietcell.core.water.speciation import Composition, speciate

UG_PER_MOL = 44.0095e6
KINDS = ("leak", "air-drawn-in", "carbon-dioxide-in-water", "streaming", "nothing-found")


@dataclass(frozen=True, slots=True, kw_only=True)
class FlowTestCase:
    """What a cell read at three flows and back, and why."""

    kind: str
    steps: tuple[FlowStep, ...]
    settings: IngressSettings
    size_ug_l: float


def flow_test_case(seed: int, kind: str, *, conductivity: bool | None = None) -> FlowTestCase:
    """Return a test of a kind: sizes 10..200 µg/L, streaming 0.03..0.25, half of them with conductivity."""
    rng = np.random.default_rng([seed, 12, KINDS.index(kind)])
    measured = bool(rng.uniform() < 0.5) if conductivity is None else conductivity
    first = rng.uniform(60.0, 150.0)
    flow = first * np.array([1.0, rng.uniform(0.4, 0.65), rng.uniform(1.5, 2.5), rng.uniform(0.97, 1.03)])
    if rng.uniform() < 0.5:
        flow[[1, 2]] = flow[[2, 1]]
    warm = rng.uniform(15.0, 30.0) + rng.normal(0.0, 0.1, 4)
    hold_up = rng.uniform(5.0, 60.0) if rng.uniform() < 0.7 else None
    age = 60.0 * (hold_up or rng.uniform(5.0, 60.0)) / flow
    background = Composition(
        total_carbonate_mol_kg=rng.uniform(0.0, 5.0) / UG_PER_MOL, neutral_salt_mol_kg=rng.uniform(0.0, 2e-7)
    )
    size = math.exp(rng.uniform(math.log(10.0), math.log(200.0)))
    carbonate = np.full(4, float(np.asarray(background.total_carbonate_mol_kg)))
    if kind == "carbon-dioxide-in-water":
        carbonate = carbonate + size / UG_PER_MOL
    elif kind in ("leak", "air-drawn-in"):
        share = first / flow if kind == "leak" else flow / first
        added = size * share / UG_PER_MOL
        carbonate = np.maximum(apparent_carbonate(added, age, warm, background), 0.0)
    water = speciate(
        Composition(total_carbonate_mol_kg=carbonate, neutral_salt_mol_kg=background.neutral_salt_mol_kg),
        warm,
    )
    ph = np.asarray(water.ph) + rng.normal(0.0, 0.05) + rng.normal(0.0, 0.004) * np.arange(4)
    if kind == "streaming":
        ph = ph + rng.choice([-1.0, 1.0]) * rng.uniform(0.03, 0.25) * (flow / first - 1.0)
    ph = ph + rng.normal(0.0, 0.008, 4)
    kappa = np.asarray(water.conductivity_us_cm) * (1.0 + rng.normal(0.0, 0.01))
    kappa = kappa * (1.0 + rng.normal(0.0, 0.003, 4))
    return FlowTestCase(
        kind=kind,
        steps=tuple(
            FlowStep(
                flow_ml_min=float(flow[i]),
                ph=float(ph[i]),
                temperature_c=float(warm[i]),
                conductivity_us_cm=float(kappa[i]) if measured else None,
            )
            for i in range(4)
        ),
        settings=IngressSettings(
            conductivity_position="downstream" if measured else None, hold_up_ml=hold_up
        ),
        size_ug_l=size,
    )
