"""The MQTT outlet: records in order at QoS 1 from a durable cursor, live values beside them at QoS 0.

A message's payload is the stored record, byte for byte, so a receiver can check the chain and drop
repeats by (ledger, seq). The cursor moves only on a positive acknowledgement: an outcome that is
not known is sent again. An acknowledgement is no receipt of durability, so everything stays in the
journal and the retained head shows a receiver what it lacks.
"""

import asyncio
import json
import re
import sqlite3
from collections.abc import Awaitable, Callable, Iterable
from dataclasses import dataclass, field

import structlog

from quietcell.config.fields import NAME_PATTERN
from quietcell.core.alarms.states import SHOWN, AlarmState
from quietcell.core.records import Json
from quietcell.errors import ContractError
from quietcell.ledger.chain import Stored
from quietcell.ledger.cursors import Cursor, Cursors
from quietcell.ledger.ledger import Ledger
from quietcell.outlets.follower import RETRY_LONGEST_S, Backoff, finish
from quietcell.outlets.mqtt_client import (
    Answer,
    Broker,
    BrokerConnection,
    BrokerLostError,
    PublishRefusedError,
)

NAME = "mqtt"
OPEN_TOPICS = {"episode": "episode", "doubt": "doubt"}
RESULTS = ("accepted", "qualified")
GOODBYE_S = 1.0
"""So long the broker may take to acknowledge a goodbye."""
_NAME = re.compile(NAME_PATTERN)


def retained_value(site: str, body: dict[str, Json], payload: str) -> tuple[str, str] | None:
    """Return topic and retained payload a record leaves behind; an empty payload clears what stood there.

    An alarm stands on its topic for as long as people should see it.
    """
    if body["record"] != "alarm":
        return None
    topic = f"quietcell/{site}/{body['cell']}/alarm/{body['alarm']}"
    return topic, payload if AlarmState(body["state"]) in SHOWN else ""


def topics_of(site: str, body: dict[str, Json]) -> list[str]:
    """Return the topics a record goes to, none for what stays in the ledger.

    Raises
    ------
    ContractError
        If the cell's name could not be one level of a topic.

    Examples
    --------
    >>> topics_of("merrow-sound", {"record": "determination", "cell": "larval-hall", "verdict": "accepted"})
    ['quietcell/merrow-sound/larval-hall/determination', 'quietcell/merrow-sound/larval-hall/result']
    """
    names = [OPEN_TOPICS[body["record"]]] if body["record"] in OPEN_TOPICS else []
    if body["record"] == "alarm" and AlarmState(body["state"]) not in SHOWN:
        names = [f"alarm/{body['alarm']}"]  # that it is over is told once; while shown it is retained
    if body["record"] == "determination":
        names = (
            ["determination", "result"] if body["verdict"] in {"accepted", "qualified"} else ["determination"]
        )
    if names and not _NAME.match(body["cell"]):
        raise ContractError(f"cell is {body['cell']!r}; no name that a topic could hold")
    return [f"quietcell/{site}/{body['cell']}/{name}" for name in names]


@dataclass(slots=True, kw_only=True)
class _Sent:
    """A record on its way."""

    record: Stored
    answers: list[Answer] = field(default_factory=list)
    refusal: str | None = None
    """Why it was not even sent."""


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
    backoff : Backoff or None
        Pauses between connections; None for the usual ones.
    """

    def __init__(
        self, site: str, broker: Broker, ledger: Ledger, cursors: Cursors, *, backoff: Backoff | None = None
    ) -> None:
        self._site = site
        self._broker = broker
        self._ledger = ledger
        self._cursors = cursors
        self._backoff = backoff or Backoff()
        self.seq = cursors.get(NAME).seq
        self.parked: list[int] = list(cursors.get(NAME).detail.get("parked", []))
        """Numbers of records the broker refused."""
        self.on_parked: Callable[[Stored, str], Awaitable[None]] | None = None
        """Told of each record parked, before the cursor moves past it; after a crash perhaps twice."""
        self._connection: BrokerConnection | None = None
        self._answered = False
        self._moved = asyncio.Event()
        self._away = ""
        """Why the broker is away, as last reported."""
        self._warned: set[tuple[str, str]] = set()
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

    @property
    def working(self) -> bool:
        """True while records can be delivered."""
        return self.connected

    async def run(self) -> None:
        """Deliver until cancelled, through any number of lost connections."""
        if self._broker.protocol != "5":
            self._warn_once("MQTT 3.1.1 cannot tell a refused message from a delivered one; prefer 5")
        while True:
            self._answered = False
            began_s = asyncio.get_running_loop().time()
            try:
                async with BrokerConnection(self._broker, will=self._daemon("offline")) as connection:
                    await self._stay(connection)
            except BrokerLostError as error:
                if str(error) != self._away:
                    self._away = str(error)
                    self._log.warning("broker away", text=self._away, delivered_to=self.seq)
            if self._answered or asyncio.get_running_loop().time() - began_s > RETRY_LONGEST_S:
                self._backoff.worked()
            await self._backoff.pause()

    def _warn_once(self, event: str, **details: Json) -> None:
        if (event, str(details)) not in self._warned:
            self._warned.add((event, str(details)))
            self._log.warning(event, **details)

    async def _stay(self, connection: BrokerConnection) -> None:
        """Use a connection until it is lost, or the outlet cancelled."""
        try:
            online = await self._retain(connection, *self._daemon("online"))
            await connection.answered(online)
            self._log.info("broker connected")
            self._connection = connection
            await self._serve(connection)
        except asyncio.CancelledError:
            await self._say_goodbye(connection)
            raise
        finally:
            self._connection = None

    async def _serve(self, connection: BrokerConnection) -> None:
        """Send and settle side by side, so that the window is never idle."""
        sent: asyncio.Queue[_Sent] = asyncio.Queue()
        work = [
            asyncio.create_task(self._send_all(connection, sent), name="mqtt sending"),
            asyncio.create_task(self._settle_all(connection, sent), name="mqtt settling"),
            asyncio.create_task(self._keep_cursor(), name="mqtt cursor"),
        ]
        try:
            await asyncio.wait({*work, connection.gone}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in work:
                task.cancel()
            ends = await asyncio.gather(*work, return_exceptions=True)
        for end in ends:
            if isinstance(end, Exception):
                raise end
        raise connection.lost()

    # --- sending -------------------------------------------------------------------------------

    async def _send_all(self, connection: BrokerConnection, sent: asyncio.Queue[_Sent]) -> None:
        """Send what lies behind the cursor, then what comes; the head at first and whenever all is sent."""
        seq = self.seq
        await self._say_head(connection)
        while True:
            for record in await self._ledger.after(seq):
                sent.put_nowait(await self._send(connection, record))
                seq = record.seq
            if seq == self._ledger.seq:
                await self._say_head(connection)

    async def _send(self, connection: BrokerConnection, record: Stored) -> _Sent:
        sent = _Sent(record=record)
        try:
            for topic in topics_of(self._site, record.body()):
                sent.answers.append(await connection.send(topic, record.text))
            if (retained := retained_value(self._site, record.body(), record.text)) is not None:
                sent.answers.append(await connection.send(*retained, retain=True))
        except (PublishRefusedError, ContractError) as error:
            sent.refusal = str(error)
        return sent

    async def _say_head(self, connection: BrokerConnection) -> None:
        seq, head = self._ledger.head
        payload = {"ledger": self._ledger.id, "seq": seq, "hash": head}
        await self._retain(connection, f"quietcell/{self._site}/head", json.dumps(payload))

    async def _retain(self, connection: BrokerConnection, topic: str, payload: str) -> Answer:
        """Send a retained value; a broker that refuses it does not stop the records."""

        def look(answer: asyncio.Future[Json]) -> None:
            if isinstance(answer, Answer) and (refusal := answer.refusal) is not None:
                self._warn_once("broker refuses a retained value", text=refusal)

        answer = await connection.send(topic, payload, retain=True)
        answer.add_done_callback(look)
        return answer

    async def _say_goodbye(self, connection: BrokerConnection) -> None:
        try:
            async with asyncio.timeout(GOODBYE_S):
                answer = await self._retain(connection, *self._daemon("offline"))
                await connection.answered(answer)
            await connection.disconnect()
        except (BrokerLostError, PublishRefusedError, TimeoutError):
            self._log.info("could not say goodbye to the broker; its will speaks for us")

    def _daemon(self, state: str) -> tuple[str, str]:
        """Return topic and payload that tell whether the daemon lives."""
        payload = {"state": state, "ledger": self._ledger.id, "seq": self._ledger.seq}
        return f"quietcell/{self._site}/daemon", json.dumps(payload)

    # --- settling ------------------------------------------------------------------------------

    async def _settle_all(self, connection: BrokerConnection, sent: asyncio.Queue[_Sent]) -> None:
        """Move past what is answered, in order."""
        while True:
            await self._settle(connection, await sent.get())
            self._moved.set()

    async def _settle(self, connection: BrokerConnection, sent: _Sent) -> None:
        refusals = [] if sent.refusal is None else [sent.refusal]
        for answer in sent.answers:
            await connection.answered(answer)
            if answer.refusal is not None:
                refusals.append(answer.refusal)
        if refusals:
            await self._park(sent.record, "; ".join(refusals))
        if sent.answers:
            self._answered = True
            self._away = ""
        self.seq = sent.record.seq

    async def _park(self, record: Stored, why: str) -> None:
        if record.seq not in self.parked:
            self.parked.append(record.seq)
        self._log.error("record parked", seq=record.seq, text=why)
        if self.on_parked is not None:
            await self.on_parked(record, why)

    async def _keep_cursor(self) -> None:
        """Store the cursor as it moves, several steps at once where the disk is slower than the broker."""
        while True:
            await self._moved.wait()
            self._moved.clear()
            cursor = Cursor(self.seq, {"parked": list(self.parked)})
            try:
                await finish(asyncio.to_thread(self._cursors.put, NAME, cursor))
            except sqlite3.Error as error:  # only costs repeats after a restart
                self._warn_once("cursor not kept", text=str(error))

    # --- live values ---------------------------------------------------------------------------

    async def publish_live(self, messages: Iterable[tuple[str, dict[str, Json]]]) -> None:
        """Publish values nobody has accepted (QoS 0); dropped while the broker is away."""
        if (connection := self._connection) is None:
            return
        for name, value in messages:
            payload = json.dumps({**value, "ledger": self._ledger.id, "seq": self._ledger.seq})
            connection.tell(f"quietcell/{self._site}/{name}", payload)
