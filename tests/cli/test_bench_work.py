"""Work at the bench through a real terminal against an emulated meter; the ledger tells what came of it."""

import signal
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from quietcell.core.electrode.buffers import buffer
from quietcell.core.electrode.nernst import Line, nernst_factor_mv
from tests.support.bench_meter import CONFIGURATION, BenchMeter, bodies, ended, terminal
from tests.support.live import wait_until

GOOD = Line(slope_pct=98.4, zero_mv=3.1)


def ph_of(name: str) -> float:
    return buffer("iupac-2002", name).ph(25.0)


def calibrate(folder: Path, meter: BenchMeter, *names: str, more: tuple[str, ...] = ()) -> int:
    """Calibrate with named buffers, moving the electrode at each prompt; returns the exit status."""
    given = [word for name in names for word in ("--buffer", f"iupac-2002/{name},lot=M-1")]
    flags = ("--operator", "Ada", "--expected-ph", "7", *more)
    child = terminal(folder, "calibrate", "live-feed-room", *flags, *given)
    for name in names:
        child.expect("Press Enter")
        meter.dip(ph_of(name))
        child.sendline("")
        child.expect("At rest")
    status = ended(child)
    print(child.before)  # noqa: T201 # shown when a test fails
    return status


def test_a_fresh_cell_is_calibrated_without_a_daemon(tmp_path: Path) -> None:
    with BenchMeter(tmp_path, GOOD) as meter:
        assert calibrate(tmp_path, meter, "phthalate", "phosphate", "borax", more=("--use",)) == 0
        (body,) = bodies(tmp_path, "calibration")
        assert body["verdict"] == "accepted"
        # An independent library's straight line; the weights are all but equal.
        x = [-nernst_factor_mv(p["temperature_c"]) * (p["ph"] - 7.0) for p in body["points"]]
        fit = stats.linregress(np.array(x), np.array([p["mv"] for p in body["points"]]))
        assert body["slope_pct"] == pytest.approx(100 * fit.slope, abs=0.02)
        assert body["zero_mv"] == pytest.approx(fit.intercept, abs=0.05)
        assert bodies(tmp_path, "determination") == []
        configured = bodies(tmp_path, "configuration")
        assert [c["settings"]["calibrated"] for c in configured] == [False, True]
        assert configured[-1]["settings"]["calibration_id"] == body["id"]


def test_beside_a_daemon_refused_aborted_and_failed_work_leaves_a_clean_record(tmp_path: Path) -> None:
    with BenchMeter(tmp_path, GOOD) as meter:
        fixed = "[cells.live-feed-room.calibration]\nslope_pct = 98.4\nzero_mv = 3.1\n"
        configuration = CONFIGURATION.format(folder=tmp_path) + fixed
        (tmp_path / "quietcell.toml").write_text(configuration)
        daemon = terminal(tmp_path, "run")
        wait_until((tmp_path / "state" / "control.sock").exists, "the daemon")
        wait_until(
            lambda: any(b["verdict"] == "accepted" for b in bodies(tmp_path, "determination")), "a result"
        )
        # Two people at once: the second gets a clear answer; the first stops early.
        first = terminal(tmp_path, "calibrate", "live-feed-room", "--operator", "Ada", "--expected-ph", "7")
        first.expect("Press Enter")
        second = terminal(tmp_path, "calibrate", "live-feed-room", "--operator", "Bo", "--expected-ph", "7")
        second.expect("Ada is at work here")
        assert ended(second) == 1
        first.sendintr()
        first.expect("what is in force has not changed")
        ended(first)
        assert bodies(tmp_path, "calibration") == []
        outcomes = [b["outcome"] for b in bodies(tmp_path, "attendance") if b["state"] == "ended"]
        assert outcomes[-1] == "aborted"
        # A worn electrode: refused, and what it measured before is in doubt.
        meter.line = Line(slope_pct=88.0, zero_mv=3.1)
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
        assert ended(child) == 1
        check = bodies(tmp_path, "check")[-1]
        assert bodies(tmp_path, "doubt")[-1]["about"] == check["id"]
        settings = bodies(tmp_path, "configuration")[-1]["settings"]
        assert settings["failed_check_id"] == check["id"]
        daemon.kill(signal.SIGTERM)
        ended(daemon)
