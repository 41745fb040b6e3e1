"""What the broker does not take is set aside and told; what is sent again stands in nobody's way."""

import struct
from dataclasses import dataclass, replace
from pathlib import Path
from typing import ClassVar

import pytest

from quietcell.core.alarms.states import AlarmState
from quietcell.core.records import Body
from quietcell.core.times import rfc3339
from quietcell.ledger.chain import Stored
from quietcell.ledger.cursors import Cursor
from quietcell.outlets import mqtt, mqtt_client
from quietcell.outlets.mqtt import SUSPECT_LOSSES
from quietcell.service.command_records import RequestBody
from tests.support.delivery import SITE, Delivery
from tests.support.scripted_broker import (
    NOT_AUTHORISED,
    PACKET_TOO_LARGE,
    Peer,
    Publish,
    ScriptedBroker,
    acknowledge,
    values_only,
)
from tests.support.until import until

pytestmark = pytest.mark.usefixtures("nothing_to_complain_about")


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


async def test_an_answer_the_broker_refuses_its_asker_is_told_and_parks_nothing(
    tmp_path: Path, logs: list[dict[str, object]]
) -> None:
    async def no_answers(peer: Peer, publish: Publish) -> None:
        peer.acknowledge(publish, NOT_AUTHORISED if publish.topic.startswith("lims/") else 0)

    def told() -> list[str]:
        return [str(log["text"]) for log in logs if log["event"] == "an answer could not be sent"]

    asked = RequestBody(
        id="daemon.1.1",
        cell="live-feed-room",
        at=rfc3339(0),
        segment=1,
        ms=0,
        sample_id=None,
        operator=None,
        from_buffer=False,
        via="mqtt",
        response_topic="lims/answers",
    )
    async with ScriptedBroker(on_publish=no_answers) as broker, Delivery(tmp_path, broker.port) as delivery:
        await delivery.ledger.record([asked, replace(asked, id="daemon.1.2")])
        await delivery.all_delivered()
        assert delivery.outlet.parked == []
        for topic in ("lims/answers", "lims/errors", "lims/" + "x" * 70_000):
            assert await delivery.outlet.reply(topic, {"ok": False}, None)
        await until(lambda: len(told()) == 3)
    assert told() == [
        "lims/answers: the broker answers Not authorized",
        f"lims/{'x' * 70_000}: Publish topic is too long.",
        "lims/errors: the broker answers Not authorized",
    ]


async def test_only_so_many_different_warnings_are_told(
    tmp_path: Path, logs: list[dict[str, object]], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(mqtt, "MOST_WARNINGS", 3)
    too_long = "x" * 70_000
    async with ScriptedBroker() as broker, Delivery(tmp_path, broker.port) as delivery:
        await delivery.record()
        await delivery.all_delivered()
        for number in range(5):
            assert await delivery.outlet.reply(f"lims/{number}/{too_long}", {"ok": False}, None)
    assert len([log for log in logs if log["event"] == "an answer could not be sent"]) == 3


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


async def test_a_refusal_by_a_code_of_other_packets_parks_the_record_and_keeps_the_connection(
    tmp_path: Path,
) -> None:
    async def too_large(peer: Peer, publish: Publish) -> None:
        peer.acknowledge(publish, PACKET_TOO_LARGE if publish.payload["seq"] == 2 else 0)

    async with ScriptedBroker(on_publish=too_large) as broker, Delivery(tmp_path, broker.port) as delivery:
        await delivery.record(3)
        await delivery.all_delivered()
        assert (delivery.outlet.parked, len(broker.peers)) == ([2], 1)


async def test_values_too_large_for_the_broker_are_told_once_each_and_stop_no_record(
    tmp_path: Path, logs: list[dict[str, object]]
) -> None:
    async def greet(peer: Peer) -> None:
        peer.accept(properties=struct.pack("!BI", 0x27, 60))

    async with ScriptedBroker(on_connect=greet) as broker, Delivery(tmp_path, broker.port) as delivery:
        await delivery.record(2)
        await delivery.all_delivered()
        assert (delivery.outlet.parked, len(broker.peers)) == ([1, 2], 1)
        for ph in (6.9, 6.95):
            await delivery.outlet.publish_live([("live-feed-room/indication", {"ph": ph})])
        await delivery.stop()
        assert broker.peers[0].disconnected
    told = [str(log["text"]) for log in logs if log["event"] == "broker refuses a retained value"]
    assert {text.partition(":")[0] for text in told} == {f"quietcell/{SITE}/daemon", f"quietcell/{SITE}/head"}
    assert [log["topic"] for log in logs if "live" in str(log["event"])] == [
        f"quietcell/{SITE}/live-feed-room/indication"
    ]


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
    monkeypatch.setattr(mqtt_client, "ANSWER_S", 0.05)
    async with ScriptedBroker(on_publish=values_only) as broker, Delivery(tmp_path, broker.port) as delivery:
        await delivery.record(2)
        await until(lambda: delivery.backoff.in_a_row > SUSPECT_LOSSES + 1)
        assert delivery.outlet.parked == []
        broker.on_publish = acknowledge
        await delivery.all_delivered()


async def test_a_broker_that_ends_connections_while_nothing_waits_has_nothing_parked(tmp_path: Path) -> None:
    async def no_head(peer: Peer, publish: Publish) -> None:
        if publish.topic.endswith("/head"):
            peer.close()
        else:
            peer.acknowledge(publish)

    async with ScriptedBroker(on_publish=no_head) as broker, Delivery(tmp_path, broker.port) as delivery:
        await until(lambda: delivery.backoff.in_a_row > SUSPECT_LOSSES + 1)
        broker.on_publish = acknowledge
        await delivery.record(2)
        await delivery.all_delivered()
        assert (delivery.outlet.parked, broker.records()) == ([], [1, 2])


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
