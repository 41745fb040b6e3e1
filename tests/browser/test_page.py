"""The page in a real browser: the demonstration's carbon dioxide is seen, acknowledged, shelved, and over.

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

COMMAND = [sys.executable, "-m", "quietcell", "demo", "--seconds", "300", "--pace", "40", "--plain"]


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
        try:
            browser = subprocess.run(
                ["node", script, *place.groups(), str(shots)],
                capture_output=True,
                text=True,
                check=False,
                timeout=250,
            )
        finally:
            demo.terminate()
        demo.stdout.read()
        assert demo.wait(20) == 0
        reaper.cancel()
    assert browser.returncode == 0, browser.stderr
    found = json.loads(browser.stdout)
    (shots / "found.json").write_text(json.dumps(found, indent=1))
    assert found.get("failed") is None, browser.stderr
    assert found["acted"]
    assert found["states"] == [
        "unacknowledged", "acknowledged", "shelved", "unshelved", "returned-unacknowledged", "normal",
    ]  # fmt: skip
    assert found["errors"] == []
    assert found["unfocused"] == []  # every stop of the keyboard is to be seen
    sizes = {
        f"{size}{part}" for size in ("narrow", "dark", "zoom-400") for part in ("", "-evidence", "-dialog")
    }
    views = {"wide", "returned", "evidence", "dialog-acknowledge", "dialog-shelve", *sizes}
    assert set(found["violations"]) == views
    assert {name: broken for name, broken in found["violations"].items() if broken} == {}
    assert set(found["overflow"].values()) == {0}  # nothing to be scrolled sideways
    assert {name: cut for name, cut in found["clipped"].items() if cut} == {}
    assert found["weight"] < 300_000
