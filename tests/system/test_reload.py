"""The real program takes over a changed configuration on SIGHUP, and survives a wrong one."""

import asyncio
import signal
from pathlib import Path

import pytest

from quietcell.service.control import ask
from tests.support.live import Program, StreamingMeter, wait_until

pytestmark = pytest.mark.live


def test_sighup_takes_over_what_is_right_and_tells_what_is_wrong(tmp_path: Path) -> None:
    with StreamingMeter(tmp_path), Program(tmp_path) as program:
        program.start()
        wait_until(lambda: "running" in (tmp_path / "log").read_text(), "the daemon")
        good = program.config.read_text()
        program.config.write_text(good.replace("slope_pct = 98.4", "slope_pct = 97.0"))
        program.send(signal.SIGHUP)
        program.wait_for("configuration", 2)
        program.config.write_text(good.replace("every_s = 4.0", "every_s = -4.0"))
        program.send(signal.SIGHUP)
        wait_until(lambda: "not taken over" in (tmp_path / "log").read_text(), "the complaint")
        answer = asyncio.run(ask(tmp_path / "state", {"command": "reload"}))
        (fault,) = answer["faults"]
        assert "every_s: is -4" in fault
        assert program.end(signal.SIGTERM) == 0
    assert "every_s: is -4" in (tmp_path / "log").read_text()
    causes = [(b["state"], b["cause"]) for b in program.bodies("segment")]
    assert causes == [
        ("began", "started"),
        ("ended", "reloaded"),
        ("began", "reloaded"),
        ("ended", "stopped"),
    ]
