"""Checks at a real terminal beside a daemon: dilute solutions, another meter's pH, another thermometer."""

from pathlib import Path

import pytest

from quietcell.core.electrode.low_ionic import strong_acid
from quietcell.core.records import Json
from quietcell.core.water.speciation import Composition, conductivity_us_cm
from tests.support.bench_meter import (
    FIXED,
    GOOD,
    BenchMeter,
    answered,
    assert_recomputable,
    bodies,
    configure,
    daemon,
    terminal,
)
from tests.support.live import wait_until

pytestmark = pytest.mark.live
BIAS_PH = 0.06
ACIDS_MOL_L = (5e-5, 2e-5, 1e-5)


def check(folder: Path, *words: str, status: int = 0) -> str:
    """Run a check that asks nothing; returns what it said."""
    return answered(folder, "check", "live-feed-room", "--operator", "Ada", *words, status=status).out


def results(folder: Path) -> list[dict[str, Json]]:
    return [b for b in bodies(folder, "determination") if b["verdict"] in ("accepted", "qualified")]


def test_checks_of_every_kind_count_for_what_they_are_about(tmp_path: Path) -> None:
    configure(tmp_path, more=FIXED)
    with BenchMeter(tmp_path, GOOD) as meter, daemon(tmp_path):
        wait_until(lambda: bool(results(tmp_path)), "a result")
        # Dilute strong acid of known pH; the junction of this electrode is off by 0.06 pH in all of them.
        solutions = [word for acid in ACIDS_MOL_L for word in ("--solution", f"acid:{acid:g}")]
        child = terminal(tmp_path, "check", "live-feed-room", "--operator", "Ada", "--low-ionic", *solutions)
        for acid in ACIDS_MOL_L:
            child.expect("Press Enter")
            water = Composition(strong_acid_mol_kg=acid)
            meter.dip(strong_acid(acid, 25.0).ph + BIAS_PH, float(conductivity_us_cm(water, 25.0)))
            child.sendline("")
            child.expect("At rest")
        child.expect("passed")
        child.expect("put it back into the cell.*Press Enter")
        meter.dip(6.9)
        child.sendline("")
        assert child.ended() == 0
        assert min(b["ph"] for b in results(tmp_path)) > 6.0  # no acid was taken for the loop's water
        seen = len(results(tmp_path))
        wait_until(lambda: len(results(tmp_path)) > seen, "another result")
        # Another meter agrees with the last result, and a thermometer does not.
        last = results(tmp_path)[-1]
        known = ("--known-from", "the meter of the nursery", "--tolerance", "0.05")
        check(tmp_path, "--known-ph", f"{last['ph'] + 0.02:.3f}", *known)
        assert "+1.000 °C" in check(tmp_path, "--known-temperature", "24.0", "--tolerance", "0.5", status=1)
        # A laboratory's value that is far off does not make the thermometer better, nor the other way round.
        check(tmp_path, "--known-ph", "7.6", *known, "--determination", last["id"], status=1)
        check(tmp_path, "--known-temperature", "25.1", "--tolerance", "0.5")
    low_ionic, good, warm, off, mended = bodies(tmp_path, "check")
    summary = low_ionic["low_ionic"]
    assert (low_ionic["method"], low_ionic["verdict"]) == ("low-ionic", "passed")
    assert summary["bias_ph"] == pytest.approx(BIAS_PH, abs=3 * summary["standard_uncertainty_ph"])
    assert [entry["known_ph"] for entry in summary["solutions"]] == pytest.approx(
        [strong_acid(acid, 25.0).ph for acid in ACIDS_MOL_L], abs=0.002
    )
    assert summary["bias_ph"] == pytest.approx(BIAS_PH, abs=0.01)
    # From then on results name it; this water has fewer ions than the check speaks for, and says so.
    assert last["low_ionic_check"]["id"] == low_ionic["id"]
    assert (
        last["ph"] == pytest.approx(6.9 - BIAS_PH, abs=0.02)
        or "outside-low-ionic-check" in last["qualifiers"]
    )
    assert (good["verdict"], good["known_from"]) == ("passed", "the meter of the nursery")
    assert good["measurements"] >= [last["id"]]  # it, or one that came between
    assert (warm["verdict"], warm["unit"], mended["verdict"], off["verdict"]) == (
        "failed",
        "Cel",
        "passed",
        "failed",
    )
    of_warm, of_off = bodies(tmp_path, "doubt")
    assert (of_warm["about"], of_off["about"]) == (warm["id"], off["id"])
    assert of_off["since"] == good["at"]  # the last good one of its kind
    assert last["id"] in of_warm["determinations"]
    failed = [b["settings"]["failed_check_id"] for b in bodies(tmp_path, "configuration")]
    assert failed[-1] == off["id"]
    assert_recomputable(tmp_path)
