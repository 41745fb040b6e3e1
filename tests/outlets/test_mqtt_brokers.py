"""Real brokers pass on what the outlet sends: an independent client sees every result, in order."""

import asyncio
import socket
from collections.abc import AsyncIterator, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
import structlog

from quietcell.outlets.mqtt_client import BrokerConnection
from quietcell.outlets.mqtt_library import Broker
from tests.core.alarms.alarm_builders import SOMEONE, at, engine, rule, see
from tests.support.brokers import DebianBroker, RealBroker, WheelBroker
from tests.support.consumer import Consumer
from tests.support.delivery import SITE, Delivery
from tests.support.until import until


@pytest.fixture(params=[WheelBroker, pytest.param(DebianBroker, marks=pytest.mark.broker)])
async def broker(request: pytest.FixtureRequest, tmp_path: Path) -> AsyncIterator[RealBroker]:
    broker: RealBroker = request.param(tmp_path / "broker")
    await asyncio.to_thread(broker.start)
    yield broker
    await asyncio.to_thread(broker.kill)


@pytest.fixture
def stack() -> Iterator[ExitStack]:
    with ExitStack() as stack:
        yield stack


def seqs(consumer: Consumer, topic: str = "result") -> list[int]:
    """Numbers of the records that came, repeats dropped."""
    return [record["seq"] for record in consumer.records(topic)]


def states(consumer: Consumer) -> list[str]:
    return [p["state"] for topic, p, _ in list(consumer.messages) if topic == f"quietcell/{SITE}/daemon"]


async def consumer_of(broker: RealBroker, stack: ExitStack) -> Consumer:
    """Return a client that has subscribed; its own thread does the rest."""
    consumer = await asyncio.to_thread(Consumer, broker.port)
    await asyncio.to_thread(stack.enter_context, consumer)
    return consumer


async def test_an_independent_client_sees_every_result_as_it_was_stored(
    tmp_path: Path, broker: RealBroker, stack: ExitStack
) -> None:
    consumer = await consumer_of(broker, stack)
    async with Delivery(tmp_path, broker.port) as delivery:
        await delivery.record(100)
        await delivery.record(20, verdict="refused")
        await delivery.record(30, verdict="qualified", text="°C and \u2028 and \U0001f4a7")
        await delivery.all_delivered()
        stored = [record.envelope() for record in await delivery.ledger.after(0)]
        await until(lambda: len(seqs(consumer, "determination")) == 150)
        await until(lambda: len(seqs(consumer)) == 130)
        assert consumer.records("determination") == stored
        assert consumer.records("result") == stored[:100] + stored[120:]
        await until(lambda: seqs(consumer, "head")[-1:] == [150])
    await until(lambda: states(consumer) == ["online", "offline"])


async def test_a_result_does_not_wait_until_the_packet_before_it_is_confirmed(broker: RealBroker) -> None:
    address = Broker(host="127.0.0.1", port=broker.port)
    async with BrokerConnection(address, will=(f"quietcell/{SITE}/daemon", "{}")) as connection:
        wire = connection._client._client.socket()
        assert isinstance(wire, socket.socket)
        assert wire.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)
        await connection.disconnect()


async def test_who_comes_late_finds_head_and_state_retained(
    tmp_path: Path, broker: RealBroker, stack: ExitStack
) -> None:
    async with Delivery(tmp_path, broker.port) as delivery:
        await delivery.record(3)
        await delivery.all_delivered()
        late = await consumer_of(broker, stack)
        await until(lambda: len(late.messages) == 2)
        assert {topic: retained for topic, _, retained in late.messages} == {
            f"quietcell/{SITE}/daemon": True,
            f"quietcell/{SITE}/head": True,
        }
        assert seqs(late, "head") == [3]
        assert states(late) == ["online"]


async def test_the_will_speaks_for_an_outlet_that_could_not_say_goodbye(
    tmp_path: Path, broker: RealBroker, stack: ExitStack
) -> None:
    consumer = await consumer_of(broker, stack)
    async with Delivery(tmp_path, broker.port) as delivery:
        await until(lambda: delivery.outlet.connected)
        delivery.backoff.open.clear()
        assert delivery.outlet._connection is not None
        delivery.outlet._connection._client.drop()  # as a killed program's socket is closed
        await until(lambda: states(consumer) == ["online", "offline"])
        delivery.backoff.open.set()
        await until(lambda: states(consumer) == ["online", "offline", "online"])


async def test_a_broker_killed_and_started_again_misses_nothing_that_comes_later(
    tmp_path: Path, broker: RealBroker, stack: ExitStack
) -> None:
    before = await consumer_of(broker, stack)
    async with Delivery(tmp_path, broker.port) as delivery:
        first = await delivery.record(40)
        await until(lambda: seqs(before) == first)
        delivery.backoff.open.clear()
        await asyncio.to_thread(broker.kill)
        second = await delivery.record(40)
        await until(lambda: not delivery.outlet.connected)
        await asyncio.to_thread(broker.start)
        after = await consumer_of(broker, stack)
        delivery.backoff.open.set()
        await delivery.all_delivered()
        await until(lambda: set(seqs(after)) >= set(second))
    seen = list(dict.fromkeys(seqs(before) + seqs(after)))
    assert seen == first + second


async def test_a_broker_killed_in_full_flow_is_sent_everything_it_did_not_acknowledge(
    tmp_path: Path, broker: RealBroker, stack: ExitStack
) -> None:
    before = await consumer_of(broker, stack)
    async with Delivery(tmp_path, broker.port) as delivery:
        records = await delivery.record(1500)
        await until(lambda: delivery.outlet.seq > 150)
        delivery.backoff.open.clear()
        await asyncio.to_thread(broker.kill)
        await until(lambda: not delivery.outlet.connected)
        acknowledged = delivery.outlet.seq
        assert acknowledged < records[-1], "it was all over before the kill; record more"
        seen = seqs(before)  # it will come back by itself when the broker does
        await asyncio.to_thread(broker.start)
        after = await consumer_of(broker, stack)
        delivery.backoff.open.set()
        await delivery.all_delivered()
        await until(lambda: seqs(after)[-1:] == records[-1:])
        # What an earlier life of the broker acknowledged it may have forgotten: the head tells.
        assert seqs(after) == records[acknowledged:]
    assert seen == records[: len(seen)]


@pytest.mark.broker
@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
async def test_a_record_the_access_rules_deny_is_parked_where_the_protocol_can_tell(
    tmp_path: Path, stack: ExitStack, protocol: str
) -> None:
    rules = tmp_path / "rules"
    rules.write_text("topic write quietcell/+/+/determination\ntopic readwrite quietcell/+/daemon\n")
    broker = DebianBroker(tmp_path, f"acl_file {rules}")
    stack.callback(broker.kill)
    await asyncio.to_thread(broker.start)
    with structlog.testing.capture_logs() as logs:
        async with Delivery(tmp_path, broker.port, protocol=protocol) as delivery:
            await delivery.record(1)
            await delivery.record(1, verdict="refused")
            await delivery.record(1)
            await delivery.all_delivered()
            assert delivery.outlet.parked == ([1, 3] if protocol == "5" else [])
    texts = [str(log) for log in logs]
    assert any("Not authorized" in text for text in texts) == (protocol == "5")
    assert any("3.1.1 cannot tell" in text for text in texts) == (protocol == "3.1.1")


async def test_an_alarm_stands_on_its_topic_while_people_should_see_it(
    tmp_path: Path, broker: RealBroker, stack: ExitStack
) -> None:
    consumer = await consumer_of(broker, stack)
    async with Delivery(tmp_path, broker.port) as delivery:
        alarms = engine(rule("meter-silent"))
        topic = f"quietcell/{SITE}/live-feed-room/alarm/meter-silent"
        await delivery.ledger.record(see(alarms, at(0), "meter-silent", holds=True))
        await delivery.all_delivered()
        late = await consumer_of(broker, stack)
        await until(
            lambda: [p["body"]["state"] for t, p, _ in late.messages if t == topic] == ["unacknowledged"]
        )
        await delivery.ledger.record(alarms.acknowledge(at(1), "meter-silent", SOMEONE))
        await delivery.ledger.record(see(alarms, at(2), "meter-silent", holds=False))
        await delivery.all_delivered()
        await until(lambda: len([t for t, _, _ in consumer.messages if t == topic]) >= 3)
        told = [p["body"]["state"] for t, p, _ in consumer.messages if t == topic and p]
        assert told == ["unacknowledged", "acknowledged", "normal"]
        after = await consumer_of(broker, stack)
        await until(lambda: bool(after.records("head")))
        assert [t for t, _, _ in after.messages if t == topic] == []
