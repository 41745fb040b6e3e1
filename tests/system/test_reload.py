"""A running program takes over a changed configuration, or says why not."""

import asyncio
import signal
from pathlib import Path

from quietcell.core.records import Json
from quietcell.service.control import ask
from tests.support.live import Program, StreamingMeter, wait_until

SECOND = """
[cells.larval-hall]
driver = "line-stream"
criterion = "brisk"
every_s = 4.0
settings = {{ port = "{folder}/meter-2", columns = ["mv", "temperature_c"] }}
[cells.larval-hall.calibration]
slope_pct = 98.4
zero_mv = 3.1
"""


def edit(program: Program, old: str, new: str) -> None:
    text = program.config.read_text()
    assert old in text
    program.config.write_text(text.replace(old, new))


def causes(program: Program, cell: str) -> list[tuple[str, str]]:
    return [(b["state"], b["cause"]) for b in program.bodies("segment") if b["cell"] == cell]


def reload(program: Program) -> dict[str, Json]:
    return asyncio.run(ask(program.folder / "state", {"command": "reload"}, timeout_s=20.0))


def test_changed_added_and_removed_cells_and_a_file_that_is_refused(tmp_path: Path) -> None:
    with StreamingMeter(tmp_path), Program(tmp_path) as program:
        program.start()
        program.wait_for("determination", verdict="accepted")
        # A change: the open determination ends, the next is judged by the new slope.
        edit(program, "slope_pct = 98.4", "slope_pct = 97.0")
        program.send(signal.SIGHUP)
        program.wait_for("configuration", 2)
        wait_until(
            lambda: any(
                b["verdict"] == "accepted" and b["calibration"]["slope_pct"] == 97.0
                for b in program.bodies("determination")
            ),
            "a determination by the new slope",
        )
        # Another cell whose meter is not there: the first does not notice.
        program.config.write_text(program.config.read_text() + SECOND.format(folder=tmp_path))
        assert program.command("reload", "--config", str(program.config)) == "Cells: added larval-hall\n"
        program.wait_for("driver-fault", cell="larval-hall")
        # What is wrong, or needs a restart, changes nothing and is told.
        good = program.config.read_text()
        edit(program, "every_s = 4.0", "every_s = -4.0")
        assert "every_s: is -4" in reload(program)["error"]
        program.config.write_text(good.replace('"merrow-sound"', '"elsewhere"'))
        assert "site: was changed; this needs a restart" in reload(program)["error"]
        # And away with the first cell.
        program.config.write_text(good[: good.index("[cells.live")] + good[good.index("[outlets") :])
        assert reload(program)["removed"] == ["live-feed-room"]
        assert program.end(signal.SIGTERM) == 0
        assert causes(program, "live-feed-room") == [
            ("began", "started"),
            ("ended", "reloaded"),
            ("began", "reloaded"),
            ("ended", "stopped"),
        ]
        assert causes(program, "larval-hall") == [("began", "started"), ("ended", "stopped")]
        states = [b["state"] for b in program.bodies("run")]
        assert states == ["began", "reloaded", "reloaded", "reloaded", "ended"]
        log = (tmp_path / "log").read_text()
        assert "configuration not taken over" in log
        assert "needs a restart" in log


def test_another_port_for_a_cell_is_opened_without_a_restart(tmp_path: Path) -> None:
    with StreamingMeter(tmp_path), Program(tmp_path) as program:
        edit(program, '/meter"', '/elsewhere"')
        program.start()
        program.wait_for("driver-fault")
        edit(program, '/elsewhere"', '/meter"')
        program.send(signal.SIGHUP)
        program.wait_for("determination", verdict="accepted")
        assert program.end(signal.SIGTERM) == 0
        assert causes(program, "live-feed-room")[:3] == [
            ("began", "started"),
            ("ended", "reloaded"),
            ("began", "reloaded"),
        ]
