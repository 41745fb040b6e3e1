"""Reports in a real browser: nothing overlaps, is cut or comes from elsewhere, on any size and on paper.

Needs Chromium and a folder with the npm packages playwright-core and axe-core, which
QUIETCELL_TESTS_BROWSER names; the check of everything prepares both.
"""

import json
import os
import shutil
import subprocess
from pathlib import Path

import pytest

from tests.support.command import ran
from tests.support.long_ledger import long_ledger


@pytest.mark.browser
@pytest.mark.timeout(320)
def test_a_report_reads_well_on_every_size_and_on_paper(tmp_path: Path) -> None:
    modules = Path(os.environ["QUIETCELL_TESTS_BROWSER"])
    script = shutil.copy(Path(__file__).with_name("report.mjs"), modules)
    shots = Path(os.environ.get("QUIETCELL_TESTS_SCREENSHOTS", tmp_path))
    ledger = tmp_path / "ledger"
    long_words = "quarantine tank, behind the second polisher, tap 4; " + "unbroken" * 12
    long_ledger(ledger, cells=("live-feed-room", "larval-hall"), days=1.5, reading_s=60.0, text=long_words)
    pages = {name: tmp_path / f"{name}.html" for name in ("span", "day", "determination", "calibration")}
    ran("report", "--ledger", ledger, "--out", pages["span"])
    ran("report", "--ledger", ledger, "--cell", "larval-hall", "--days", 0.4, "--out", pages["day"])
    ran("report", "--ledger", ledger, "--determination", "larval-hall.1.20", "--out", pages["determination"])
    calibration = "daemon.1.larval-hall-calibration-3"
    ran("report", "--ledger", ledger, "--calibration", calibration, "--out", pages["calibration"])
    browser = subprocess.run(
        ["node", script, str(shots), *map(str, pages.values())],
        capture_output=True,
        text=True,
        check=False,
        timeout=280,
    )
    assert browser.returncode == 0, browser.stderr
    found = json.loads(browser.stdout)
    assert "failed" not in found, found["failed"]
    assert found["errors"] == []
    assert len(found["overflow"]) == 3 * len(pages)
    assert set(found["overflow"].values()) == {0}  # nothing to be scrolled sideways
    assert {name: cut for name, cut in found["clipped"].items() if cut} == {}
    assert {name: bad for name, bad in found["figures"].items() if bad} == {}
    assert {name: broken for name, broken in found["violations"].items() if broken} == {}
    assert all(size > 10_000 for size in found["pages"].values())
