"""Coverage of the stated uncertainty in virtual measurements; the full campaign is a bench."""

from tests.bench.coverage import ARMS, virtual_measurements


def test_ph_plus_minus_u_holds_the_truth_in_virtual_measurements() -> None:
    campaign = virtual_measurements(450, seed=7)
    rows = {name: (count, coverage, median) for name, count, coverage, median, _ in campaign.rows()}
    # Generous: 95 % less about three standard errors of the proportion.
    assert rows["all"][0] == 450
    assert rows["all"][1] > 0.92
    for arm in ARMS:
        assert rows[arm][1] > 0.90
    # Width cannot buy it: a hand's breadth of pH is no statement.
    assert rows["all"][2] < 0.25


def test_a_check_in_water_of_low_ionic_strength_makes_u_narrower() -> None:
    rows = {name: median for name, _, _, median, _ in virtual_measurements(90, seed=8).rows()}
    assert rows["checked"] < 0.75 * rows["calibrated"]
