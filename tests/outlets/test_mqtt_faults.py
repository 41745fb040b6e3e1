"""A connection that misbehaves in any way delays records; it loses, reorders and stops nothing."""

import asyncio
import socket
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from quietcell.outlets import mqtt_client, mqtt_contest
from quietcell.outlets.mqtt_client import BrokerConnection
from quietcell.outlets.mqtt_library import Broker
from tests.support.delivery import SITE, Delivery
from tests.support.scripted_broker import (
    NOT_AUTHORISED,
    Peer,
    Publish,
    ScriptedBroker,
    accept,
    acknowledge,
    values_only,
)
from tests.support.until import until

pytestmark = pytest.mark.usefixtures("nothing_to_complain_about")


async def nothing(*_: object) -> None:
    """Do nothing: no greeting, no acknowledgement."""


async def refuse(peer: Peer) -> None:
    peer.accept(NOT_AUTHORISED)


@pytest.mark.parametrize("end", [Peer.close, Peer.reset])
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


async def test_a_rival_for_the_client_id_is_told_given_way_to_and_no_record_is_blamed_for_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, logs: list[dict[str, object]]
) -> None:
    losses = 8

    async def taken(peer: Peer, publish: Publish) -> None:
        if publish.topic.endswith("/determination") and peer.number <= losses:
            peer.take_over()
        else:
            peer.acknowledge(publish)

    async with ScriptedBroker(on_publish=taken) as broker, Delivery(tmp_path, broker.port) as delivery:
        await delivery.record(3)
        await until(lambda: len(broker.peers) > losses)
        await delivery.all_delivered()
        outlet = delivery.outlet
        assert (outlet.parked, delivery.backoff.in_a_row) == ([], losses)
        assert (outlet.connected, outlet.working) == (True, False)
        told = f"another client connected by the client id quietcell-{SITE}"
        assert outlet.state == f"broker away: {told}"
        assert len([line for line in logs if told in str(line.get("text"))]) == 1
        monkeypatch.setattr(mqtt_contest, "CONTESTED_S", 0.0)
        assert (outlet.working, outlet.state) == (True, "connected")


def connected(broker: ScriptedBroker, delivery: Delivery, number: int) -> Callable[[], bool]:
    """Whether the outlet is connected, for the `number`-th time."""
    return lambda: len(broker.peers) == number and delivery.outlet.connected


def more_than(broker: ScriptedBroker, number: int) -> Callable[[], bool]:
    """Whether the broker has seen more connections than that."""
    return lambda: len(broker.peers) > number


async def test_a_broker_that_closes_again_and_again_without_a_word_is_told_once_and_given_way_to(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, logs: list[dict[str, object]]
) -> None:
    """As where a second daemon of the site connects and the broker gives no reason."""
    async with ScriptedBroker() as broker, Delivery(tmp_path, broker.port) as delivery:
        for number in range(1, 9):
            await delivery.record()
            await until(connected(broker, delivery, number))
            await delivery.all_delivered()
            broker.peers[-1].close()
            await until(more_than(broker, number))
        outlet = delivery.outlet
        await until(lambda: outlet.connected)
        assert list(dict.fromkeys(broker.records())) == list(range(1, 9))
        assert (outlet.parked, delivery.backoff.in_a_row, outlet.working) == ([], 7, False)
        assert outlet.state == (
            "broker away: connection lost: the broker closed it, again and again soon after connecting"
        )
        monkeypatch.setattr(mqtt_contest, "CONTESTED_S", 0.0)
        assert (outlet.working, outlet.state) == (True, "connected")
    away = [str(line["text"]) for line in logs if line["event"] == "broker away"]
    assert ["again and again" in text for text in away] == [False, False, True]
    assert "A second daemon of this site needs a site name of its own" in away[-1]
    assert [line["event"] for line in logs].count("broker connected") == 3


@pytest.mark.parametrize(
    ("granted", "told"),
    [
        (bytes([1, NOT_AUTHORISED, 1]), f"the broker refuses quietcell/{SITE}/+/alarm-request"),
        (bytes([1, 1]), "the broker answers a subscription to 3 topics with 2 codes"),
        (bytes([1, 1, 1, 1]), "the broker answers a subscription to 3 topics with 4 codes"),
    ],
)
async def test_a_subscription_that_is_not_granted_is_told_once_and_stops_no_record(
    tmp_path: Path, logs: list[dict[str, object]], granted: bytes, told: str
) -> None:
    async with ScriptedBroker(granted=granted) as broker, Delivery(tmp_path, broker.port) as delivery:
        delivery.outlet.hear = lambda _: None
        for number in (1, 2):
            await until(connected(broker, delivery, number))
            await delivery.record()
            await delivery.all_delivered()
            await until(lambda: told in str(logs))
            broker.peers[-1].close()
        await until(lambda: len(broker.peers) > number and delivery.outlet.connected)
    assert [line["text"] for line in logs if line["event"] == "no requests over MQTT"] == [told]


async def test_a_stop_that_comes_with_the_answer_to_a_subscription_is_not_lost() -> None:
    async with ScriptedBroker() as broker:
        address = Broker(host="127.0.0.1", port=broker.port)
        async with BrokerConnection(address, will=("daemon", "{}")) as connection:
            library = connection._client._client
            answered: Any = library.on_subscribe

            def answered_and_stopped(*args: Any) -> None:
                answered(*args)
                listening.cancel()

            library.on_subscribe = answered_and_stopped
            listening = asyncio.create_task(connection.listen(["a", "b", "c"], lambda _: None))
            await asyncio.wait({listening})
            assert listening.cancelled()


async def test_a_broker_that_goes_while_nothing_is_to_be_said_is_noticed(tmp_path: Path) -> None:
    async with ScriptedBroker() as broker, Delivery(tmp_path, broker.port) as delivery:
        await until(lambda: delivery.outlet.connected)
        delivery.backoff.open.clear()
        broker.peers[0].close()
        lost = "broker away: connection lost: the broker closed it"
        await until(lambda: delivery.outlet.state == lost)
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
    told = [log["event"] for log in logs if log["event"] in {"broker away", "broker connected"}]
    assert set(told[::2]) == {"broker connected"}
    assert set(told[1::2]) <= {"broker away"}
    assert "was not acknowledged" in str(next(log["text"] for log in logs if log["event"] == "broker away"))


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
            assert delivery.outlet.state == "broker away: cannot connect: Connection refused"
    (away,) = [str(log["text"]) for log in logs if log["event"] == "broker away"]
    assert "Connection refused" in away


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
