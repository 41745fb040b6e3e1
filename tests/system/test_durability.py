"""What is told to anyone is on the disk before: seen from outside, by the system calls and by killing."""

import asyncio
import json
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.support.scripted_broker import ScriptedBroker

pytestmark = pytest.mark.live

CALLS = "fdatasync,fsync,pwrite64,write,writev,send,sendto,sendmsg"


def test_twenty_kills_under_load_lose_and_repeat_nothing(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "tests.support.killed", str(tmp_path), "20", "1"]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    found = json.loads(done.stdout)
    assert found["told"] > 20
    assert found["told_but_not_stored"] == []
    assert found["files_equal_journal"]
    assert found["readings_uncovered"] == 0
    assert (found["different"], found["not_recomputable"]) == (0, {}), found["differences"]


async def test_the_log_is_synced_before_the_first_byte_of_a_record_leaves(tmp_path: Path) -> None:
    if shutil.which("strace") is None:
        pytest.skip("strace is not installed")
    trace = tmp_path / "trace"
    async with ScriptedBroker() as broker:
        child = await asyncio.create_subprocess_exec(
            *("strace", "-f", "-y", "-s", "100000", "-e", f"trace={CALLS}", "-o", str(trace)),
            *(sys.executable, "-m", "tests.support.delivering", str(tmp_path), str(broker.port)),
        )
        assert await child.wait() == 0
    lines = trace.read_text(errors="replace").splitlines()
    for number in range(3):
        print_of = f"fingerprint-{number}"
        seen = [n for n, line in enumerate(lines) if print_of in line]
        stored = next(n for n in seen if "journal.sqlite-wal" in lines[n])
        to_file = next(n for n in seen if ".jsonl" in lines[n])
        to_broker = next(n for n in seen if re.search(r"<(socket|TCP)", lines[n]))
        synced = next(n for n in range(stored, len(lines)) if synced_log(lines, n))
        assert stored < synced < min(to_file, to_broker), lines[stored : min(to_file, to_broker) + 1]


def synced_log(lines: list[str], number: int) -> bool:
    """Say whether a line of the trace is the return of a sync of the journal's log."""
    line = lines[number]
    if not re.search(r"f(data)?sync", line) or not line.rstrip().endswith("= 0"):
        return False
    if "journal.sqlite-wal" in line:
        return True
    thread = line.split()[0]  # a resumed call names no file: the call it resumes does
    begun = next(
        each for each in reversed(lines[:number]) if each.startswith(thread) and "unfinished" in each
    )
    return "resumed" in line and "journal.sqlite-wal" in begun
