"""What others send can be wrong, endless or malicious: an error, a count, an escaped character, no more."""

import asyncio
import contextlib
import io
import json
import os
import sys
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import Literal

import pytest
import structlog
from hypothesis import given, settings
from hypothesis import strategies as st

from quietcell.contracts import LineCounts
from quietcell.core.records import Json
from quietcell.errors import CommandError
from quietcell.ledger.ledger import Ledger
from quietcell.service.attendance import Attendances
from quietcell.service.calibrating import CalibrateArguments
from quietcell.service.commands import Commands, checked
from quietcell.service.control import LONGEST_LINE, MOST_CLIENTS, NAME, ControlSocket, ask
from quietcell.service.keeping import Keeping
from quietcell.service.line_watch import LineWatch
from quietcell.service.logs import configure_logs
from quietcell.service.records import DaemonIds
from quietcell.service.requests import Requests
from tests.support.clocks import HeldClock
from tests.support.ledgers import open_ledger

MALICE = "\x1b[31m\x1b]0;title\x07\x9b2J\u202e\r\n2026 forged line"


async def status(_request: dict[str, Json]) -> dict[str, Json]:
    return {"site": "merrow-sound"}


async def breaks(_request: dict[str, Json]) -> dict[str, Json]:
    raise ZeroDivisionError


def what_people_say(ledger: Ledger) -> Commands:
    """Return commands that keep what people say, of a daemon without cells."""
    ids = DaemonIds(1)
    attendances = Attendances({}, ledger, ids)
    keeping = Keeping(attendances, ledger, ids, HeldClock(), config=lambda: None, settled=lambda: None)  # type: ignore[arg-type,return-value] # must not get that far
    return {**Requests({}, ledger, ids).commands(), **keeping.commands()}


@pytest.fixture
async def control(tmp_path: Path) -> AsyncIterator[ControlSocket]:
    """A control socket with commands that write."""
    ledger = open_ledger(tmp_path)
    commands = {"status": status, "breaks": breaks, **what_people_say(ledger)}
    async with ControlSocket(tmp_path, commands) as served:
        yield served
    assert ledger.seq == 0  # nothing hostile was recorded
    await ledger.close()


@pytest.mark.parametrize("number", [float("nan"), float("inf"), -float("inf")])
def test_no_command_takes_a_number_that_is_none(number: float) -> None:
    given: dict[str, Json] = {"cell": "larval-hall", "attendance": "x", "expected_ph": [6.5, number]}
    with pytest.raises(CommandError, match=r"expected_ph.*finite number"):
        checked(CalibrateArguments, given)


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=12), inner, max_size=4),
    max_leaves=12,
)
keys = st.sampled_from(["command", "cell", "via", "operator", "text", "sample_id", "key"]) | st.text(
    max_size=8
)
requests = st.dictionaries(keys, json_values, max_size=6)


@settings(max_examples=60)
@given(
    line=st.binary(max_size=200)
    | requests.map(lambda r: json.dumps(r).encode())
    | st.builds(
        lambda r, name: json.dumps({**r, "command": name}).encode(),
        requests,
        st.sampled_from(["status", "request", "note", "thing", "kept", "breaks"]),
    )
)
def test_any_line_gets_one_line_of_answer_that_no_terminal_would_act_upon(line: bytes) -> None:
    async def answered() -> dict[str, Json]:
        commands = what_people_say(None)  # type: ignore[arg-type] # must not get that far
        served = ControlSocket(Path("nowhere"), {"status": status, **commands})
        return await served._answer(line)

    answer = asyncio.run(answered())
    text = json.dumps(answer)
    assert isinstance(answer["ok"], bool)
    assert text.isprintable()
    assert len(text) < LONGEST_LINE


@pytest.mark.usefixtures("control")
async def test_hostile_lines_are_answered_in_order_and_the_next_client_is_served(tmp_path: Path) -> None:
    lines = [
        b"\x00\xff\xfe",
        b"[" * 30_000,
        b"9" * 30_000,
        b'{"command": ["status"]}',
        b'{"command": "../../etc/passwd"}',
        b'{"command": "note", "cell": "\\ud800", "text": "\\u001b[31m"}',
        json.dumps({"command": "note", "cell": "hall", "text": MALICE}).encode(),
        b'{"command": "breaks"}',
    ]
    reader, writer = await asyncio.open_unix_connection(tmp_path / NAME)
    for line in lines:
        writer.write(line + b"\n")
        answer = await reader.readline()
        assert json.loads(answer)["ok"] is False
        assert b"\x1b" not in answer
    writer.close()
    assert await ask(tmp_path, {"command": "status"}) == {"ok": True, "site": "merrow-sound"}


@pytest.mark.usefixtures("control")
async def test_endless_line_costs_its_client_the_connection_and_nobody_else(tmp_path: Path) -> None:
    reader, writer = await asyncio.open_unix_connection(tmp_path / NAME)
    writer.write(b"x" * (3 * LONGEST_LINE))
    async with asyncio.timeout(10):
        with contextlib.suppress(ConnectionError):  # closed with bytes unread: a reset
            assert await reader.read() == b""
    writer.close()
    assert (await ask(tmp_path, {"command": "status"}))["ok"]


@pytest.mark.usefixtures("control")
async def test_more_clients_than_can_be_held_are_turned_away(tmp_path: Path) -> None:
    held = [await asyncio.open_unix_connection(tmp_path / NAME) for _ in range(MOST_CLIENTS)]
    for _, writer in held:
        writer.write(b'{"command"')
    reader, writer = await asyncio.open_unix_connection(tmp_path / NAME)
    async with asyncio.timeout(10):
        assert await reader.read() == b""
    writer.close()
    for _, client in held:
        client.close()
    await asyncio.sleep(0.01)
    assert (await ask(tmp_path, {"command": "status"}))["ok"]


@pytest.fixture(params=["text", "json"])
def log(request: pytest.FixtureRequest) -> Iterator[io.StringIO]:
    """A log of either form, in memory."""
    out = io.StringIO()
    configure_logs(request.param, file=out)
    yield out
    structlog.reset_defaults()


def test_escape_sequences_of_a_meter_never_reach_the_log_raw(log: io.StringIO) -> None:
    counts = LineCounts(readings=3)
    watch = LineWatch()
    counts.count("no number \x1b[2J", MALICE)
    watch.look({"live-feed-room": counts})
    structlog.get_logger().warning("meter fault", text=MALICE, parts=[MALICE, {MALICE: MALICE}])
    lines = log.getvalue().splitlines()
    assert len(lines) == 2
    assert all(line.isprintable() for line in lines)


@given(text=st.text(max_size=60))
def test_any_text_is_one_line_of_the_log_and_readable_again(text: str) -> None:
    out = io.StringIO()
    configure_logs("json", file=out)
    try:
        structlog.get_logger().info("said", text=text)
    finally:
        structlog.reset_defaults()
    (line,) = out.getvalue().splitlines()
    assert line.isprintable()
    assert json.loads(line)["event"] == "said"


def test_tracebacks_keep_their_lines_and_show_no_local_variable(log: io.StringIO) -> None:
    secret = "tide" + "-and-time"
    try:
        int(f"{len(secret)} characters")
    except ValueError:
        structlog.get_logger().exception("broke")
    assert "13 characters" in log.getvalue()
    assert "tide-and-time" not in log.getvalue()


def test_a_log_that_cannot_be_written_ends_nothing_else() -> None:
    full = Path("/dev/full").open("w", encoding="utf-8")  # noqa: SIM115 # closing fails as well
    configure_logs("json", file=full)
    try:
        structlog.get_logger().warning("disk full")
    finally:
        structlog.reset_defaults()
        with pytest.raises(OSError, match="No space left"):
            full.close()


@pytest.mark.parametrize("form", ["json", "text"])
def test_the_journal_is_told_the_priority_of_each_line(
    form: Literal["json", "text"], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    priorities = {}
    for there in ("journal", "elsewhere"):
        with (tmp_path / there).open("w+", encoding="utf-8") as out:
            if there == "journal":
                stat = os.fstat(out.fileno())
                monkeypatch.setenv("JOURNAL_STREAM", f"{stat.st_dev}:{stat.st_ino}")
            configure_logs(form, file=out)
            structlog.get_logger().info("running")
            structlog.get_logger().warning("meter fault")
            try:
                int("7 characters")
            except ValueError:
                structlog.get_logger().exception("broke")
            structlog.reset_defaults()
            out.seek(0)
            priorities[there] = [line[:3] for line in out]
    assert priorities["journal"][:2] == ["<6>", "<4>"]
    assert set(priorities["journal"][2:]) == {"<3>"}
    assert not any(each.startswith("<") for each in priorities["elsewhere"])


def test_a_log_that_nobody_reads_holds_up_nobody(monkeypatch: pytest.MonkeyPatch) -> None:
    reading, writing = os.pipe()
    os.set_blocking(writing, False)
    with contextlib.suppress(BlockingIOError):
        while True:
            os.write(writing, bytes(4096))
    os.set_blocking(writing, True)
    with os.fdopen(reading, "rb") as reader, os.fdopen(writing, "w", encoding="utf-8") as stderr:
        monkeypatch.setattr(sys, "stderr", stderr)
        configure_logs("json")
        structlog.get_logger().warning("meter fault")  # would wait for ever
        structlog.reset_defaults()
        assert json.loads(reader.readline().lstrip(bytes(1)))["event"] == "meter fault"


def test_a_terminal_gets_no_colours_where_nobody_wants_them(monkeypatch: pytest.MonkeyPatch) -> None:
    told = {}
    for wanted in ("", "1"):
        monkeypatch.setenv("NO_COLOR", wanted)
        out = io.StringIO()
        monkeypatch.setattr(out, "isatty", lambda: True)
        configure_logs("auto", file=out)
        structlog.get_logger().info("running")
        structlog.reset_defaults()
        told[wanted] = "\x1b[" in out.getvalue()
    assert told == {"": True, "1": False}


def test_bad_lines_are_told_when_new_and_counted_by_the_hour() -> None:
    out = io.StringIO()
    configure_logs("json", file=out)
    watch, counts = LineWatch(), LineCounts()
    for _ in range(100):
        counts.readings += 10
        counts.count("no number", "ERR")
        watch.look({"live-feed-room": counts})
    watch.look({"live-feed-room": LineCounts(readings=5)})  # the port was opened again
    watch.tell()
    watch.tell()
    structlog.reset_defaults()
    told = [json.loads(line) for line in out.getvalue().splitlines()]
    assert [(t["event"], t.get("readings"), t.get("no number")) for t in told] == [
        ("line not read", None, None),
        ("lines of the hour", 1005, 100),
        ("lines of the hour", None, None),
    ]
