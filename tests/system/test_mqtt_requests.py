"""Other programs ask over a real broker; the answers come from the journal, even after a kill."""

import json
import queue
import signal
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from quietcell.core.records import Json
from tests.support.brokers import DebianBroker
from tests.support.command import ran
from tests.support.consumer import mosquitto
from tests.support.interface import faults_of_answer
from tests.support.live import Program, StreamingMeter, wait_until
from tests.support.until import PATIENCE_S

pytestmark = pytest.mark.live

REQUEST = "quietcell/merrow-sound/live-feed-room/request"
ANSWERS = "lims/answers"


class Asker:
    """A laboratory system: publishes requests, hears answers."""

    def __init__(self, client: mqtt.Client) -> None:
        self._client = client
        self.seen: list[int] = []
        """Numbers of the records that came on the daemon's own topics."""
        self.heard: queue.Queue[tuple[str, dict[str, Json], bytes | None]] = queue.Queue()

    def received(self, _client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        correlation = getattr(message.properties, "CorrelationData", None)
        self.heard.put((message.topic, json.loads(message.payload), correlation))

    def ask(self, payload: bytes, *, topic: str = REQUEST, kept: bool = False, **properties: object) -> None:
        carried = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call] # the library's own
        for name, value in {"ResponseTopic": ANSWERS, **properties}.items():
            setattr(carried, name, value)
        sent = self._client.publish(topic, payload, qos=1, retain=kept, properties=carried)
        sent.wait_for_publish(PATIENCE_S)

    def answer(self, on: str = ANSWERS) -> tuple[dict[str, Json], bytes | None]:
        while True:
            topic, payload, correlation = self.heard.get(timeout=PATIENCE_S)
            if topic != ANSWERS:
                assert set(payload) >= {"ledger", "seq", "body"}  # records, nothing else
                self.seen.append(payload["seq"])
            if topic == on:
                return payload, correlation


@contextmanager
def asker(port: int, *topics: str) -> Iterator[Asker]:
    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    it = Asker(client)
    client.on_message = it.received
    client.connect("127.0.0.1", port)
    client.loop_start()
    client.subscribe([(topic, SubscribeOptions(qos=1)) for topic in (ANSWERS, *topics)])
    try:
        yield it
    finally:
        client.disconnect()
        client.loop_stop()


@pytest.mark.broker
def test_who_asks_over_mqtt_hears_request_and_result_even_when_the_daemon_is_killed_between(
    tmp_path: Path,
) -> None:
    with mosquitto() as port, StreamingMeter(tmp_path) as meter:
        more = f'[outlets.mqtt]\nhost = "127.0.0.1"\nport = {port}'
        with Program(tmp_path, more) as program, asker(port) as lims:
            # What a broker kept was asked by nobody now.
            lims.ask(b'{"sample_id": "OLD"}', kept=True)
            program.start()
            program.wait_for("determination", verdict="accepted")
            wish = b'{"sample_id": "S-18", "operator": "lims", "reference": "a/1"}'
            lims.ask(wish, CorrelationData=b"\xff17")
            request, correlation = lims.answer()
            assert request["body"]["record"] == "request"
            assert (request["body"]["sample_id"], correlation) == ("S-18", b"\xff17")
            result, correlation = lims.answer()
            assert (result["body"]["request"], correlation) == (request["body"]["id"], b"\xff17")
            # A repeat begins nothing and hears the same again.
            lims.ask(wish)
            repeat, _ = lims.answer()
            assert (repeat["ok"], repeat["repeated"], repeat["determination"]) == (True, True, result)
            assert not any(faults_of_answer(REQUEST, each) for each in (request, result, repeat))
            # Killed before the determination has ended: its answer comes all the same.
            meter.drift_mv_per_min = 600.0
            lims.ask(b'{"sample_id": "S-19"}', CorrelationData=b"19")
            asked, _ = lims.answer()
            assert program.end(signal.SIGKILL) == -signal.SIGKILL
            program.start()
            late, correlation = lims.answer()
            while late["seq"] == asked["seq"]:  # sent before the kill, sent again after it
                late, correlation = lims.answer()
            assert (late["body"]["request"], correlation) == (asked["body"]["id"], b"19")
            assert program.end(signal.SIGTERM) == 0
            assert [b["sample_id"] for b in program.bodies("request")] == ["S-18", "S-19"]


@pytest.mark.broker
def test_hostile_requests_hear_an_error_and_change_nothing_and_stored_records_come_again(
    tmp_path: Path,
) -> None:
    with mosquitto() as port, StreamingMeter(tmp_path):
        more = f'[outlets.mqtt]\nhost = "127.0.0.1"\nport = {port}'
        replay = "quietcell/merrow-sound/replay"
        results = "quietcell/merrow-sound/live-feed-room/determination"
        with Program(tmp_path, more) as program, asker(port, results) as lims:
            program.start()
            first, _ = lims.answer(results)
            for payload in (
                b"\xff\xfe",
                b"[" * 10_000,
                b"[]",
                b'{"sample_id": 7}',
                b'{"sample_id": "a\\u0000b"}',
                b'{"via": "socket"}',
                b'{"surprise": 1}',
                b"x" * 20_000,
            ):
                lims.ask(payload, CorrelationData=b"bad")
                answer, correlation = lims.answer()
                assert (answer["ok"], correlation) == (False, b"bad"), payload[:40]
                assert answer["error"]
            # Nobody may have the daemon speak in its own name.
            lims.ask(b"{", ResponseTopic=results)
            span = {"from_seq": 1, "to_seq": first["seq"]}
            lims.ask(json.dumps(span).encode(), topic=replay, CorrelationData=b"again")
            answer, correlation = lims.answer()
            assert (answer, correlation) == ({"ok": True, **span, "sent": 1}, b"again")
            assert faults_of_answer(replay, answer) == []
            lims.ask(b'{"from_seq": 0, "to_seq": 99999999}', topic=replay)
            assert not lims.answer()[0]["ok"]
            assert program.end(signal.SIGTERM) == 0
            assert program.bodies("request") == []
        assert [seq for seq in lims.seen if seq == first["seq"]] == [first["seq"]] * 2


@pytest.mark.broker
def test_what_the_broker_refuses_is_recorded_and_goes_out_again_on_command(tmp_path: Path) -> None:
    rules = tmp_path / "rules"
    own = "topic readwrite quietcell/+/daemon\ntopic write quietcell/+/head\n"
    rules.write_text(own)
    broker = DebianBroker(tmp_path / "broker", f"acl_file {rules}")
    broker.start()
    try:
        more = f'[outlets.mqtt]\nhost = "127.0.0.1"\nport = {broker.port}'
        with StreamingMeter(tmp_path), Program(tmp_path, more) as program:
            program.start()
            (refused, *_) = program.wait_for("parked")
            assert refused["outlet"] == "mqtt"
            assert "Not authorized" in refused["text"]
            of = {r["seq"]: r["body"] for r in program.records()}
            assert of[refused["parked_seq"]]["record"] in {"determination", "episode"}
            broker.kill()
            rules.write_text(own + "topic readwrite #\n")
            broker.start()
            where = ("--config", str(program.config), "--json")

            def resent() -> bool:
                done = ran("resend", *where, status=None)
                return done.status == 0 and refused["parked_seq"] in json.loads(done.out)["delivered"]

            wait_until(resent, "the parked records to be delivered")
            program.wait_for("parked", state="delivered", parked_seq=refused["parked_seq"])
            assert program.end(signal.SIGTERM) == 0
    finally:
        broker.kill()
