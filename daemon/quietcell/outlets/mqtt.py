"""The MQTT outlet: records in order at QoS 1 from a durable cursor, live values beside them at QoS 0.

A message's payload is the stored record, byte for byte, so a receiver can check the chain and drop
repeats by (ledger, seq). The cursor moves only on a positive acknowledgement: an outcome that is
not known is sent again. An acknowledgement is no receipt of durability, so everything stays in the
journal and the retained head shows a receiver what it lacks.
"""

import asyncio
import json
from collections.abc import Awaitable, Callable, Iterable

import structlog

from quietcell.core.records import Json
from quietcell.ledger.chain import Stored
from quietcell.ledger.cursors import Cursor, Cursors
from quietcell.ledger.ledger import Ledger
from quietcell.outlets.follower import Backoff
from quietcell.outlets.mqtt_client import Broker, BrokerConnection, BrokerLostError, PublishRefusedError

NAME = "mqtt"
WINDOW = 20
"""Records in flight at once."""
OPEN_TOPICS = {"episode": "episode", "doubt": "doubt"}


def topics_of(site: str, body: dict[str, Json]) -> list[str]:
    """Return the topics a record goes to, none for what stays in the ledger.

    Examples
    --------
    >>> topics_of("merrow-sound", {"record": "determination", "cell": "larval-hall", "verdict": "accepted"})
    ['quietcell/merrow-sound/larval-hall/determination', 'quietcell/merrow-sound/larval-hall/result']
    """
    base = f"quietcell/{site}/{body['cell']}"
    if body["record"] == "determination":
        topics = [f"{base}/determination"]
        if body["verdict"] in {"accepted", "qualified"}:
            topics.append(f"{base}/result")
        return topics
    if body["record"] in OPEN_TOPICS:
        return [f"{base}/{OPEN_TOPICS[body['record']]}"]
    return []


class MqttOutlet:
    """Follows the ledger and publishes.

    Parameters
    ----------
    site : str
        Name of the site, part of every topic.
    broker : Broker
        Where to.
    ledger : Ledger
        What to follow.
    cursors : Cursors
        Where the outlet stands.
    """

    def __init__(self, site: str, broker: Broker, ledger: Ledger, cursors: Cursors) -> None:
        self._site = site
        self._broker = broker
        self._ledger = ledger
        self._cursors = cursors
        self.seq = cursors.get(NAME).seq
        self.parked: list[int] = list(cursors.get(NAME).detail.get("parked", []))
        """Numbers of records the broker refused."""
        self.on_parked: Callable[[Stored, str], Awaitable[None]] | None = None
        self._connection: BrokerConnection | None = None
        self._refused_values: set[str] = set()
        self._log = structlog.get_logger().bind(broker=f"{broker.host}:{broker.port}")

    @property
    def name(self) -> str:
        """Of its cursor."""
        return NAME

    @property
    def state(self) -> str:
        """How it stands, in a word or two."""
        return "connected" if self.connected else "broker away"

    @property
    def connected(self) -> bool:
        """True while a broker is connected."""
        return self._connection is not None

    async def run(self) -> None:
        """Deliver until cancelled, through any number of lost connections."""
        backoff = Backoff()
        reported = ""
        while True:
            try:
                async with BrokerConnection(self._broker, will=self._daemon("offline")) as connection:
                    self._log.info("broker connected")
                    try:
                        await self._serve(connection, backoff)
                    finally:
                        self._connection = None
            except BrokerLostError as error:
                if str(error) != reported:
                    self._log.warning("broker away", text=str(error))
                    reported = str(error)
            await backoff.pause()

    async def _serve(self, connection: BrokerConnection, backoff: Backoff) -> None:
        await self._say(connection, *self._daemon("online"))
        self._connection = connection
        backoff.worked()
        try:
            while True:
                records = await self._ledger.after(self.seq)
                await self._deliver(connection, records)
                seq, head = self._ledger.head
                payload = {"ledger": self._ledger.id, "seq": seq, "hash": head}
                await self._say(connection, f"quietcell/{self._site}/head", json.dumps(payload))
        except asyncio.CancelledError:
            await self._say_goodbye(connection)
            raise

    async def _say(self, connection: BrokerConnection, topic: str, payload: str) -> None:
        """Publish a retained value; a broker that refuses it does not stop the records."""
        try:
            await connection.publish(topic, payload, retain=True)
        except PublishRefusedError as error:
            if topic not in self._refused_values:
                self._log.warning("broker refuses a retained value", text=str(error))
                self._refused_values.add(topic)

    async def _say_goodbye(self, connection: BrokerConnection) -> None:
        try:
            await asyncio.wait_for(connection.publish(*self._daemon("offline"), retain=True), 2.0)
        except (BrokerLostError, PublishRefusedError, TimeoutError):
            self._log.info("could not say goodbye to the broker; its will speaks for us")

    def _daemon(self, state: str) -> tuple[str, str]:
        """Return topic and payload that tell whether the daemon lives."""
        payload = {"state": state, "ledger": self._ledger.id, "seq": self._ledger.seq}
        return f"quietcell/{self._site}/daemon", json.dumps(payload)

    async def _deliver(self, connection: BrokerConnection, records: list[Stored]) -> None:
        """Publish records in order with a small window; the cursor follows the contiguous ones."""
        for start in range(0, len(records), WINDOW):
            window = records[start : start + WINDOW]
            sends = [asyncio.create_task(self._publish_record(connection, record)) for record in window]
            outcomes = await asyncio.gather(*sends, return_exceptions=True)
            for record, outcome in zip(window, outcomes, strict=True):
                if isinstance(outcome, PublishRefusedError):
                    await self._park(record, str(outcome))
                elif isinstance(outcome, BaseException):
                    raise outcome
                self.seq = record.seq
            self._cursors.put(NAME, Cursor(self.seq, {"parked": self.parked}))

    async def _publish_record(self, connection: BrokerConnection, record: Stored) -> None:
        for topic in topics_of(self._site, record.body()):
            await connection.publish(topic, record.text)

    async def _park(self, record: Stored, why: str) -> None:
        self.parked.append(record.seq)
        self._log.error("record parked", seq=record.seq, text=why)
        if self.on_parked is not None:
            await self.on_parked(record, why)

    async def publish_live(self, messages: Iterable[tuple[str, dict[str, Json]]]) -> None:
        """Publish values nobody has accepted (QoS 0); dropped while the broker is away."""
        connection = self._connection
        if connection is None:
            return
        try:
            for name, value in messages:
                payload = json.dumps({**value, "ledger": self._ledger.id, "seq": self._ledger.seq})
                await connection.publish(f"quietcell/{self._site}/{name}", payload, qos=0)
        except BrokerLostError:
            self._log.debug("live value dropped")
