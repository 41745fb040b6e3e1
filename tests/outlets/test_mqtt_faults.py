"""A broker that misbehaves in any way delays records; it loses, reorders and stops nothing."""

import logging
import socket
import struct
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar

import pytest
import structlog

from quietcell.core.alarms.states import AlarmState
from quietcell.core.records import Body
from quietcell.core.times import rfc3339
from quietcell.ledger.chain import Stored
from quietcell.ledger.cursors import Cursor
from quietcell.outlets import mqtt_client
from quietcell.outlets.mqtt import SUSPECT_LOSSES
from quietcell.outlets.mqtt_topics import topics_of
from tests.support.delivery import SITE, Delivery
from tests.support.scripted_broker import NOT_AUTHORISED, Peer, Publish, ScriptedBroker, accept, acknowledge
from tests.support.until import until

FIN: Callable[[Peer], None] = Peer.close
RST: Callable[[Peer], None] = Peer.reset


@pytest.fixture(autouse=True)
async def _the_loop_has_nothing_to_complain_about(caplog: pytest.LogCaptureFixture) -> object:
    """Fail a test in which asyncio, or a library, logs a traceback or a warning of its own."""
    yield
    assert [r.getMessage() for r in caplog.records if r.levelno >= logging.WARNING] == []


@pytest.fixture
def logs() -> Iterator[list[dict[str, object]]]:
    with structlog.testing.capture_logs() as logs:
        yield logs  # type: ignore[misc] # the library promises mutable mappings, which these are


async def nothing(*_: object) -> None:
    """Do nothing: no greeting, no acknowledgement."""


async def values_only(peer: Peer, publish: Publish) -> None:
    """Acknowledge retained values, no records."""
    if publish.retain:
        peer.acknowledge(publish)


async def refuse(peer: Peer) -> None:
    peer.accept(NOT_AUTHORISED)


async def test_records_arrive_in_order_on_their_topics_and_the_cursor_follows(tmp_path: Path) -> None:
    async with ScriptedBroker() as broker, Delivery(tmp_path, broker.port) as delivery:
        results = await delivery.record(50)
        refused = await delivery.record(verdict="refused")
        qualified = await delivery.record(verdict="qualified")
        await delivery.all_delivered()
        assert broker.records("/determination") == results + refused + qualified
        assert broker.records("/result") == results + qualified
        assert {p.qos for p in broker.published} == {1}
        assert not any(p.again for p in broker.published)
        (stored, *_) = await delivery.ledger.after(0)
        first = next(p for p in broker.published if p.topic == f"quietcell/{SITE}/live-feed-room/result")
        assert first.payload == stored.envelope()


async def test_the_first_word_is_online_and_the_retained_head_is_told_at_once_and_when_all_is_sent(
    tmp_path: Path,
) -> None:
    async with ScriptedBroker() as broker, Delivery(tmp_path, broker.port) as delivery:
        await until(lambda: broker.records("/head") == [0])
        await delivery.record(3)
        await until(lambda: broker.records("/head") == [0, 3])
        online, *_, head = broker.published
        assert (online.topic, online.payload["state"]) == (f"quietcell/{SITE}/daemon", "online")
        assert online.retain
        assert head.retain
        assert head.payload == {
            "ledger": delivery.ledger.id,
            "seq": delivery.ledger.head[0],
            "hash": delivery.ledger.head[1],
        }


@pytest.mark.parametrize("receive_maximum", [None, 3])
async def test_the_window_holds_20_messages_or_what_the_broker_takes_and_slides(
    tmp_path: Path, receive_maximum: int | None
) -> None:
    waiting: list[tuple[Peer, Publish]] = []

    async def greet(peer: Peer) -> None:
        peer.accept(properties=b"" if receive_maximum is None else struct.pack("!BH", 0x21, receive_maximum))

    async def hold(peer: Peer, publish: Publish) -> None:
        if publish.retain:
            peer.acknowledge(publish)
        else:
            waiting.append((peer, publish))

    window = receive_maximum or 20
    async with (
        ScriptedBroker(on_connect=greet, on_publish=hold) as broker,
        Delivery(tmp_path, broker.port) as delivery,
    ):
        records = await delivery.record(60, verdict="refused")
        for slid in range(3):
            await until(lambda slid=slid: len(broker.records()) == window + slid)  # type: ignore[misc] # mypy sees no type in a default
            # What is sent behind everything so far has nothing before it that was sent beyond the window.
            await delivery.outlet.publish_live([(f"live-feed-room/state{slid}", {})])
            await until(lambda slid=slid: bool(broker.records(f"/state{slid}")))  # type: ignore[misc] # same
            assert broker.records() == records[: window + slid]
            peer, publish = waiting.pop(0)
            peer.acknowledge(publish)
        broker.on_publish = acknowledge
        for peer, publish in waiting:
            peer.acknowledge(publish)
        await delivery.all_delivered()
        assert broker.records() == records


async def test_a_refused_record_is_parked_and_reported_and_the_rest_flows(
    tmp_path: Path, logs: list[dict[str, object]]
) -> None:
    """Fails when the library no longer calls the override that sees the reason in a PUBACK."""
    reported: list[tuple[int, str]] = []

    async def journal(record: Stored, why: str) -> None:
        reported.append((record.seq, why))

    async def acl(peer: Peer, publish: Publish) -> None:
        denied = publish.topic.endswith("/result") and publish.payload["seq"] in {2, 4}
        peer.acknowledge(publish, NOT_AUTHORISED if denied else 0)

    async with ScriptedBroker(on_publish=acl) as broker, Delivery(tmp_path, broker.port) as delivery:
        delivery.outlet.on_parked = journal
        await delivery.record(5)
        await delivery.all_delivered()
        assert broker.records("/result") == [1, 2, 3, 4, 5]
        assert delivery.cursors.get("mqtt") == Cursor(5, {"parked": [2, 4]})
        await delivery.start_anew()
        await delivery.record()
        await delivery.all_delivered()
        assert delivery.cursors.get("mqtt") == Cursor(6, {"parked": [2, 4]})
    assert [seq for seq, _ in reported] == [2, 4]
    assert "live-feed-room/result: the broker answers Not authorized" in reported[0][1]
    assert [log["seq"] for log in logs if log["event"] == "record parked"] == [2, 4]


async def test_a_record_too_large_for_the_broker_is_parked_unsent(tmp_path: Path) -> None:
    async def greet(peer: Peer) -> None:
        peer.accept(properties=struct.pack("!BI", 0x27, 2000))

    async with ScriptedBroker(on_connect=greet) as broker, Delivery(tmp_path, broker.port) as delivery:
        await delivery.record()
        await delivery.record(text="x" * 2000)
        await delivery.record()
        await delivery.all_delivered()
        assert broker.records() == [1, 3]
        assert delivery.outlet.parked == [2]
        assert len(broker.peers) == 1


async def test_a_refused_retained_value_is_told_once_and_stops_no_record(
    tmp_path: Path, logs: list[dict[str, object]]
) -> None:
    async def acl(peer: Peer, publish: Publish) -> None:
        peer.acknowledge(publish, NOT_AUTHORISED if publish.retain else 0)

    async with ScriptedBroker(on_publish=acl) as broker, Delivery(tmp_path, broker.port) as delivery:
        for _ in range(3):
            await delivery.record()
            await delivery.all_delivered()
        assert broker.records() == [1, 2, 3]
    told = [log["text"] for log in logs if log["event"] == "broker refuses a retained value"]
    assert sorted(str(text).partition(":")[0] for text in told) == [
        f"quietcell/{SITE}/daemon",
        f"quietcell/{SITE}/head",
    ]


@pytest.mark.parametrize("end", [FIN, RST])
async def test_a_connection_lost_at_a_publish_loses_nothing_and_keeps_the_order(
    tmp_path: Path, end: Callable[[Peer], None]
) -> None:
    ended: set[int] = set()

    async def break_off(peer: Peer, publish: Publish) -> None:
        if peer.number in ended:
            return  # what was on its way already
        if len(ended) < 20 and not publish.retain and publish.payload["seq"] % 7 == 0:
            ended.add(peer.number)
            end(peer)
        else:
            peer.acknowledge(publish)

    async with ScriptedBroker(on_publish=break_off) as broker, Delivery(tmp_path, broker.port) as delivery:
        records = await delivery.record(60)
        await delivery.all_delivered()
        assert list(dict.fromkeys(broker.records())) == records
        assert len(broker.peers) == 21
        assert all(peer.clean for peer in broker.peers)
        for peer in broker.peers:
            its = [p.payload["seq"] for p in broker.published if p.connection == peer.number and not p.retain]
            assert its == sorted(its)
        assert not any(p.again for p in broker.published), "the library sent something again by itself"


async def test_killed_before_the_cursor_was_stored_records_come_again_and_none_is_missing(
    tmp_path: Path,
) -> None:
    async with ScriptedBroker() as broker, Delivery(tmp_path, broker.port) as delivery:
        await delivery.record(30)
        await delivery.all_delivered()
        await delivery.stop()
        delivery.cursors.put("mqtt", Cursor(11, {"parked": []}))
        await delivery.record(5)
        await delivery.start_anew()
        await delivery.all_delivered()
        assert broker.records() == [*range(1, 31), *range(12, 36)]


async def test_an_unknown_outcome_does_not_move_the_cursor(tmp_path: Path) -> None:
    async def all_but_the_third(peer: Peer, publish: Publish) -> None:
        if publish.retain or publish.payload["seq"] != 3:
            peer.acknowledge(publish)

    async with (
        ScriptedBroker(on_publish=all_but_the_third) as broker,
        Delivery(tmp_path, broker.port) as delivery,
    ):
        await delivery.record(9)
        await until(lambda: broker.records("/determination") == [*range(1, 10)])
        await until(lambda: delivery.cursors.get("mqtt").seq == 2)
        broker.on_publish = acknowledge
        await delivery.start_anew()
        await delivery.all_delivered()
        assert broker.records("/determination") == [*range(1, 10), *range(3, 10)]


async def test_a_broker_that_goes_while_nothing_is_to_be_said_is_noticed(tmp_path: Path) -> None:
    async with ScriptedBroker() as broker, Delivery(tmp_path, broker.port) as delivery:
        await until(lambda: delivery.outlet.connected)
        delivery.backoff.open.clear()
        broker.peers[0].close()
        await until(lambda: not delivery.outlet.connected)
        assert delivery.outlet.state == "broker away"
        await delivery.outlet.publish_live([("live-feed-room/indication", {"ph": 6.9})])
        delivery.backoff.open.set()
        await until(lambda: delivery.outlet.connected)
        assert [p.payload["state"] for p in broker.published if p.topic.endswith("/daemon")] == ["online"] * 2


async def test_a_broker_that_falls_silent_is_noticed_by_its_missing_acknowledgement(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, logs: list[dict[str, object]]
) -> None:
    monkeypatch.setattr(mqtt_client, "ANSWER_S", 0.1)
    async with ScriptedBroker(on_publish=values_only) as broker, Delivery(tmp_path, broker.port) as delivery:
        await delivery.record(3)
        await until(lambda: len(broker.peers) > 2)
        broker.on_publish = acknowledge
        await delivery.all_delivered()
        assert list(dict.fromkeys(broker.records())) == [1, 2, 3]
    away = [log["text"] for log in logs if log["event"] == "broker away"]
    assert len(away) == 1
    assert "was not acknowledged" in str(away[0])


async def test_a_broker_that_falls_silent_while_idle_is_noticed_by_its_missing_pings(tmp_path: Path) -> None:
    async with (
        ScriptedBroker(answers_pings=False) as broker,
        Delivery(tmp_path, broker.port, keepalive_s=1) as delivery,
    ):
        await until(lambda: delivery.outlet.connected)
        await until(lambda: len(broker.peers) > 1)


@pytest.mark.parametrize("late_by_answers", [False, True])
async def test_an_attempt_that_was_not_answered_in_time_does_not_live_on_beside_the_next(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, logs: list[dict[str, object]], *, late_by_answers: bool
) -> None:
    async def late(peer: Peer) -> None:
        if peer.number > 2:
            peer.accept()
        elif late_by_answers:
            await until(lambda: len(broker.peers) > 2)
            peer.accept()

    monkeypatch.setattr(mqtt_client, "ANSWER_S", 0.2)
    async with ScriptedBroker(on_connect=late) as broker, Delivery(tmp_path, broker.port) as delivery:
        await delivery.record(3)
        await delivery.all_delivered()
        assert {p.connection for p in broker.published} == {3}
        for peer in broker.peers[:2]:
            await until(lambda peer=peer: peer.reader.at_eof() or peer.writer.is_closing())  # type: ignore[misc] # mypy sees no type in a default
    away = [str(log["text"]) for log in logs if log["event"] == "broker away"]
    assert len(away) == 1
    assert "Check that an MQTT 5 broker listens there" in away[0]


async def test_a_refused_connection_is_told_once_and_in_words(
    tmp_path: Path, logs: list[dict[str, object]]
) -> None:
    async with ScriptedBroker(on_connect=refuse) as broker, Delivery(tmp_path, broker.port) as delivery:
        await delivery.record()
        await until(lambda: len(broker.peers) > 3)
        assert delivery.backoff.in_a_row > 1
        broker.on_connect = accept
        await delivery.all_delivered()
    away = [str(log["text"]) for log in logs if log["event"] == "broker away"]
    assert len(away) == 1
    assert "Not authorized" in away[0]


async def test_a_connection_closed_before_the_greeting_is_noticed_at_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, logs: list[dict[str, object]]
) -> None:
    async def slam(peer: Peer) -> None:
        peer.close()

    monkeypatch.setattr(mqtt_client, "ANSWER_S", 300.0)  # waiting for an answer would fail the test
    async with ScriptedBroker(on_connect=slam) as broker, Delivery(tmp_path, broker.port) as delivery:
        await until(lambda: delivery.backoff.in_a_row > 2)
    (away,) = [str(log["text"]) for log in logs if log["event"] == "broker away"]
    assert "closed by the broker before it answered" in away


async def test_a_broker_that_is_not_there_is_told_in_words(
    tmp_path: Path, logs: list[dict[str, object]]
) -> None:
    with closing(socket.socket()) as taken:
        taken.bind(("127.0.0.1", 0))  # bound and not listening: nobody else can
        async with Delivery(tmp_path, taken.getsockname()[1]) as delivery:
            await until(lambda: delivery.backoff.in_a_row > 1)
            assert delivery.outlet.state == "broker away"
    (away,) = [str(log["text"]) for log in logs if log["event"] == "broker away"]
    assert "Connection refused" in away


async def test_a_record_no_connection_survives_is_parked_after_growing_pauses_and_goes_out_on_command(
    tmp_path: Path,
) -> None:
    sent: list[int] = []
    pauses: list[int] = []

    async def poisoned(peer: Peer, publish: Publish) -> None:
        if not publish.retain and publish.payload["seq"] == 3:
            peer.close()
        else:
            sent.extend([] if publish.retain else [publish.payload["seq"]])
            peer.acknowledge(publish)

    async def note(record: Stored, why: str) -> None:
        pauses.append(delivery.backoff.in_a_row)
        assert (record.seq, f"lost {SUSPECT_LOSSES} connections" in why) == (3, True)

    async with ScriptedBroker(on_publish=poisoned) as broker, Delivery(tmp_path, broker.port) as delivery:
        delivery.outlet.on_parked = note
        await delivery.record(5)
        await delivery.all_delivered()
        assert pauses == [SUSPECT_LOSSES - 1]
        assert delivery.cursors.get("mqtt") == Cursor(5, {"parked": [3]})
        assert set(sent) == {1, 2, 4, 5}
        broker.on_publish = acknowledge
        assert await delivery.outlet.send_parked() == {"delivered": [3], "parked": []}
        await until(lambda: delivery.cursors.get("mqtt") == Cursor(5, {"parked": []}))


async def test_a_broker_that_falls_silent_has_nothing_parked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def mute(peer: Peer, publish: Publish) -> None:
        if publish.retain:
            peer.acknowledge(publish)

    monkeypatch.setattr(mqtt_client, "ANSWER_S", 0.05)
    async with ScriptedBroker(on_publish=mute) as broker, Delivery(tmp_path, broker.port) as delivery:
        await delivery.record(2)
        await until(lambda: delivery.backoff.in_a_row > SUSPECT_LOSSES + 1)
        assert delivery.outlet.parked == []
        broker.on_publish = acknowledge
        await delivery.all_delivered()


async def test_a_span_sent_again_never_overtakes_what_has_not_been_delivered_yet(tmp_path: Path) -> None:
    held: list[tuple[Peer, Publish]] = []

    async def hold_from_the_sixth(peer: Peer, publish: Publish) -> None:
        if not publish.retain and publish.payload["seq"] > 5:
            held.append((peer, publish))
        else:
            peer.acknowledge(publish)

    async with (
        ScriptedBroker(on_publish=hold_from_the_sixth) as broker,
        Delivery(tmp_path, broker.port) as delivery,
    ):
        await delivery.record(15, verdict="refused")
        await until(lambda: delivery.outlet.seq == 5 and len(held) == 10)
        assert await delivery.outlet.send_again(4, 60) == 2
        assert broker.records() == [*range(1, 16), 4, 5]
        broker.on_publish = acknowledge
        for peer, publish in held:
            peer.acknowledge(publish)
        await delivery.all_delivered()
        assert broker.records() == [*range(1, 16), 4, 5]


@dataclass(frozen=True, slots=True, kw_only=True)
class Alarm(Body):
    """The least of an alarm's record that the outlet looks at."""

    kind: ClassVar[str] = "alarm"

    alarm: str
    state: str


async def test_an_old_alarm_sent_again_does_not_stand_on_its_topic_anew(tmp_path: Path) -> None:
    async def deny_alarms(peer: Peer, publish: Publish) -> None:
        peer.acknowledge(publish, NOT_AUTHORISED if "/alarm/" in publish.topic else 0)

    def alarm(number: int, state: AlarmState) -> Alarm:
        identity = {"id": f"daemon.1.{number}", "cell": "live-feed-room", "at": rfc3339(0)}
        return Alarm(**identity, alarm="flow-low", state=state.value)

    shown, over = AlarmState.UNACKNOWLEDGED, AlarmState.NORMAL
    async with ScriptedBroker(on_publish=deny_alarms) as broker, Delivery(tmp_path, broker.port) as delivery:
        await delivery.ledger.record([alarm(1, shown), alarm(2, over), alarm(3, shown)])
        await delivery.all_delivered()
        assert delivery.outlet.parked == [1, 2, 3]
        broker.on_publish = acknowledge
        broker.published.clear()
        assert await delivery.outlet.send_again(1, 3) == 3
        assert [p.retain for p in broker.published] == [False] * 3
        broker.published.clear()
        assert (await delivery.outlet.send_parked())["parked"] == []
        assert [(p.payload["seq"], p.retain) for p in broker.published] == [(1, False), (2, False), (3, True)]


async def test_311_delivers_and_says_once_what_it_cannot_tell(
    tmp_path: Path, logs: list[dict[str, object]]
) -> None:
    async with ScriptedBroker() as broker, Delivery(tmp_path, broker.port, protocol="3.1.1") as delivery:
        await delivery.record(30)
        await delivery.all_delivered()
        broker.peers[0].close()
        await until(lambda: len(broker.peers) == 2)
        assert broker.records() == [*range(1, 31)]
        assert broker.peers[0].version == 4
    assert len([log for log in logs if "3.1.1" in str(log["event"])]) == 1


async def test_a_stop_says_goodbye_and_ends_the_connection_in_order(tmp_path: Path) -> None:
    async with ScriptedBroker() as broker:
        async with Delivery(tmp_path, broker.port) as delivery:
            await until(lambda: delivery.outlet.connected)
        await until(lambda: broker.peers[0].disconnected)
        assert broker.published[-1].payload["state"] == "offline"


@pytest.mark.parametrize("state", ["ungreeted", "unacknowledged", "window full", "pausing", "unreachable"])
async def test_a_stop_waits_for_no_broker(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, state: str
) -> None:
    monkeypatch.setattr(mqtt_client, "ANSWER_S", 300.0)  # waiting for an answer would fail the test
    async with ScriptedBroker() as broker:
        port = broker.port
        if state == "ungreeted":
            broker.on_connect = nothing
        if state in {"unacknowledged", "window full"}:
            broker.on_publish = nothing
        with closing(socket.socket()) as deaf, closing(socket.socket()) as first:
            if state == "unreachable":  # a full queue of connections: the next gets no answer at all
                deaf.bind(("127.0.0.1", 0))
                deaf.listen(0)
                port = deaf.getsockname()[1]
                first.connect(("127.0.0.1", port))
            async with Delivery(tmp_path, port) as delivery:
                if state == "window full":
                    broker.on_publish = values_only
                if state == "pausing":
                    delivery.backoff.open.clear()
                    broker.on_connect = refuse
                    await until(lambda: delivery.backoff.in_a_row == 1)
                elif state != "unreachable":
                    await delivery.record(40)
                    await until(lambda: len(broker.peers) == 1)
                if state == "window full":
                    await until(lambda: delivery.outlet.connected and len(broker.published) == 22)
        assert not any(peer.disconnected for peer in broker.peers), "its will has to speak for it"


def test_a_cell_that_no_topic_could_hold_goes_to_none() -> None:
    body = {"record": "determination", "cell": "live-feed-room/#", "verdict": "accepted"}
    with pytest.raises(Exception, match="no name that a topic could hold"):
        topics_of(SITE, body)
    assert topics_of(SITE, {**body, "record": "segment"}) == []


async def test_live_values_carry_ledger_and_seq_and_are_not_acknowledged(tmp_path: Path) -> None:
    async with ScriptedBroker() as broker, Delivery(tmp_path, broker.port) as delivery:
        await until(lambda: delivery.outlet.connected)
        await delivery.outlet.publish_live([("live-feed-room/indication", {"ph": 6.9})])
        await until(lambda: bool(broker.records("/indication")))
        live = broker.published[-1]
        assert live.qos == 0
        assert live.payload == {"ph": 6.9, "ledger": delivery.ledger.id, "seq": 0}
