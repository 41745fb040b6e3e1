"""One meter's bytes become results that survive anything: the real program, a real terminal."""

import hashlib
import json
import signal
import sqlite3
import time
from contextlib import closing
from pathlib import Path

import pytest

from quietcell.ledger.canonical import canonical
from tests.support.consumer import Consumer, mosquitto
from tests.support.live import Program, StreamingMeter, wait_until

pytestmark = pytest.mark.live


def head_of(folder: Path) -> str:
    """Check a journal with nothing but hashlib and the stored bytes, and return its last hash."""
    previous = "0" * 64
    with closing(sqlite3.connect(f"file:{folder}/state/journal.sqlite?mode=ro", uri=True)) as database:
        rows = database.execute("SELECT CAST(record AS BLOB) FROM journal ORDER BY seq").fetchall()
    for (stored,) in rows:
        assert json.loads(stored)["previous"] == previous
        previous = hashlib.sha256(stored).hexdigest()
    return previous


def assert_same_bytes(program: Program) -> None:
    """What was exported and judged again is what was recorded live, byte for byte."""
    live, again = program.engine_bodies(), program.replayed()
    assert [canonical(body) for body in again] == [canonical(body) for body in live]


def test_a_live_run_accepts_refuses_and_ends_in_order(tmp_path: Path) -> None:
    with StreamingMeter(tmp_path) as meter, Program(tmp_path) as program:
        program.start()
        program.wait_for("determination", verdict="accepted")
        meter.drift_mv_per_min = 60.0
        (refused, *_) = program.wait_for("determination", verdict="refused")
        assert program.end(signal.SIGTERM) == 0
    assert refused["reasons"] == ["max-wait", "not-at-rest"]
    assert refused["drift_mv_per_min"] > 30
    assert program.bodies("segment")[-1]["cause"] == "stopped"
    assert program.bodies()[-1]["state"] == "ended"
    assert program.records()[-1]["seq"] == len(program.records())
    assert head_of(tmp_path)
    assert program.file_lines() == program.records()
    assert_same_bytes(program)


def test_killed_in_the_middle_nothing_is_lost_or_repeated(tmp_path: Path) -> None:
    with StreamingMeter(tmp_path), Program(tmp_path) as program:
        for kill in range(3):
            program.start()
            program.wait_for("determination", count=kill + 1, verdict="accepted")
            assert program.end(signal.SIGKILL) == -signal.SIGKILL
        before = program.records()
        program.start()
        program.wait_for("run", count=4)
        assert program.end(signal.SIGTERM) == 0
        records = program.records()
    assert records[: len(before)] == before
    assert [record["seq"] for record in records] == list(range(1, len(records) + 1))
    ends = [b["cause"] for b in program.bodies("segment") if b["state"] == "ended"]
    assert ends == ["interrupted", "interrupted", "interrupted", "stopped"]
    assert program.file_lines() == records
    assert_same_bytes(program)
    found = json.loads(program.command("verify", "--config", str(program.config), "--recompute", "--json"))
    assert found["head"] == head_of(tmp_path)
    assert found["readings_not_covered_yet"] == 0
    cell = found["recomputed"]["live-feed-room"]
    assert (cell["different"], cell["not_recomputable"]) == (0, {})


def test_a_pulled_terminal_comes_back_as_a_new_segment_with_no_window_across(tmp_path: Path) -> None:
    with StreamingMeter(tmp_path) as meter, Program(tmp_path) as program:
        program.start()
        program.wait_for("determination", verdict="accepted")
        meter.pull()
        program.wait_for("driver-fault")
        began = time.monotonic()  # noqa: TID251 # how long people would wait
        meter.plug()
        (gap,) = program.wait_for("gap")
        back_s = time.monotonic() - began  # noqa: TID251 # same
        wait_until(
            lambda: any(b["id"].startswith("live-feed-room.2.") for b in program.bodies("determination")),
            "a determination in the new segment",
        )
        assert program.end(signal.SIGTERM) == 0
    assert gap["cause"] == "reopened"
    assert back_s < 30  # the bench tells how fast it really is
    after = next(b for b in program.bodies("determination") if b["id"].startswith("live-feed-room.2."))
    assert after["verdict"] == "accepted"
    assert after["window_s"] <= 2.0
    assert after["time_since_disturbance_s"] >= 2.0
    assert_same_bytes(program)


@pytest.mark.broker
def test_an_independent_client_sees_every_determination_across_kills(tmp_path: Path) -> None:
    with (
        mosquitto() as port,
        Consumer(port) as consumer,
        StreamingMeter(tmp_path) as meter,
        Program(tmp_path, f'[outlets.mqtt]\nhost = "127.0.0.1"\nport = {port}') as program,
    ):
        program.start()
        program.wait_for("determination", verdict="accepted")
        assert program.end(signal.SIGKILL) == -signal.SIGKILL
        program.start()
        meter.drift_mv_per_min = 60.0
        program.wait_for("determination", verdict="refused", mode="continuous")
        program.wait_for("determination", count=3)
        assert program.end(signal.SIGTERM) == 0
        stored = [r for r in program.records() if r["body"]["record"] == "determination"]
        wait_until(lambda: len(consumer.records("determination")) == len(stored), "the last message")
        wait_until(lambda: bool(consumer.records("head")), "the head")
    assert consumer.records("determination") == stored
    results = [r for r in stored if r["body"]["verdict"] == "accepted"]
    assert consumer.records("result") == results
    assert results
    states = [p["state"] for topic, p, _ in consumer.messages if topic == "quietcell/merrow-sound/daemon"]
    assert states == ["online", "offline", "online", "offline"]
    last_head = [p for topic, p, _ in consumer.messages if topic.endswith("/head")][-1]
    assert (last_head["seq"], last_head["hash"]) == (len(program.records()), head_of(tmp_path))
