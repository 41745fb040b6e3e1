"""The page in a real browser: the demonstration's carbon dioxide is seen, acknowledged, shelved, taken back.

Needs Chromium and a folder with the npm packages playwright-core and axe-core, which
QUIETCELL_TESTS_BROWSER names; the check of everything prepares both.
"""

import json
import os
import re
import shutil
import subprocess
import sys
import threading
from pathlib import Path

import pytest

COMMAND = [sys.executable, "-m", "quietcell", "demo", "--seconds", "300", "--pace", "25", "--plain"]


@pytest.mark.browser
@pytest.mark.timeout(320)
def test_an_episode_is_seen_acknowledged_shelved_and_returns_by_keyboard_on_every_size(
    tmp_path: Path,
) -> None:
    modules = Path(os.environ["QUIETCELL_TESTS_BROWSER"])
    script = shutil.copy(Path(__file__).with_name("page.mjs"), modules)
    shots = Path(os.environ.get("QUIETCELL_TESTS_SCREENSHOTS", tmp_path))
    with subprocess.Popen(COMMAND, cwd=tmp_path, stdout=subprocess.PIPE, text=True) as demo:
        assert demo.stdout is not None
        reaper = threading.Timer(300, demo.kill)
        reaper.start()
        told = ""
        wanted = re.compile(r"The page: (\S+)  \(token to acknowledge alarms: (\S+)\)")
        while (place := wanted.search(told)) is None:
            told += demo.stdout.readline()
        browser = subprocess.run(
            ["node", script, *place.groups(), str(shots)],
            capture_output=True,
            text=True,
            check=False,
            timeout=250,
        )
        demo.terminate()
        demo.stdout.read()
        assert demo.wait(20) == 0
        reaper.cancel()
    assert browser.returncode == 0, browser.stderr
    found = json.loads(browser.stdout)
    assert "failed" not in found
    assert found["acted"]
    assert found["errors"] == []
    assert set(found["violations"]) >= {"wide", "narrow", "dark", "zoom-400", "evidence", "dialog-shelve"}
    assert {name: broken for name, broken in found["violations"].items() if broken} == {}
    assert set(found["overflow"].values()) == {0}  # nothing to be scrolled sideways
    assert found["weight"] < 300_000
