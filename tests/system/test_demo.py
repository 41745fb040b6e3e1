"""The demonstration runs from one command and tells in plain words what happened."""

import json
import re
import subprocess
import sys
from pathlib import Path

import pytest


@pytest.mark.timeout(120)
def test_the_demonstration_ends_with_a_summary_and_results(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "quietcell", "demo", "--seconds", "20", "--pace", "50", "--plain"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False, timeout=100)
    assert done.returncode == 0, done.stderr
    assert "runs 50 times faster" in done.stdout
    assert re.search(r"header-tank: \d accepted; pH 6\.9\d to 6\.9\d", done.stdout)
    assert "larval-hall: " in done.stdout
    assert "Carbon dioxide is coming into the water" in done.stdout
    assert "mosquitto_sub -h 127.0.0.1" in done.stdout
    (lines,) = (tmp_path / "quietcell-demo" / "1" / "results").glob("*.jsonl")
    records = [json.loads(line) for line in lines.read_text().splitlines()]
    runs = [record["body"] for record in records if record["body"]["record"] == "run"]
    assert runs[0]["time_scale"] == 50
    assert runs[-1]["state"] == "ended"
