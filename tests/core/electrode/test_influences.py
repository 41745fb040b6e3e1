"""What may disturb the potential of a cell enters the budget: junction, streaming, drift, hysteresis."""

import math
from dataclasses import replace

import pytest

from quietcell.core.electrode.influences import Influences, LowIonicCheck
from quietcell.core.electrode.known_line import KnownLine
from quietcell.core.electrode.nernst import Line, nernst_factor_mv
from quietcell.core.electrode.ph_budget import Measured, ph_budget
from quietcell.errors import DomainError
from tests.support.known_lines import EXACT


def _henderson_mv(bridge: dict[str, float], sample: dict[str, float]) -> float:
    """Potential of the sample against the bridge by the Henderson equation, 25 °C, mV.

    Concentrations in equivalents per litre; conductances per equivalent of the CRC Handbook.
    """
    conductance = {
        "K+": 73.5,
        "Na+": 50.08,
        "H+": 349.65,
        "Cl-": 76.31,
        "OH-": 198.0,
        "HCO3-": 44.5,
        "H2PO4-": 36.0,
        "HPO4--": 57.0,
    }
    rise = {ion: sample.get(ion, 0.0) - bridge.get(ion, 0.0) for ion in conductance}
    signed = math.fsum(conductance[i] * rise[i] * (1.0 if i.endswith("+") else -1.0) for i in rise)
    total = math.fsum(conductance[i] * rise[i] for i in rise)
    carried_bridge, carried_sample = (
        math.fsum(conductance[i] * amount for i, amount in side.items()) for side in (bridge, sample)
    )
    return 25.693 * signed / total * math.log(carried_bridge / carried_sample)


@pytest.mark.parametrize("kcl_mol_l", [3.0, 3.5, 4.16])
@pytest.mark.parametrize(
    "water",
    [{"H+": 1e-7, "OH-": 1e-7}, {"H+": 2.5e-6, "HCO3-": 2.5e-6}, {"Na+": 1e-5, "OH-": 1e-5}],
    ids=["pure", "air-equilibrated", "alkaline"],
)
def test_the_default_junction_allowance_holds_what_henderson_gives(
    kcl_mol_l: float, water: dict[str, float]
) -> None:
    # Henderson equation for a free-flowing junction; the calibration was in phosphate buffer.
    bridge = {"K+": kcl_mol_l, "Cl-": kcl_mol_l}
    phosphate = {"K+": 0.025, "Na+": 0.05, "H2PO4-": 0.025, "HPO4--": 0.05}
    residual_mv = _henderson_mv(bridge, water) - _henderson_mv(bridge, phosphate)
    low_mv, high_mv = Influences().low_ionic_junction_mv
    assert low_mv <= residual_mv <= high_mv
    assert residual_mv < -3.0


def test_the_default_junction_allowance_is_one_sided_and_reads_too_high() -> None:
    found = ph_budget(EXACT, Measured(mv=5.0, temperature_c=25.0, flow_ml_min=0.0), Influences())
    junction = found.component("junction")
    whole_ph = 6.0 / (0.98 * nernst_factor_mv(25.0))
    assert junction.bias_ph == pytest.approx(whole_ph / 2.0)
    assert junction.standard_uncertainty_ph == pytest.approx(whole_ph / math.sqrt(12.0))
    assert found.low_ph + found.high_ph < 2.0 * found.ph


def test_a_meter_whose_mv_rise_with_ph_has_the_junction_on_the_same_side() -> None:
    rising = replace(EXACT, line=Line(slope_pct=-98.0, zero_mv=-5.0))
    for measured, known in ((5.0, EXACT), (-5.0, rising)):
        found = ph_budget(known, Measured(mv=measured, temperature_c=25.0))
        assert found.component("junction").bias_ph > 0.04
        assert found.ph == pytest.approx(7.0)


@pytest.mark.parametrize("bias_ph", [0.06, -0.04])
def test_a_measured_bias_is_taken_off_with_its_sign_and_replaces_the_allowance(bias_ph: float) -> None:
    check = LowIonicCheck(bias_ph=bias_ph, standard_uncertainty_ph=0.015)
    plain = ph_budget(EXACT, Measured(mv=5.0, temperature_c=25.0))
    found = ph_budget(EXACT, Measured(mv=5.0, temperature_c=25.0), low_ionic_check=check)
    assert found.ph == pytest.approx(plain.ph - bias_ph)
    assert found.bias_ph == pytest.approx(0.0, abs=1e-12)
    assert found.component("low-ionic-check").standard_uncertainty_ph == 0.015
    with pytest.raises(DomainError, match="no component 'junction'"):
        found.component("junction")
    assert found.expanded_uncertainty_ph < plain.expanded_uncertainty_ph


def test_a_check_read_by_a_line_since_replaced_brings_that_lines_error_along() -> None:
    # GUM (JCGM 100) 5.2: what one line's error put into the bias, the reading by another no longer holds.
    sample = Measured(mv=5.0, temperature_c=25.0)
    same, other = (
        ph_budget(
            EXACT,
            sample,
            low_ionic_check=LowIonicCheck(
                bias_ph=0.06, standard_uncertainty_ph=0.015, line_standard_uncertainty_ph=u_ph
            ),
        )
        for u_ph in (0.0, 0.03)
    )
    assert "low-ionic-line" not in {one.name for one in same.components}
    assert other.standard_uncertainty_ph == pytest.approx(math.hypot(same.standard_uncertainty_ph, 0.03))


@pytest.mark.parametrize("changes", [{"conductivity_us_cm": 20.0}, {"kcl_adjusted": True}])
def test_a_check_that_does_not_cover_the_sample_changes_nothing(changes: dict[str, float]) -> None:
    check = LowIonicCheck(bias_ph=0.06, standard_uncertainty_ph=0.015, highest_conductivity_us_cm=5.0)
    measured = replace(Measured(mv=5.0, temperature_c=25.0), **changes)  # type: ignore[arg-type]  # passed on
    assert ph_budget(EXACT, measured, low_ionic_check=check) == ph_budget(EXACT, measured)


@pytest.mark.parametrize("changes", [{"conductivity_us_cm": 1400.0}, {"kcl_adjusted": True}])
def test_ordinary_ionic_strength_has_a_junction_term_of_its_own(changes: dict[str, float]) -> None:
    measured = replace(Measured(mv=5.0, temperature_c=25.0), **changes)  # type: ignore[arg-type]  # passed on
    junction = ph_budget(EXACT, measured).component("junction")
    assert junction.bias_ph == 0.0
    assert junction.standard_uncertainty_ph == pytest.approx(
        1.0 / math.sqrt(3.0) / (0.98 * nernst_factor_mv(25.0))
    )


def test_streaming_falls_with_conductivity_and_vanishes_with_flow() -> None:
    # Helmholtz and Smoluchowski: 18 times smaller at 1 than at 0.055 µS/cm.
    def streaming(**changes: float) -> float:
        measured = replace(Measured(mv=5.0, temperature_c=25.0), **changes)  # type: ignore[arg-type]  # passed on
        return ph_budget(EXACT, measured).component("streaming").standard_uncertainty_ph

    pure = streaming(conductivity_us_cm=0.055, flow_ml_min=100.0)
    assert pure / streaming(conductivity_us_cm=1.0, flow_ml_min=100.0) == pytest.approx(18.18, abs=0.01)
    assert streaming() == streaming(conductivity_us_cm=0.04) == pure
    assert streaming(flow_ml_min=0.0) == 0.0


def test_drift_grows_with_age_and_an_unknown_age_is_assumed() -> None:
    def drift(age_d: float | None) -> tuple[float, str]:
        part = ph_budget(replace(EXACT, age_d=age_d), Measured(mv=5.0, temperature_c=25.0)).component("drift")
        return part.standard_uncertainty_ph, part.basis

    assert drift(0.0) == (0.0, "stated")
    assert drift(10.0)[0] == pytest.approx(10.0 * 0.2 / math.sqrt(3.0) / (0.98 * nernst_factor_mv(25.0)))
    assert drift(None) == (drift(14.0)[0], "assumed")


def test_hysteresis_grows_with_the_distance_from_the_calibration_temperature() -> None:
    def hysteresis(known: KnownLine, temperature_c: float) -> float:
        measured = Measured(mv=5.0, temperature_c=temperature_c)
        return ph_budget(known, measured).component("thermal-hysteresis").standard_uncertainty_ph

    assert hysteresis(EXACT, 25.0) == 0.0
    at_80 = 0.02 * 55.0 / math.sqrt(3.0) / (0.98 * nernst_factor_mv(80.0))
    assert hysteresis(EXACT, 80.0) == pytest.approx(at_80)
    assert hysteresis(replace(EXACT, temperature_c=80.0), 80.0) == 0.0
