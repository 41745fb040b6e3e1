"""The demonstration tells in plain words what happened; what it sends and writes is one and the same."""

import csv
import json
import re
import subprocess
import sys
import threading
from pathlib import Path

import pytest
from paho.mqtt.enums import MQTTProtocolVersion

from quietcell.core.records import Json
from tests.support.consumer import Consumer
from tests.support.interface import faults_of_message, faults_of_record

pytestmark = pytest.mark.live

COMMAND = [sys.executable, "-m", "quietcell", "demo", "--seconds", "23", "--pace", "25", "--plain"]
"""The broker of the wheel speaks MQTT 3.1.1."""


def as_cell(value: Json) -> str:
    """Return a value as the shipped CSV writes it."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, list):
        return " ".join(map(str, value))
    return str(value)


def at(record: Json, path: str) -> Json:
    for step in path.split("."):
        record = record.get(step) if isinstance(record, dict) else None
    return record


def test_the_demonstration_tells_what_happened_and_message_file_and_table_agree(tmp_path: Path) -> None:
    with subprocess.Popen(COMMAND, cwd=tmp_path, stdout=subprocess.PIPE, text=True) as demo:
        assert demo.stdout is not None
        reaper = threading.Timer(100, demo.kill)
        reaper.start()
        told = ""
        while (found := re.search(r"mosquitto_sub -h 127.0.0.1 -p (\d+)", told)) is None:
            told += demo.stdout.readline()
        with Consumer(int(found[1]), protocol=MQTTProtocolVersion.MQTTv311) as client:
            told += demo.stdout.read()
        status = demo.wait()
        reaper.cancel()
    assert status == 0
    assert "runs 25 times faster" in told
    assert re.search(r"header-tank: \d accepted; pH 6\.9\d\b", told)
    assert "larval-hall: " in told
    assert "Carbon dioxide is coming into the water" in told

    results = tmp_path / "quietcell-demo" / "1" / "results"
    records = [json.loads(line) for path in results.glob("*.jsonl") for line in path.read_text().splitlines()]
    runs = [record["body"] for record in records if record["body"]["record"] == "run"]
    assert runs[0]["time_scale"] == 25
    assert runs[-1]["state"] == "ended"

    determinations = [record for record in records if record["body"]["record"] == "determination"]
    assert len(determinations) > 3
    assert client.records("determination") == determinations
    assert client.records("result") == [r for r in determinations if r["body"]["verdict"] != "refused"]
    tables = [path.read_bytes().decode() for path in sorted(results.glob("*.csv"))]
    rows = [row for table in tables for row in csv.DictReader(table.splitlines())]
    for row, record in zip(rows, determinations, strict=True):
        whole = {**record["body"], "ledger": record["ledger"], "seq": record["seq"]}
        assert row == {name: as_cell(at(whole, name)) for name in row}

    assert [fault for record in records for fault in faults_of_record(record)] == []
    assert [
        fault for topic, payload, _ in client.messages for fault in faults_of_message(topic, payload)
    ] == []
    topics = {topic.rsplit("/", 1)[-1] for topic, _, _ in client.messages}
    assert topics >= {
        "result",
        "determination",
        "episode",
        "indication",
        "state",
        "condition",
        "head",
        "daemon",
    }
