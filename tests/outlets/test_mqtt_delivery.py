"""Records reach the broker in order on their topics, and the cursor follows."""

import struct
from itertools import count
from pathlib import Path

import pytest

from quietcell.core.alarms.engine import AlarmEngine
from quietcell.core.alarms.shipped import CELL_ALARMS
from quietcell.core.records import Body, SegmentBody
from quietcell.core.times import rfc3339
from quietcell.ledger.cursors import Cursor
from quietcell.outlets.mqtt_topics import topics_of
from tests.core.alarms.alarm_builders import SOMEONE, at
from tests.support.delivery import SITE, Delivery
from tests.support.scripted_broker import Peer, Publish, ScriptedBroker, acknowledge
from tests.support.until import until

pytestmark = pytest.mark.usefixtures("nothing_to_complain_about")


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
        (live,) = (p for p in broker.published if p.topic.endswith("/indication"))
        assert live.qos == 0
        assert live.payload == {"ph": 6.9, "ledger": delivery.ledger.id, "seq": 0}


async def test_a_broker_that_forgot_what_it_kept_is_told_again_which_alarms_stand(tmp_path: Path) -> None:
    numbers = count(1)
    alarms = AlarmEngine("live-feed-room", CELL_ALARMS, lambda: f"daemon.1.{next(numbers)}")

    def seen(second: int, **holding: bool) -> None:
        for name, holds in holding.items():
            alarms.observe(at(second), name.replace("_", "-"), holds=holds, text="seen")
        bodies.extend(alarms.advance(at(second)))

    def standing() -> list[str]:
        said = [p for p in broker.published if "/alarm/" in p.topic]
        assert all(p.retain for p in said)
        return [f"{p.topic.rpartition('/')[2]} {p.payload['body']['state']}" for p in said]

    began = SegmentBody(
        id="live-feed-room.1.1",
        cell="live-feed-room",
        at=rfc3339(0),
        segment=1,
        state="began",
        cause="started",
    )
    bodies: list[Body] = [began]
    async with ScriptedBroker() as broker, Delivery(tmp_path, broker.port) as delivery:
        seen(0, co2_ingress=True, check_failed=True)
        seen(1, check_failed=False)
        bodies.extend(alarms.acknowledge(at(2), "check-failed", SOMEONE))
        await delivery.ledger.record(bodies)
        await delivery.all_delivered()
        for anew in (True, False):
            broker.published.clear()
            if anew:
                await delivery.start_anew()
            else:
                broker.peers[-1].reset()
            await until(lambda: bool(broker.records("/head")))
            assert standing() == ["co2-ingress unacknowledged"]
        await delivery.ledger.record(alarms.acknowledge(at(3), "co2-ingress", SOMEONE))
        await delivery.all_delivered()
        broker.published.clear()
        broker.peers[-1].reset()
        await until(lambda: bool(broker.records("/head")))
        assert standing() == ["co2-ingress acknowledged"]
