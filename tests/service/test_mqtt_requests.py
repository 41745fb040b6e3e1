"""Whatever anybody sends to the topics of requests gets an error at most, and changes nothing."""

import asyncio
import base64
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from functools import partial
from pathlib import Path
from typing import Any
from unittest.mock import Mock

import paho.mqtt.client as paho
import pytest
import structlog
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from quietcell.core.records import Json
from quietcell.errors import QuietcellError
from quietcell.outlets.mqtt_library import Heard
from quietcell.service import mqtt_requests
from quietcell.service.commands import Commands
from quietcell.service.mqtt_requests import MqttRequests
from tests.support.cell_bench import CELL, Measuring
from tests.support.consumer import mosquitto
from tests.support.delivery import Delivery
from tests.support.interface import faults_of_answer
from tests.support.until import cancelled, until

SITE = "merrow-sound"
TOPIC = f"quietcell/{SITE}/{CELL}/request"
REPLAY = f"quietcell/{SITE}/replay"
ALARM = f"quietcell/{SITE}/{CELL}/alarm-request"


class Outlet:
    """Keeps what would be answered."""

    def __init__(self) -> None:
        self.replies: list[tuple[str, dict[str, Json]]] = []
        self.spans: list[tuple[int, int]] = []

    async def reply(self, topic: str, payload: dict[str, Json], correlation: bytes | None) -> bool:
        assert correlation == b"7"
        json.dumps(payload).encode()
        self.replies.append((topic, payload))
        return True

    async def send_again(self, first: int, last: int) -> int:
        self.spans.append((first, last))
        return last - first + 1


def heard(payload: bytes | dict[str, Json] = b"{}", *, topic: str = TOPIC, **changes: Any) -> Heard:
    told = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
    plain = {"topic": topic, "payload": told, "retained": False, "response_topic": "lims/answers"}
    return Heard(**{**plain, "correlation": b"7", **changes})


@asynccontextmanager
async def listening(commands: Commands) -> AsyncIterator[tuple[MqttRequests, Outlet]]:
    outlet = Outlet()
    requests = MqttRequests(SITE, commands, outlet)  # type: ignore[arg-type] # the least of an outlet
    running = asyncio.create_task(requests.run())
    yield requests, outlet
    await cancelled(running)


@pytest.mark.parametrize(
    ("message", "text"),
    [
        (heard(b""), "empty; send a JSON object"),
        (heard(b"[" * 10_000), "no JSON"),
        (heard(b'{"a":' * 3000), "no JSON"),
        (heard(b"9" * 10_000), "no JSON"),
        (heard(b"\xff\xfe{}"), "no JSON"),
        (heard(b'"S-17"'), "no JSON object"),
        (heard(b"{" + b" " * 20_000 + b"}"), "more than 16384 bytes"),
        (heard({"sample_id": 17}), "sample_id: "),
        (heard({"sample_id": "S\0"}), "sample_id: "),
        (heard(b'{"sample_id": "\\ud800"}'), "sample_id: "),
        (heard(b'{"sample_id": NaN}'), "sample_id: "),
        (heard({"sample_id": ["S"]}), "sample_id: "),
        (heard({"launch": 1}), "launch: only operator, reference, response_topic, sample_id belong"),
        (heard(b'{"\\ud800": 1}'), "a key"),
        (heard({"via": "page"}), "via"),
        (heard({"cell": CELL}), "cell"),
        (heard(topic=f"quietcell/{SITE}/boiler-room/request"), "no cell boiler-room"),
        (heard(topic=f"quietcell/{SITE}/../request"), "cell: "),
        (heard(topic=f"quietcell/{SITE}//request"), "cell: "),
        (heard({"command": "reload"}, topic=ALARM), "command: must be one of alarm-acknowledge"),
        (heard({"command": ["alarm-shelve"]}, topic=ALARM), "command: must be one of"),
        (heard({"command": "alarm-unshelve", "alarm": "no-result"}, topic=ALARM), "operator: must name"),
        (heard({"from_seq": 1}, topic=REPLAY), "to_seq: "),
        (heard({"from_seq": "1", "to_seq": 2}, topic=REPLAY), "from_seq: "),
        (heard({"from_seq": 1, "to_seq": 20_000}, topic=REPLAY), "to_seq must be"),
        (heard({"from_seq": 2**70, "to_seq": 2**70 + 1}, topic=REPLAY), "from_seq: must be the number"),
        (heard({"from_seq": -(2**70), "to_seq": 1}, topic=REPLAY), "from_seq: must be the number"),
    ],
)
async def test_a_hostile_message_gets_an_error_and_changes_nothing(
    tmp_path: Path, message: Heard, text: str
) -> None:
    async with (
        Measuring(tmp_path, mode="on-request") as measuring,
        listening(measuring.requests.commands()) as (requests, outlet),
    ):
        await measuring.ledger.flush()
        before = measuring.bodies()
        requests.hear(message)
        await until(lambda: bool(outlet.replies))
        ((topic, reply),) = outlet.replies
        assert (topic, reply["ok"]) == ("lims/answers", False)
        assert text in reply["error"]
        assert faults_of_answer(message.topic, reply) == []
        await measuring.ledger.flush()
        assert measuring.bodies() == before
        assert outlet.spans == []


@pytest.mark.parametrize(
    "topic", ["", "a/+", "#", "$SYS/x", "a\0b", "a\nb", "x" * 501, f"quietcell/{SITE}/{CELL}/result", TOPIC]
)
async def test_no_answer_goes_to_a_topic_that_is_none_or_the_daemons_own(tmp_path: Path, topic: str) -> None:
    async with (
        Measuring(tmp_path, mode="on-request") as measuring,
        listening(measuring.requests.commands()) as (requests, outlet),
    ):
        await measuring.ledger.flush()
        before = measuring.bodies()
        requests.hear(heard(response_topic=topic))
        requests.hear(heard(b"{"))
        await until(lambda: bool(outlet.replies))  # to the second: the first was dealt with before
        assert len(outlet.replies) == 1
        assert measuring.bodies() == before


async def test_a_command_that_breaks_and_a_flood_end_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mqtt_requests, "MOST_WAITING", 32)

    async def request(_request: dict[str, Json]) -> dict[str, Json]:
        raise ZeroDivisionError

    async with listening({"request": request}) as (requests, outlet):
        for _ in range(32 + 50):
            requests.hear(heard())
        await until(lambda: len(outlet.replies) == 32)
        assert all("a mistake of the daemon" in reply["error"] for _, reply in outlet.replies)
        requests.hear(heard(b"{"))
        await until(lambda: len(outlet.replies) == 33)


@pytest.mark.broker
async def test_a_burst_through_a_real_broker_is_answered_to_the_last(tmp_path: Path) -> None:
    answers: list[bytes] = []
    with mosquitto() as port:
        client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)

        def subscribe(*_: object) -> None:
            client.subscribe("lims/answers", qos=1)

        def keep(_client: object, _data: object, message: paho.MQTTMessage) -> None:
            answers.append(getattr(message.properties, "CorrelationData", b""))

        client.on_connect, client.on_message = subscribe, keep
        client.connect("127.0.0.1", port)
        client.loop_start()
        async with Delivery(tmp_path, port) as delivery:
            requests = MqttRequests(SITE, {}, delivery.outlet)
            delivery.outlet.hear = requests.hear  # before the outlet's first turn
            running = asyncio.create_task(requests.run())

            def ask(correlation: bytes) -> None:
                properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call] # the library's
                properties.ResponseTopic, properties.CorrelationData = "lims/answers", correlation
                client.publish(TOPIC, b"{", qos=1, properties=properties)

            while not answers:  # nobody hears before both have subscribed
                ask(b"ready")
                await asyncio.sleep(0.05)
            for number in range(300):
                ask(b"%d" % number)
            await until(lambda: answers[-1] == b"299")
            await cancelled(running)
        client.disconnect()
        client.loop_stop()
    assert [answer for answer in answers if answer != b"ready"] == [b"%d" % number for number in range(300)]


async def test_what_cannot_be_done_is_answered_to_a_topic_named_in_the_message_too() -> None:
    async with listening({}) as (requests, outlet):
        asked = {"command": "none", "response_topic": "lims/answers"}  # as MQTT 3.1.1 has it
        requests.hear(heard(asked, topic=ALARM, response_topic=None))
        await until(lambda: bool(outlet.replies))
        assert [(topic, reply["ok"]) for topic, reply in outlet.replies] == [("lims/answers", False)]


async def test_a_retained_request_is_ignored_and_one_without_a_response_topic_counts() -> None:
    asked, done = [], Mock()

    async def request(request: dict[str, Json]) -> dict[str, Json]:
        asked.append(request)
        raise QuietcellError("no matter")

    async with listening({"request": request}) as (requests, outlet):
        requests.hear(heard({"sample_id": "S-0"}, retained=True, done=done))
        done.assert_called_once()  # else the broker waits for it for ever
        requests.hear(heard({"sample_id": "S-1"}, response_topic=None))
        await until(lambda: bool(asked))
        assert [one["sample_id"] for one in asked] == ["S-1"]
        assert outlet.replies == []


async def test_the_answer_to_a_request_that_counts_goes_where_and_with_what_its_message_says() -> None:
    asked: list[dict[str, Json]] = []

    async def request(request: dict[str, Json]) -> dict[str, Json]:
        asked.append(request)
        return {"repeated": False}

    async with listening({"request": request}) as (requests, outlet):
        requests.hear(heard({"sample_id": "S-1"}))
        requests.hear(heard({"sample_id": "S-2"}, correlation=None))
        await until(lambda: len(asked) == 2)
        assert outlet.replies == []  # the journal brings it
    told = [(one["response_topic"], one.get("correlation_data")) for one in asked]
    assert told == [("lims/answers", base64.b64encode(b"7").decode()), ("lims/answers", None)]


async def test_a_flood_of_wrong_messages_is_told_once_a_minute() -> None:
    async with listening({}) as (requests, outlet):

        def replied(times: int) -> bool:
            return len(outlet.replies) == times

        with structlog.testing.capture_logs() as logs:
            for number in range(1, 4):
                requests.hear(heard(b"{"))
                await until(partial(replied, number))
            assert len(logs) == 1
            requests._complained_s -= 60.0
            requests.hear(heard(b"{"))
            await until(lambda: len(outlet.replies) == 4)
            assert len(logs) == 2


async def test_an_alarm_is_acknowledged_by_message_with_who_and_why() -> None:
    asked: list[dict[str, Json]] = []

    async def acknowledge(request: dict[str, Json]) -> dict[str, Json]:
        asked.append(request)
        return {"state": "acknowledged"}

    act = {"command": "alarm-acknowledge", "alarm": "meter-silent", "operator": "M. Tarn", "reason": "seen"}
    async with listening({"alarm-acknowledge": acknowledge}) as (requests, outlet):
        requests.hear(heard({**act, "via": "page"}, topic=ALARM))
        await until(lambda: bool(outlet.replies))
    assert asked == [{**act, "cell": CELL, "via": "mqtt"}]
    assert outlet.replies == [("lims/answers", {"ok": True, "state": "acknowledged"})]
