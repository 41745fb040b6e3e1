"""Buffer tables, interpolation between them, and the user's own buffer."""

import csv
import math
from collections.abc import Callable
from datetime import date
from pathlib import Path

import numpy as np
import pytest
import scipy

from quietcell.core.electrode.buffers import BUFFER_SETS, CERTIFICATE, Buffer, buffer
from tests.support.wrong_use import assert_refused

DATA = Path(__file__).parents[2] / "data" / "electrode"
SET_NAMES = {"IUPAC2002": "iupac-2002", "NBS1962": "nbs-1962", "PhEur_2.2.3": "ph-eur-2.2.3"}
BUFFER_NAMES = {
    "K_tetroxalate_0.05m": "tetroxalate",
    "KH_tartrate_sat25": "tartrate",
    "KH2_citrate_0.05m": "citrate",
    "KH_phthalate_0.05m": "phthalate",
    "phosphate_1_1_0.025m": "phosphate",
    "phosphate_1_3.5": "phosphate-1-3.5",
    "borax_0.01m": "borax",
    "carbonate_0.025m": "carbonate",
    "Ca_OH_2_sat25": "calcium-hydroxide",
}
ROWS = [
    (SET_NAMES[row["set"]], BUFFER_NAMES[row["buffer"]], float(row["t_C"]), float(row["pH"]))
    for row in csv.DictReader((DATA / "buffers.csv").read_text(encoding="utf-8").splitlines())
]
TABLES = sorted({(set_name, name) for set_name, name, _, _ in ROWS})


def test_every_published_value_comes_back_exactly() -> None:
    # Buck et al. 2002 (IUPAC), Bates 1962 (NBS), Ph. Eur. 2.2.3; tolerance of the list 0.002.
    assert len(ROWS) > 200
    for set_name, name, temperature_c, ph in ROWS:
        assert buffer(set_name, name).ph(temperature_c) == ph


def test_the_sets_hold_nothing_but_the_published_values() -> None:
    held = sum(len(row[0]) for one in BUFFER_SETS.values() for row in one.tables.values())
    assert held == len(ROWS)


@pytest.mark.parametrize(("set_name", "name"), TABLES)
def test_between_points_the_curve_follows_a_natural_reference_spline(set_name: str, name: str) -> None:
    # scipy's not-a-knot cubic spline as an independent interpolation; tolerance of the list 0.005.
    one = buffer(set_name, name)
    fine = np.linspace(one.temperatures_c[0], one.temperatures_c[-1], 301)
    spline = scipy.interpolate.CubicSpline(one.temperatures_c, one.values_ph)
    tolerance = 0.005 if set_name != "ph-eur-2.2.3" else 0.01  # its two decimals make it wavy
    assert np.max(np.abs(one.ph(fine) - spline(fine))) < tolerance


@pytest.mark.parametrize("name", ["phthalate", "phosphate", "borax"])
def test_a_point_left_out_is_found_again_within_0_005(name: str) -> None:
    whole = buffer("nbs-1962", name)
    for gone in range(1, len(whole.temperatures_c) - 1):
        rest = Buffer(
            name=name,
            buffer_set=CERTIFICATE,
            temperatures_c=whole.temperatures_c[:gone] + whole.temperatures_c[gone + 1 :],
            values_ph=whole.values_ph[:gone] + whole.values_ph[gone + 1 :],
            standard_uncertainty_ph=0.01,
        )
        assert rest.ph(whole.temperatures_c[gone]) == pytest.approx(whole.values_ph[gone], abs=0.005)


def test_a_parabola_is_followed_exactly_also_in_the_first_and_last_interval() -> None:
    def parabola(t: float) -> float:
        return 7.0 - 0.01 * (t - 25.0) + 0.0004 * (t - 25.0) ** 2

    at = (0.0, 10.0, 15.0, 25.0, 40.0)
    own = Buffer(
        name="own",
        buffer_set=CERTIFICATE,
        temperatures_c=at,
        values_ph=tuple(parabola(t) for t in at),
        standard_uncertainty_ph=0.01,
    )
    for temperature_c in (2.0, 5.0, 12.5, 20.0, 31.0, 39.0):
        assert own.ph(temperature_c) == pytest.approx(parabola(temperature_c), abs=1e-12)


def test_iupac_and_nbs_agree_at_45_c_where_only_nbs_has_a_point() -> None:
    for name, apart in (("phosphate", 0.002), ("borax", 0.003), ("phthalate", 0.012)):
        assert buffer("iupac-2002", name).ph(45.0) == pytest.approx(
            buffer("nbs-1962", name).ph(45.0), abs=apart
        )


@pytest.mark.parametrize(
    ("name", "ph_per_c"),
    [
        # Ph. Eur. 2.2.3, coefficients per °C around 25 °C.
        ("phthalate", 0.0012),
        ("phosphate", -0.0028),
        ("phosphate-1-3.5", -0.0028),
        ("borax", -0.0082),
        ("carbonate", -0.0096),
        ("citrate", -0.0022),
        ("tartrate", -0.0014),
    ],
)
def test_temperature_coefficients_agree_with_the_pharmacopoeia(name: str, ph_per_c: float) -> None:
    assert buffer("iupac-2002", name).ph_per_c(25.0) == pytest.approx(ph_per_c, abs=0.0006)


def test_the_coefficient_is_the_derivative_of_the_curve() -> None:
    borax = buffer("nbs-1962", "borax")
    at = np.linspace(1.0, 94.0, 77)
    numeric = (borax.ph(at + 1e-4) - borax.ph(at - 1e-4)) / 2e-4
    assert np.max(np.abs(numeric - borax.ph_per_c(at))) < 1e-7


def test_phthalate_differs_between_the_sets_as_published() -> None:
    values = [buffer(s, "phthalate").ph(25.0) for s in ("iupac-2002", "nbs-1962", "ph-eur-2.2.3")]
    assert values == [4.005, 4.008, 4.01]


def test_the_uncertainty_joins_table_and_bottle() -> None:
    one = buffer("iupac-2002", "borax", bottle_standard_uncertainty_ph=0.004)
    assert one.standard_uncertainty_ph == pytest.approx(math.hypot(0.0015, 0.004))


def test_a_buffer_from_its_certificate_keeps_lot_and_expiry() -> None:
    own = Buffer(
        name="own",
        buffer_set=CERTIFICATE,
        temperatures_c=(25.0,),
        values_ph=(7.01,),
        standard_uncertainty_ph=0.01,
        beyond_c=2.0,
        lot="M-1",
        expires=date(2027, 3, 31),
    )
    assert own.ph(np.array([23.0, 25.0, 27.0])).tolist() == [7.01, 7.01, 7.01]
    assert own.ph_per_c(26.0) == 0.0
    assert (own.lot, own.expires) == ("M-1", date(2027, 3, 31))


@pytest.mark.parametrize("temperature_c", [20.0, 30.0])
@pytest.mark.parametrize("name", ["citrate", "phthalate", "phosphate", "borax", "carbonate"])
def test_a_single_value_is_uncertain_away_from_its_temperature_as_published_buffers_change(
    name: str, temperature_c: float
) -> None:
    # Buck et al., Pure Appl. Chem. 74 (2002) 2169: what the buffer is there.
    published = buffer("iupac-2002", name)
    single = _own(
        temperatures_c=(25.0,), values_ph=(published.ph(25.0),), beyond_c=5.0, standard_uncertainty_ph=0.0
    )
    error_ph = single.ph(temperature_c) - published.ph(temperature_c)
    assert single.standard_uncertainty_at(25.0) == 0.0
    assert abs(error_ph) <= 2.0 * single.standard_uncertainty_at(temperature_c)
    assert published.standard_uncertainty_at(temperature_c) == published.standard_uncertainty_ph


def test_two_values_make_a_straight_line_that_goes_on_as_far_as_stated() -> None:
    own = Buffer(
        name="own",
        buffer_set=CERTIFICATE,
        temperatures_c=(20.0, 30.0),
        values_ph=(7.02, 7.00),
        standard_uncertainty_ph=0.01,
        beyond_c=5.0,
    )
    assert own.ph(25.0) == pytest.approx(7.01)
    assert own.ph(35.0) == pytest.approx(6.99)
    assert own.ph(15.0) == pytest.approx(7.03)


def _own(**changes: object) -> Buffer:
    fields: dict[str, object] = {
        "name": "own",
        "buffer_set": CERTIFICATE,
        "temperatures_c": (20.0, 25.0),
        "values_ph": (7.02, 7.00),
        "standard_uncertainty_ph": 0.01,
    }
    return Buffer(**(fields | changes))  # type: ignore[arg-type]  # wrong values on purpose


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: buffer("iupac-2002", "borax").ph(60.0),
         "temperature_c of buffer borax (iupac-2002): 60 °C is outside 0 to 50 °C"),
        (lambda: buffer("iupac", "borax"),
         "set_name: no buffer set 'iupac'. Sets: iupac-2002, nbs-1962, ph-eur"),
        (lambda: buffer("iupac-2002", "borate"),
         "buffer_name: no buffer 'borate' in set iupac-2002. Buffers: tartrate, citrate"),
        (lambda: buffer("iupac-2002", "borax", bottle_standard_uncertainty_ph=-0.1),
         "bottle_standard_uncertainty_ph: -0.1 is outside 0 to 0.5"),
        (lambda: _own(values_ph=(7.0,)), "buffer own: 2 temperatures and 1 values"),
        (lambda: _own(temperatures_c=(), values_ph=()), "buffer own: 0 temperatures and 0 values"),
        (lambda: _own(temperatures_c=(25.0, 20.0)), "buffer own: temperatures (25.0, 20.0) °C do not rise"),
        (lambda: _own(values_ph=(7.0, 70.0)), "values_ph: 70 at index 1 is outside -2 to 16"),
        (lambda: _own(standard_uncertainty_ph=0.9), "standard_uncertainty_ph: 0.9 is outside 0 to 0.5"),
        (lambda: _own(beyond_c=40.0), "beyond_c: 40 °C is outside 0 to 10 °C"),
    ],
)  # fmt: skip
def test_wrong_use_names_argument_value_unit_and_range(call: Callable[[], object], message: str) -> None:
    assert_refused(call, message)
