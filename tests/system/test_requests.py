"""People ask and tell from the shell; what they said is in the ledger and outlives the daemon."""

import json
import signal
from pathlib import Path

import pytest

from quietcell.ledger.canonical import canonical
from tests.support.live import Program, StreamingMeter

pytestmark = pytest.mark.live


def test_a_request_and_a_note_from_the_shell_are_kept_and_replay_to_the_same_bytes(tmp_path: Path) -> None:
    with StreamingMeter(tmp_path), Program(tmp_path) as program:
        where = ("--config", str(program.config))
        program.start()
        program.wait_for("determination", verdict="accepted")
        asked = ("request", *where, "live-feed-room", "--sample-id", "S-17", "--operator", "night shift")
        told = json.loads(program.command(*asked, "--reference", "lims/1", "--json"))
        (answer,) = program.wait_for("determination", request=told["request"], verdict="accepted")
        assert (answer["sample_id"], answer["operator"]) == ("S-17", "night shift")
        assert program.command("note", *where, "live-feed-room", "tubing changed").startswith("noted")
        assert program.end(signal.SIGKILL) == -signal.SIGKILL
        program.start()
        program.wait_for("run", count=2)
        assert program.end(signal.SIGTERM) == 0
        live, replayed = program.engine_bodies(), program.replayed()
    assert [note["text"] for note in program.bodies("note")] == ["tubing changed"]
    assert [canonical(body) for body in replayed] == [canonical(body) for body in live]
