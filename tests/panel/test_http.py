"""The HTTP interface: who may do what, what is refused, what it answers."""

import asyncio
import signal
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from prometheus_client.parser import text_string_to_metric_families
from starlette.applications import Starlette

from quietcell.core.records import Json
from quietcell.core.times import utc_ms
from quietcell.errors import QuietcellError
from quietcell.panel.access import LARGEST_BODY, Access
from quietcell.panel.app import panel_app
from quietcell.panel.source import Source
from quietcell.panel.streams import MOST_STREAMS, ROOM, Streams
from tests.support.live import Program, StreamingMeter
from tests.support.ports import free_port
from tests.support.until import cancelled, until

TOKEN = "open-sesame"  # noqa: S105 # of these tests alone
CELL = {
    "cell": "live-feed-room", "at": "2026-11-25T09:00:00.000Z", "age_s": 0.5, "mv": 25.0,
    "temperature_c": 21.0, "conductivity_us_cm": 0.055, "flow_ml_min": None, "ph": 6.62, "phase": "idle",
    "waits_for": "a determination", "result": {"age_s": 60.0}, "result_is_current": True,
    "condition": "none",
}  # fmt: skip
ALARM = {"cell": "live-feed-room", "alarm": "co2-ingress", "priority": "high", "state": "unacknowledged"}


class FakeSource(Source):
    """A daemon that answers what a test wants, over a real folder."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self.asked: list[tuple[str, Any]] = []
        self.answer: dict[str, Json] | None = {
            "ok": True, "site": "merrow-sound", "now": "2026-11-25T09:00:00.500Z", "seq": 7, "cells": [CELL],
            "alarms": [ALARM], "conditions": {"live-feed-room": "out-of-specification"},
            "outlets": [{"name": "mqtt", "behind": 3, "state": "connected", "working": True}],
        }  # fmt: skip

    async def ask(self, command: str, request: Any = None) -> dict[str, Json]:
        self.asked.append((command, request))
        if self.answer is None:
            raise QuietcellError("no daemon answers")
        return dict(self.answer)


@pytest.fixture
def source(tmp_path: Path) -> FakeSource:
    return FakeSource(tmp_path)


def app_of(source: Source, token: str | None = TOKEN) -> Starlette:
    return panel_app(source, Access(token=token, names=("loop.example",), host="127.0.0.1"))


def client(
    source: Source, *, address: str = "127.0.0.1", host: str = "127.0.0.1:8473", token: str | None = TOKEN
) -> httpx.AsyncClient:
    transport = httpx.ASGITransport(app_of(source, token), client=(address, 40000))
    return httpx.AsyncClient(transport=transport, base_url=f"http://{host}")


BEARER = {"authorization": f"Bearer {TOKEN}"}
ACT = {"cell": "live-feed-room", "alarm": "co2-ingress", "operator": "M. Tarn", "reason": "seen"}


async def test_reading_is_open_on_this_machine_and_wants_the_token_from_elsewhere(source: FakeSource) -> None:
    async with client(source) as here:
        assert (await here.get("/api/live")).status_code == 200
        forwarded = await here.get("/api/live", headers={"x-forwarded-for": "192.0.2.7"})
        assert (forwarded.status_code, forwarded.headers["www-authenticate"]) == (401, "Bearer")
    async with client(source, address="192.0.2.7", host="192.0.2.1:8473") as there:
        assert (await there.get("/api/live")).status_code == 401
        assert (await there.get("/metrics")).status_code == 401
        assert (await there.get("/")).status_code == 200
        assert (await there.get("/api/live", headers=BEARER)).status_code == 200
        assert (await there.get("/api/live", headers={"authorization": "Bearer no"})).status_code == 401
    async with client(source, host="loop.example") as proxied:
        assert (await proxied.get("/api/live")).status_code == 401


async def test_a_name_that_is_not_ours_is_refused(source: FakeSource) -> None:
    async with client(source, host="rebound.example") as there:
        assert (await there.get("/api/live")).status_code == 421


async def test_whatever_changes_something_wants_the_token_everywhere(source: FakeSource) -> None:
    async with client(source) as here:
        assert (await here.post("/api/commands/alarm-acknowledge", json=ACT)).status_code == 401
        assert source.asked == []
        done = await here.post("/api/commands/alarm-acknowledge", json=ACT, headers=BEARER)
        assert done.status_code == 200
        assert source.asked == [("alarm-acknowledge", ACT)]
        source.answer = {"ok": False, "error": "it can't be acknowledged now"}
        refused = await here.post("/api/commands/alarm-acknowledge", json=ACT, headers=BEARER)
        assert (refused.status_code, refused.json()["error"]) == (409, "it can't be acknowledged now")
    async with client(source, token=None) as closed:
        answer = await closed.post("/api/commands/note", json=ACT, headers=BEARER)
        assert (answer.status_code, answer.json()["error"]) == (
            401,
            "no token is configured; see panel.token",
        )


@pytest.mark.parametrize("headers", [{"origin": "http://evil.example"}, {"sec-fetch-site": "cross-site"}])
async def test_requests_from_other_sites_are_refused(source: FakeSource, headers: dict[str, str]) -> None:
    async with client(source) as here:
        assert (await here.get("/api/live", headers=headers)).status_code == 403
        act = await here.post("/api/commands/note", json=ACT, headers={**BEARER, **headers})
        assert act.status_code == 403
    assert source.asked == []


@pytest.mark.parametrize(
    ("content", "status"),
    [(b"x" * (LARGEST_BODY + 1), 413), (b"{", 400), (b"[]", 400), (b"[" * 9000, 400), (b"\xff", 400)],
)  # fmt: skip
async def test_a_body_that_is_none_is_refused(source: FakeSource, content: bytes, status: int) -> None:
    async def unknown_length() -> AsyncIterator[bytes]:
        yield content

    async with client(source) as here:
        path = "/api/commands/note"
        assert (await here.post(path, content=content, headers=BEARER)).status_code == status
        assert (await here.post(path, content=unknown_length(), headers=BEARER)).status_code == 413
    assert source.asked == []


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("/api/trend", 400), ("/api/trend?cell=a&from=2&to=1", 400),
        ("/api/trend?cell=../a&from=1&to=2", 400),
        ("/api/trend?cell=a&from=1&to=99999999999999", 400), ("/api/records?limit=0", 400),
        ("/api/records?cell=A%20B", 400), ("/api/records?before=-1", 400), ("/api/records/X", 404),
        ("/api/commands/note", 405), ("/static/../access.py", 404), ("/nowhere", 404),
    ],
)  # fmt: skip
async def test_what_makes_no_sense_is_refused(source: FakeSource, path: str, status: int) -> None:
    async with client(source) as here:
        assert (await here.get(path)).status_code == status


async def test_without_a_daemon_the_page_says_so(source: FakeSource) -> None:
    source.answer = None
    async with client(source) as here:
        assert (await here.get("/api/live")).status_code == 503
        assert (await here.get("/healthz")).status_code == 503
        assert "quietcell_up 0.0" in (await here.get("/metrics")).text
        assert (await here.post("/api/commands/note", json=ACT, headers=BEARER)).status_code == 503


async def test_metrics_tell_values_ages_and_alarms(source: FakeSource) -> None:
    async with client(source) as here:
        lines = (await here.get("/metrics")).text.splitlines()
    assert 'quietcell_indication_ph{cell="live-feed-room"} 6.62' in lines
    assert 'quietcell_result_current{cell="live-feed-room"} 1.0' in lines
    alarm = 'cell="live-feed-room",alarm="co2-ingress",priority="high",state="unacknowledged"'
    assert f"quietcell_alarm{{{alarm}}} 1.0" in lines
    assert not any("flow_ml_min{" in line for line in lines)
    signal = 'quietcell_condition{cell="live-feed-room",condition="out-of-specification"} 1.0'
    assert [line for line in lines if line.startswith("quietcell_condition{") and line.endswith(" 1.0")] == [
        signal
    ]
    assert 'quietcell_outlet_behind_records{outlet="mqtt"} 3.0' in lines
    assert 'quietcell_outlet_working{outlet="mqtt"} 1.0' in lines


async def test_metrics_are_well_formed_and_keep_what_names_hold(source: FakeSource) -> None:
    assert source.answer is not None
    source.answer["outlets"][0]["name"] = 'files "a\\b"\n'
    async with client(source) as here:
        answer = await here.get("/metrics")
    assert answer.headers["content-type"] == "text/plain; version=0.0.4; charset=utf-8"
    families = {family.name: family for family in text_string_to_metric_families(answer.text)}
    assert {family.type for family in families.values()} == {"gauge"}
    assert all(family.documentation for family in families.values())
    (behind,) = families["quietcell_outlet_behind_records"].samples
    assert (behind.labels["outlet"], behind.value) == ('files "a\\b"\n', 3.0)


async def test_the_page_is_self_contained_and_small(source: FakeSource) -> None:
    async with client(source) as here:
        page = await here.get("/")
        assert "default-src 'none'" in page.headers["content-security-policy"]
        weight = len(page.content)
        for name in ("panel.css", "page.js", "live.js", "history.js", "chart.js", "icon.svg"):
            file = await here.get(f"/static/{name}")
            assert f"static/{name}" in page.text
            assert "http://" not in file.text.replace("http://www.w3.org/2000/svg", "")
            weight += len(file.content)
            if name == "chart.js":
                assert len(file.text.splitlines()) <= 200
    assert weight < 300_000


async def test_streams_are_bounded_and_a_slow_client_is_dropped(
    source: FakeSource, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("quietcell.panel.streams.LOOK_S", 0.001)
    streams = Streams(source)
    go_on = asyncio.Event()
    heard = 0

    async def listen(*, slow: bool) -> int:
        nonlocal heard
        got = 0
        async for message in streams.listen():
            assert message.startswith("data: {")
            got += 1
            heard += not slow
            if slow:
                await go_on.wait()
        return got

    slow = [asyncio.create_task(listen(slow=True)) for _ in range(MOST_STREAMS - 1)]
    quick = asyncio.create_task(listen(slow=False))
    await until(lambda: streams.full)
    await until(lambda: not streams.full)
    before = heard
    await until(lambda: heard > before + ROOM)
    go_on.set()
    assert max(await asyncio.gather(*slow)) <= ROOM + 1
    await cancelled(quick)
    await streams.close()


def test_the_page_of_a_running_daemon_shows_records_and_trends_and_ends_with_it(tmp_path: Path) -> None:
    port = free_port()
    address = f"http://127.0.0.1:{port}"
    with StreamingMeter(tmp_path), Program(tmp_path, f"[panel]\nport = {port}") as program:
        program.start()
        (accepted, *_) = program.wait_for("determination", verdict="accepted")
        with httpx.Client(transport=httpx.HTTPTransport(retries=50), base_url=address, timeout=20) as here:
            (cell,) = here.get("/api/live").json()["cells"]
            assert (cell["cell"], cell["condition"]) == ("live-feed-room", "none")
            newest = here.get("/api/records", params={"kind": "determination"}).json()["records"]
            assert accepted["id"] in [record["body"]["id"] for record in newest]
            seq = newest[0]["seq"]
            assert here.get(f"/api/records/{seq}").json() == newest[0]
            assert here.get(f"/api/records/{newest[0]['body']['id']}").json() == newest[0]
            assert here.get("/api/records/live-feed-room.9.9").status_code == 404
            now = utc_ms(cell["at"])
            found = here.get(
                "/api/trend", params={"cell": "live-feed-room", "from": now - 60_000, "to": now + 60_000}
            ).json()
            months = here.get(
                "/api/trend", params={"cell": "live-feed-room", "from": now - 90 * 86_400_000, "to": now}
            ).json()
        assert program.end(signal.SIGTERM) == 0
    assert "determination" in {mark["kind"] for mark in found["marks"]}
    assert {round(value, 1) for _, value in found["traces"]["temperature_c"]} == {21.0}
    assert 6.4 < found["traces"]["ph"][-1][1] < 6.8
    assert 1 <= len(months["traces"]["ph"]) <= 5000
    with pytest.raises(httpx.ConnectError):
        httpx.get(address)
