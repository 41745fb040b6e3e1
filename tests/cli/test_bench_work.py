"""Calibrations through a real terminal against an emulated meter; the ledger tells what came of them."""

from collections.abc import Sequence
from datetime import date
from pathlib import Path

import numpy as np
import pexpect
import pytest

from quietcell.cli.calibrate import tell_lacking
from quietcell.core.electrode.buffers import buffer
from quietcell.core.electrode.calibration import CalibrationPoint
from quietcell.core.electrode.calibration import calibrate as fitted
from quietcell.core.electrode.nernst import Line, nernst_factor_mv
from quietcell.core.records import Json
from tests.support.bench_meter import (
    FIXED,
    GOOD,
    BenchMeter,
    answered,
    assert_recomputable,
    bodies,
    configure,
    daemon,
    interrupt,
    terminal,
)
from tests.support.live import wait_until
from tests.support.references import generalised_least_squares

pytestmark = pytest.mark.live
BUFFERS = ("--buffer", "phthalate", "--buffer", "borax")


def ph_of(name: str) -> float:
    return buffer("iupac-2002", name).ph(25.0)


def calibrate(
    folder: Path, meter: BenchMeter, *names: str, more: Sequence[str] = (), bottle: str = "lot=M-1"
) -> int:
    """Calibrate with named buffers, moving the electrode at each prompt; returns the exit status."""
    given = [word for name in names for word in ("--buffer", f"iupac-2002/{name},{bottle}")]
    flags = ("--operator", "Ada", "--expected-ph", "7", *more)
    child = terminal(folder, "calibrate", "live-feed-room", *flags, *given)
    for name in names:
        meter.dip_when_asked(child, ph_of(name))
        child.expect("At rest")
    status = child.ended()
    print(child.before)  # noqa: T201 # shown when a test fails
    return status


def guided(folder: Path, meter: BenchMeter, names: Sequence[str]) -> None:
    """Calibrate by answering prompts alone; the potential tells which buffer it is, or which it may be."""
    child = terminal(folder, "calibrate", "live-feed-room")
    child.answer("Who works", "Ada")
    child.expect("licensed people")  # the cautions
    child.answer("Expected pH", "neutral")
    child.expect("is no pH.*Expected pH")  # a slip at the keyboard costs nothing
    child.sendline("6.2:7.4")
    for name, last_day in zip(names, ("2099-12-31", ""), strict=True):
        child.expect("rinse the electrode with pure water, blot it.*Press Enter")
        meter.dip(ph_of(name))
        child.sendline("")
        child.answer(rf"Which buffer is it\? By its potential {name}|\({name}, .*\): ", name)
        child.answer("Lot of the bottle", "M-1")
        child.answer("Last day of use", "31.12.2099")
        child.answer("is no day.*Last day of use", last_day)
    child.answer("Another buffer", "n")
    child.expect(r"Slope 98\.\d\d ± ")
    child.answer("Use this calibration from here on", "y")
    child.expect("accepted: .*put it back into the cell.*Press Enter")
    # The electrode still stands in the last buffer, which is not to be taken for the water.
    assert [body["state"] for body in bodies(folder, "attendance")] == ["began", "began"]
    meter.dip(7.0)
    interrupt(child, pexpect.EOF)
    assert "has not changed" not in (child.before or "")
    assert child.ended() == 130
    left = bodies(folder, "attendance")[-1]
    assert (left["state"], left["outcome"]) == ("ended", "done")


def assert_numbers_of(body: dict[str, Json]) -> None:
    """Hold a record against the core's fit and against statsmodels' generalised least squares."""
    points = body["points"]
    by_core = fitted(
        [
            CalibrationPoint(
                buffer=buffer(p["buffer_set"], p["buffer"], lot=p["lot"] or "", expires=_day(p["expires"])),
                mv=p["mv"],
                temperature_c=p["temperature_c"],
                mv_standard_uncertainty=p["mv_standard_uncertainty"],
                temperature_standard_uncertainty_c=p["temperature_standard_uncertainty_c"],
            )
            for p in points
        ],
        isopotential_ph=body["isopotential_ph"],
    )
    # What goes into the record was not yet rounded: 1e-4 mV over 100 mV.
    assert body["slope_pct"] == pytest.approx(by_core.slope_pct, abs=5e-4)
    assert body["zero_mv"] == pytest.approx(by_core.zero_mv, abs=5e-4)
    assert [p["residual_mv"] for p in points] == pytest.approx(by_core.residuals_mv, abs=5e-4)
    factor = np.array([nernst_factor_mv(p["temperature_c"]) for p in points])
    ph = np.array([p["ph"] for p in points])
    design = np.stack([np.ones(len(points)), -factor * (ph - 7.0)], axis=1)
    slope = body["slope_pct"] / 100.0
    per_c = np.array([buffer(p["buffer_set"], p["buffer"]).ph_per_c(p["temperature_c"]) for p in points])
    warm = -slope * (0.19842 * (ph - body["isopotential_ph"]) + factor * per_c)
    variance = (
        np.array([p["mv_standard_uncertainty"] for p in points]) ** 2
        + (slope * factor * np.array([p["buffer_standard_uncertainty_ph"] for p in points])) ** 2
        + (warm * np.array([p["temperature_standard_uncertainty_c"] for p in points])) ** 2
    )
    mv = np.array([p["mv"] for p in points])
    reference = generalised_least_squares(mv, design, np.diag(variance))
    assert body["zero_mv"] == pytest.approx(reference.params[0], abs=1e-3)
    assert body["slope_pct"] == pytest.approx(100.0 * reference.params[1], abs=1e-3)
    assert body["slope_expanded_uncertainty_pct"] >= 200.0 * reference.bse[1] * (1.0 - 1e-3)


def _day(text: str | None) -> date | None:
    return None if text is None else date.fromisoformat(text)


def test_a_fresh_cell_is_calibrated_without_a_daemon(tmp_path: Path) -> None:
    with BenchMeter(tmp_path, GOOD) as meter:
        assert calibrate(tmp_path, meter, "phthalate", "phosphate", "borax", more=("--use",)) == 0
    (body,) = bodies(tmp_path, "calibration")
    assert body["verdict"] == "accepted"
    assert_numbers_of(body)
    assert body["slope_pct"] == pytest.approx(98.4, abs=0.1)
    # Each buffer but the first tells how fast the electrode is, and its history gives a condition.
    assert [p["response_time_s"] is None for p in body["points"]] == [True, False, False]
    assert (body["condition"], body["condition_reasons"]) == ("none", [])
    assert bodies(tmp_path, "determination") == []
    configured = bodies(tmp_path, "configuration")
    assert [c["settings"]["calibrated"] for c in configured] == [False, True]
    assert configured[-1]["settings"]["calibration_id"] == body["id"]


def test_two_buffers_will_do_and_an_old_one_will_not(tmp_path: Path) -> None:
    configure(tmp_path)
    with BenchMeter(tmp_path, GOOD) as meter, daemon(tmp_path):
        guided(tmp_path, meter, ("phthalate", "borax"))
        (first,) = bodies(tmp_path, "calibration")
        assert [p["lot"] for p in first["points"]] == ["M-1", "M-1"]
        assert [p["expires"] for p in first["points"]] == ["2099-12-31", None]
        assert_numbers_of(first)
        # A worn electrode in a buffer past its day: which of the two is wrong nobody can tell, so no doubt.
        meter.electrode = Line(slope_pct=88.0, zero_mv=3.1)
        old = "lot=M-0,expires=2024-01-31"
        assert calibrate(tmp_path, meter, "phthalate", "borax", bottle=old) == 1
        refused = bodies(tmp_path, "calibration")[-1]
        reasons = [refusal["reason"] for refusal in refused["refusals"]]
        assert {"buffer-expired", "slope-out-of-limits"} <= set(reasons)
        assert not refused["as_found"]["believed"]
        assert bodies(tmp_path, "doubt") == []
        assert bodies(tmp_path, "configuration")[-1]["settings"]["calibration_id"] == first["id"]
        assert len(bodies(tmp_path, "calibration")) == 2


def test_who_chose_buffers_on_one_side_hears_it_while_another_can_be_added(
    capsys: pytest.CaptureFixture[str],
) -> None:
    acid = [{"set": "iupac-2002", "name": name} for name in ("phthalate", "phosphate")]
    tell_lacking(acid, [6.9, 7.2])
    assert "at pH 6.90 to 7.20, the buffers reach from 4.00 to 6.87 at 25 °C" in capsys.readouterr().err
    tell_lacking([*acid, {"set": "iupac-2002", "name": "borax"}], [6.9, 7.2])
    assert capsys.readouterr().err == ""


def test_two_people_at_once_get_a_clear_answer_and_leave_a_clean_record(tmp_path: Path) -> None:
    configure(tmp_path, more=FIXED)
    with BenchMeter(tmp_path, GOOD) as meter, daemon(tmp_path):
        # Someone's determination is not cut off by someone else's calibration.
        meter.silent = True
        asked = ("request", "live-feed-room", "--operator", "Bo", "--sample-id", "S-9")
        answered(tmp_path, *asked)
        words = ("calibrate", "live-feed-room", "--operator", "Ada", *BUFFERS)
        told = answered(tmp_path, *words, status=1).err
        assert "a determination of S-9 that someone asked for is under way" in told
        assert "--supersede" in told
        meter.silent = False
        wait_until(lambda: bool(of_sample(tmp_path, "S-9")), "the outcome")
        assert bodies(tmp_path, "attendance") == []
        # Unless they say so: whoever asked is told.
        meter.silent = True
        answered(tmp_path, "request", "live-feed-room", "--sample-id", "S-10")
        began = terminal(tmp_path, "calibrate", "live-feed-room", "--operator", "Ada", "--supersede")
        began.expect("Expected pH")
        (ended,) = of_sample(tmp_path, "S-10")
        assert ended["reasons"][0] == "superseded"
        interrupt(began, "what is in force has not changed")
        meter.silent = False
        # Two calibrations of one cell: the second has to wait, and the first stops early.
        first = terminal(tmp_path, "calibrate", "live-feed-room", "--operator", "Ada", "--expected-ph", "7")
        first.expect("Press Enter")
        second = terminal(tmp_path, "calibrate", "live-feed-room", "--operator", "Bo", "--expected-ph", "7")
        second.expect("Ada is at work here")
        assert second.ended() == 1
        interrupt(first, "what is in force has not changed")
        assert first.ended() == 130
    assert bodies(tmp_path, "calibration") == []
    ends = [(b["operator"], b["outcome"]) for b in bodies(tmp_path, "attendance") if b["state"] == "ended"]
    assert ends == [("Ada", "aborted")] * 2
    (outcome,) = of_sample(tmp_path, "S-9")
    assert outcome["verdict"] in ("accepted", "qualified")


def of_sample(folder: Path, sample_id: str) -> list[dict[str, Json]]:
    return [body for body in bodies(folder, "determination") if body["sample_id"] == sample_id]


def test_refused_and_failed_work_puts_results_in_doubt(tmp_path: Path) -> None:
    configure(tmp_path, more=FIXED)
    with BenchMeter(tmp_path, GOOD) as meter, daemon(tmp_path):
        wait_until(
            lambda: any(b["verdict"] == "accepted" for b in bodies(tmp_path, "determination")), "a result"
        )
        # A worn electrode: refused, and what it measured before is in doubt.
        meter.electrode = Line(slope_pct=88.0, zero_mv=3.1)
        assert calibrate(tmp_path, meter, "phthalate", "borax") == 1
        refused = bodies(tmp_path, "calibration")[-1]
        assert [r["reason"] for r in refused["refusals"]] == ["slope-out-of-limits"]
        (doubt,) = bodies(tmp_path, "doubt")
        assert (doubt["cause"], doubt["about"]) == ("as-found-calibration", refused["id"])
        assert doubt["determinations"]
        # A check in a third buffer fails, and nothing is accepted from then on.
        child = terminal(
            tmp_path, "check", "live-feed-room", "--operator", "Ada", "--no-pause", "--tolerance", "0.05",
            "--buffer", "iupac-2002/phosphate,lot=M-2",
        )  # fmt: skip
        child.expect("failed")
        assert child.ended() == 1
        check = bodies(tmp_path, "check")[-1]
        assert bodies(tmp_path, "doubt")[-1]["about"] == check["id"]
        assert bodies(tmp_path, "configuration")[-1]["settings"]["failed_check_id"] == check["id"]


def test_a_fixed_calibration_is_not_replaced_at_the_bench_and_clears_no_check(tmp_path: Path) -> None:
    configure(tmp_path, more=FIXED)
    with BenchMeter(tmp_path, GOOD) as meter, daemon(tmp_path):
        wait_until(
            lambda: any(b["verdict"] == "accepted" for b in bodies(tmp_path, "determination")), "a result"
        )
        who = ("live-feed-room", "--operator", "Ada")
        failed = answered(tmp_path, "check", *who, "--known-ph", "7.6", "--tolerance", "0.05", status=1)
        assert failed.out.startswith("failed")
        told = answered(tmp_path, "calibrate", *who, *BUFFERS, "--use", status=1).err
        assert "fixes this calibration: cells.live-feed-room.calibration" in told
        assert calibrate(tmp_path, meter, "phthalate", "borax") == 1
        assert bodies(tmp_path, "calibration")[-1]["verdict"] == "declined"
    (check,) = bodies(tmp_path, "check")
    begun = terminal(tmp_path, "note", "live-feed-room", "begun again", "--operator", "Ada")
    assert begun.ended() == 0
    assert bodies(tmp_path, "configuration")[-1]["settings"]["failed_check_id"] == check["id"]


def test_stopping_early_without_a_daemon_leaves_a_whole_ledger_and_changes_nothing(tmp_path: Path) -> None:
    configure(tmp_path, more=FIXED)
    with BenchMeter(tmp_path, GOOD):
        child = terminal(tmp_path, "check", "live-feed-room", "--operator", "Ada", "--tolerance", "0.05",
                         "--buffer", "iupac-2002/phosphate,lot=M-2")  # fmt: skip
        child.expect("Press Enter")
        interrupt(child, "what is in force has not changed")
        assert child.ended() == 130
    (last,) = [b for b in bodies(tmp_path, "attendance") if b["state"] == "ended"]
    assert (last["work"], last["outcome"]) == ("check", "aborted")
    assert bodies(tmp_path, "check") == []
    assert [b["state"] for b in bodies(tmp_path, "run")] == ["began", "ended"]
    assert_recomputable(tmp_path)
