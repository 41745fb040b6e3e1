"""An independent MQTT client that keeps what it receives, and a broker of Debian's to talk to."""

import json
import shutil
import socket
import subprocess
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, Self

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from quietcell.core.records import Json
from tests.support.ports import free_port


@contextmanager
def mosquitto() -> Iterator[int]:
    """Run Debian's broker on a free port of the loopback; skips where it is not installed."""
    program = shutil.which("mosquitto", path="/usr/sbin:/usr/bin:/usr/local/sbin:/usr/local/bin")
    if program is None:
        pytest.skip("mosquitto is not installed")
    port = free_port()
    process = subprocess.Popen(
        [program, "-p", str(port)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    try:
        deadline = time.monotonic() + 20  # noqa: TID251 # waits for a real process
        while True:
            try:
                socket.create_connection(("127.0.0.1", port), 1).close()
                break
            except OSError:
                assert time.monotonic() < deadline, "the broker did not start"  # noqa: TID251 # same
                time.sleep(0.02)
        yield port
    finally:
        process.terminate()
        process.wait(20)


class Consumer:
    """Subscribes to everything and keeps topic, payload and retain flag."""

    def __init__(self, port: int, *, protocol: MQTTProtocolVersion = MQTTProtocolVersion.MQTTv5) -> None:
        self.messages: list[tuple[str, dict[str, Json], bool]] = []
        self._subscribed = threading.Event()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=protocol)
        self._client.on_connect = self._connected
        self._client.on_subscribe = lambda *_: self._subscribed.set()
        self._client.on_message = self._received
        self._client.connect("127.0.0.1", port)

    def _connected(self, client: mqtt.Client, *_: Any) -> None:
        client.subscribe("quietcell/#", qos=1)

    def _received(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        # An empty payload clears a retained value.
        self.messages.append((message.topic, json.loads(message.payload or b"{}"), bool(message.retain)))

    def __enter__(self) -> Self:
        self._client.loop_start()
        assert self._subscribed.wait(20)
        return self

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def publish(self, topic: str, payload: dict[str, Json]) -> None:
        """Say something (QoS 1)."""
        self._client.publish(topic, json.dumps(payload), qos=1)

    def records(self, topic: str) -> list[dict[str, Json]]:
        """Return what came on topics with this ending, repeats by (ledger, seq) dropped."""
        seen: dict[tuple[str, int], dict[str, Json]] = {}
        for name, payload, _ in list(self.messages):
            if name.endswith(f"/{topic}") and payload:
                seen.setdefault((payload["ledger"], payload["seq"]), payload)
        return list(seen.values())
