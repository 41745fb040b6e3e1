"""Carbon dioxide on the carbonic line is found and sized; its lookalikes are left alone."""

import numpy as np
import pytest

from quietcell.core.engine import Engine
from quietcell.core.ingress.carbonic_line import CO2_UG_PER_MOL, LOOK_MS, CarbonicLine, Finding, look
from quietcell.core.inputs import SegmentEnded
from quietcell.core.readings import ReadingBlock
from quietcell.core.water.speciation import Composition, conductivity_us_cm, solve_ph
from tests.support.streams import began, cell_settings, determinations, run

MINUTES = 40
ONSET = 30
"""Look at which something changes."""


def findings(
    co2_ug_l: float = 0.0,
    salt: float = 0.0,
    base: float = 0.0,
    junction_ph: float = 0.0,
    *,
    seed: int = 1,
    until: int = 80,
) -> list[Finding]:
    """What the detector tells of a change that comes within ten looks and goes at `until`."""
    rng = np.random.default_rng(seed)
    detector, told = CarbonicLine(), []
    for number in range(2 * MINUTES):
        grown = min(1.0, max(0.0, (number - ONSET) / 10)) * (number < until)
        water = Composition(
            total_carbonate_mol_kg=(2.0 + grown * co2_ug_l) / CO2_UG_PER_MOL,
            neutral_salt_mol_kg=2e-8 + grown * salt,
            strong_base_mol_kg=grown * base,
        )
        seen = look(
            number * LOOK_MS,
            float(solve_ph(water, 21.0)) - grown * junction_ph + rng.normal(0, 0.002),
            float(conductivity_us_cm(water, 21.0)) * (1 + rng.normal(0, 0.002)),
            21.0,
        )
        assert seen is not None
        if finding := detector.see(seen):
            told.append(finding)
    return told


@pytest.mark.parametrize("co2_ug_l", [15.0, 40.0, 150.0])
@pytest.mark.parametrize("seed", range(5))
def test_carbon_dioxide_is_found_soon_and_sized_within_its_uncertainty(co2_ug_l: float, seed: int) -> None:
    told = findings(co2_ug_l, seed=seed)
    assert told[0].state == "opened"
    assert told[0].flagged_ms <= (ONSET + 12) * LOOK_MS
    assert (ONSET - 4) * LOOK_MS <= told[0].began_ms <= (ONSET + 6) * LOOK_MS
    last = told[-1]
    if last.now.ms > (ONSET + 10) * LOOK_MS:  # told again once fully grown
        assert last.from_conductivity_ug_l == pytest.approx(co2_ug_l, abs=last.from_conductivity_u_ug_l)
        assert last.from_ph_ug_l == pytest.approx(co2_ug_l, abs=last.from_ph_u_ug_l)


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize(
    "change",
    [{}, {"salt": 1e-6}, {"base": 5e-7}, {"junction_ph": 0.3}, {"junction_ph": -0.3}, {"co2_ug_l": -1.5}],
    ids=["nothing", "salt", "base", "junction falls", "junction rises", "gas goes out"],
)
def test_lookalikes_are_left_alone(change: dict[str, float], seed: int) -> None:
    assert (
        findings(
            change.get("co2_ug_l", 0.0),
            change.get("salt", 0.0),
            change.get("base", 0.0),
            change.get("junction_ph", 0.0),
            seed=seed,
        )
        == []
    )


def test_an_episode_closes_when_the_gas_is_gone() -> None:
    told = findings(40.0, until=55)
    assert told[0].state == "opened"
    assert told[-1].state == "closed"
    assert told[-1].closed_ms is not None


def test_values_delivered_meanwhile_are_qualified_and_name_the_episode() -> None:
    seconds = 1800
    rng = np.random.default_rng(3)
    co2 = np.where(np.arange(seconds) < 900, 2.0, 42.0) / CO2_UG_PER_MOL
    water = Composition(total_carbonate_mol_kg=co2, neutral_salt_mol_kg=2e-8)
    ph = np.asarray(solve_ph(water, 21.0))
    settings = cell_settings(hold_up_ml=12.0, conductivity_position="downstream", every_s=120.0)
    block = ReadingBlock.from_columns(
        ms=np.arange(seconds) * 1000 + 200,
        mv=np.round(np.asarray(settings.line.mv(ph, 21.0)) + rng.normal(0, 0.02, seconds), 2),
        temperature_c=np.full(seconds, 21.0),
        conductivity_us_cm=np.asarray(conductivity_us_cm(water, 21.0)) * (1 + rng.normal(0, 0.002, seconds)),
        flow_ml_min=np.full(seconds, 100.0),
    )
    bodies = run(Engine(settings), [began(), block, SegmentEnded(ms=seconds * 1000, cause="stopped")])
    episodes = [body for body in bodies if body["record"] == "episode"]
    assert [episode["state"] for episode in episodes] == ["opened"]
    first = episodes[0]
    assert first["evidence"]["co2_ug_per_l_from_conductivity"]["value"] == pytest.approx(40.0, abs=3.0)
    assert "Look first at fittings" in first["text"]
    assert "sample age of 7 s" in first["text"]
    delivered = [body for body in determinations(bodies) if body["verdict"] in {"accepted", "qualified"}]
    before = [body for body in delivered if body["at"] < first["at"]]
    after = [body for body in delivered if body["at"] > first["at"]]
    assert before
    assert {body["verdict"] for body in before} == {"accepted"}
    assert after
    assert all(body["qualifiers"][0] == "co2-unlocated" for body in after)
    assert {body["episodes"][0] for body in after} == {first["id"]}
