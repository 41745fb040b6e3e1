"""The MQTT outlet: records in order at QoS 1 from a durable cursor, live values beside them at QoS 0.

A message's payload is the stored record, byte for byte, so a receiver can check the chain and drop
repeats by (ledger, seq). The cursor moves only on a positive acknowledgement: an outcome that is
not known is sent again. An acknowledgement is no receipt of durability, so everything stays in the
journal and the retained head shows a receiver what it lacks.
"""

import asyncio
import base64
import json
import sqlite3
from collections.abc import Awaitable, Callable, Iterable
from dataclasses import dataclass, field

import structlog

from quietcell.config.fields import is_loopback
from quietcell.core.records import Json
from quietcell.errors import ContractError
from quietcell.ledger.chain import Stored
from quietcell.ledger.cursors import Cursor, Cursors
from quietcell.ledger.ledger import Ledger
from quietcell.outlets.follower import Backoff, finish
from quietcell.outlets.mqtt_client import BrokerConnection, BrokerLostError
from quietcell.outlets.mqtt_contest import CONTESTED_S, Contest
from quietcell.outlets.mqtt_library import Answer, Broker, Heard, PublishRefusedError
from quietcell.outlets.mqtt_standing import Standing
from quietcell.outlets.mqtt_topics import (
    asked_on,
    messages_again,
    retained_value,
    still_holds,
    topics_of,
)

NAME = "mqtt"
SUSPECT_LOSSES = 5
"""A record at which the connection was lost so often, and nothing else went wrong, is parked."""
_NO_ANSWER = "an answer could not be sent"
MOST_WARNINGS = 200
"""Whoever asks chooses the topic of the answer, so that there is no end of different warnings."""
GOODBYE_S = 1.0
"""So long the broker may take to acknowledge a goodbye."""


@dataclass(slots=True, kw_only=True)
class _Sent:
    """A record on its way."""

    record: Stored
    body: dict[str, Json]
    answers: list[Answer] = field(default_factory=list)
    reply: Answer | None = None
    """To whoever asked for it; a refusal of it concerns the asker alone."""
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
        known = cursors.get(NAME).detail.get("parked", [])
        self.parked: list[int] = [seq for seq in known if seq <= self.seq]
        """Numbers of records the broker refused."""
        self.on_parked: Callable[[Stored, str], Awaitable[None]] | None = None
        """Told of each record parked, before the cursor moves past it; after a crash perhaps twice."""
        self.on_delivered: Callable[[Stored], Awaitable[None]] | None = None
        """Told of each parked record that the broker took after all."""
        self.hear: Callable[[Heard], None] | None = None
        """Told of every request that comes in; None asks for none."""
        self._standing = Standing(site, ledger.folder)
        self._connection: BrokerConnection | None = None
        self._suspect = (0, 0)
        """The record at which the connection was lost last, and how often in a row."""
        self._answered = False
        self._serving = False
        """True once this connection has taken the first message."""
        self._moved = asyncio.Event()
        self._settled = asyncio.Event()
        self._away: BrokerLostError | None = None
        """Why the broker is away, as last reported."""
        self._contest = Contest()
        self._warned: set[tuple[str, str]] = set()
        self._log = structlog.get_logger().bind(broker=f"{broker.host}:{broker.port}")

    @property
    def name(self) -> str:
        """Of its cursor."""
        return NAME

    @property
    def state(self) -> str:
        """How it stands, in a word or two."""
        parked = f", {len(self.parked)} parked" if self.parked else ""
        away = "broker away" if self._away is None else f"broker away: {self._away.message}"
        return ("connected" if self.working else away) + parked

    @property
    def connected(self) -> bool:
        """True while a broker is connected."""
        return self._connection is not None

    @property
    def working(self) -> bool:
        """True while records can be delivered, not just between two losses of a contested connection."""
        return self.connected and not self._contested

    @property
    def _contested(self) -> bool:
        return self._contest.holds(asyncio.get_running_loop().time())

    async def run(self) -> None:
        """Deliver until cancelled, through any number of lost connections."""
        if self._broker.protocol != "5":
            self._warn_once("MQTT 3.1.1 cannot tell a refused message from a delivered one; prefer 5")
        if (
            self._broker.password is not None
            and self._broker.tls is None
            and not is_loopback(self._broker.host)
        ):
            self._warn_once("the password crosses the network unencrypted, as outlets.mqtt allows")
        while True:
            self._answered = self._serving = False
            now_s = asyncio.get_running_loop().time
            began_s = now_s()
            try:
                async with BrokerConnection(self._broker, will=self._daemon("offline")) as connection:
                    await self._stay(connection)
            except BrokerLostError as error:
                await self._blame(error)
                known = self._contested
                if self._serving or error.rival:
                    error = self._contest.lost(error, began_s=began_s, now_s=now_s())
                if str(error) != str(self._away) or (error.rival and not known):
                    self._away = error
                    self._log.warning("broker away", text=str(error), delivered_to=self.seq)
            if (self._answered and not self._contested) or now_s() - began_s > CONTESTED_S:
                self._backoff.worked()
            await self._backoff.pause()

    async def _blame(self, error: BrokerLostError) -> None:
        """Count losses at one record; some brokers end the connection instead of refusing a message."""
        if not self._serving or not error.closed or self._ledger.seq <= self.seq:
            return
        seq, times = self._suspect
        self._suspect = (self.seq + 1, times + 1 if seq == self.seq + 1 else 1)
        if self._suspect[1] >= SUSPECT_LOSSES:
            (record,) = await self._ledger.run(lambda: self._ledger.journal.after(self.seq, limit=1))
            await self._park(record, f"lost {SUSPECT_LOSSES} connections while it was sent; {error}")
            self.seq = record.seq
            self._moved.set()
            self._contest.explained()

    @property
    def _one_by_one(self) -> bool:
        """True while one record of several in flight must be found that ends the connection."""
        return self._suspect == (self.seq + 1, self._suspect[1]) and self._suspect[1] > 1

    def _warn_once(self, event: str, **details: Json) -> None:
        if (event, str(details)) not in self._warned and len(self._warned) < MOST_WARNINGS:
            self._warned.add((event, str(details)))
            self._log.warning(event, **details)

    async def _stay(self, connection: BrokerConnection) -> None:
        """Use a connection until it is lost, or the outlet cancelled."""
        try:
            if (online := await self._retain(connection, *self._daemon("online"))) is not None:
                await connection.answered(online)
            self._connection = connection
            if not self._contested:
                self._away = None
                self._log.info("broker connected")
            self._serving = True
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
            asyncio.create_task(self._listen(connection), name="mqtt listening"),
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

    async def _listen(self, connection: BrokerConnection) -> None:
        """Ask for requests; what the broker does not allow is told once."""
        if self.hear is not None:
            refusal = await connection.listen(asked_on(self._site), self.hear)
            if refusal is not None:
                self._warn_once("no requests over MQTT", text=refusal)
        await asyncio.get_running_loop().create_future()

    # --- sending -------------------------------------------------------------------------------

    async def _send_all(self, connection: BrokerConnection, sent: asyncio.Queue[_Sent]) -> None:
        """Send what lies behind the cursor, then what comes; the head at first and whenever all is sent."""
        seq = self.seq
        for topic, value in (await self._standing.at(seq)).items():
            await self._retain(connection, topic, value)
        await self._say_head(connection)
        while True:
            for record in await self._ledger.after(seq):
                sent.put_nowait(await self._send(connection, record))
                seq = record.seq
                while self._one_by_one and self.seq < seq:
                    await self._settled.wait()
                    self._settled.clear()
            if seq == self._ledger.seq:
                await self._say_head(connection)

    async def _send(self, connection: BrokerConnection, record: Stored) -> _Sent:
        body = record.body()  # parsed once: it takes longer than all the rest
        sent = await self._send_to_topics(connection, record, body)
        asker = await self._asker_of(body)
        if asker is not None:
            topic, correlation = asker
            sent.reply = await self._or_told(
                _NO_ANSWER, connection, topic, record.text, correlation=correlation
            )
        return sent

    async def _send_to_topics(
        self, connection: BrokerConnection, record: Stored, body: dict[str, Json]
    ) -> _Sent:
        sent = _Sent(record=record, body=body)
        try:
            for topic in topics_of(self._site, body):
                sent.answers.append(await connection.send(topic, record.text))
            if (retained := retained_value(self._site, body, record.text)) is not None:
                sent.answers.append(await connection.send(*retained, retain=True))
        except (PublishRefusedError, ContractError) as error:
            sent.refusal = str(error)
        return sent

    async def _asker_of(self, body: dict[str, Json]) -> tuple[str, bytes | None] | None:
        """Return where the asker of a request wants this record, and what goes back with it."""
        if body["record"] == "determination" and isinstance(body.get("request"), str):
            asked = await self._ledger.run(lambda: self._ledger.journal.with_id(body["request"]))
            body = {} if asked is None else asked.body()
        if body.get("record") != "request" or "response_topic" not in body:
            return None
        data = body.get("correlation_data")
        return body["response_topic"], None if data is None else base64.b64decode(data)

    async def reply(self, topic: str, payload: dict[str, Json], correlation: bytes | None) -> bool:
        """Answer somebody who asked (QoS 1); returns False where no broker is connected."""
        if (connection := self._connection) is None:
            return False
        await self._or_told(_NO_ANSWER, connection, topic, json.dumps(payload), correlation=correlation)
        return True

    async def send_again(self, first: int, last: int) -> int:
        """Send stored records again, one after another, beside what is new; returns how many.

        Nothing goes out before its turn: the span ends at what has been delivered. No retained value
        changes either: what stood on a topic then may be over now.

        Raises
        ------
        BrokerLostError
            If no broker is connected, or the connection went away meanwhile.
        """
        count, last = 0, min(last, self.seq)
        while first <= last:
            page = await self._ledger.run(lambda: self._ledger.journal.after(first - 1, limit=100))  # noqa: B023 # run at once
            for record in page:
                if record.seq <= last:
                    count += 1 if await self._delivered(record, retain=False) else 0
            if not page:
                break
            first = page[-1].seq + 1
        return count

    async def send_parked(self) -> dict[str, Json]:
        """Send what the broker refused again; returns which numbers went and which are refused still.

        Raises
        ------
        BrokerLostError
            If no broker is connected, or the connection went away meanwhile.
        """
        delivered = []
        for seq in list(self.parked):
            (record,) = await self._ledger.run(lambda: self._ledger.journal.after(seq - 1, limit=1))  # noqa: B023 # run at once
            holds = await self._ledger.run(lambda: still_holds(self._ledger.journal, record))  # noqa: B023 # same
            if await self._delivered(record, retain=holds):
                self.parked.remove(seq)
                delivered.append(seq)
                if holds:
                    self._standing.delivered(record.body(), record.text)
                if self.on_delivered is not None:
                    await self.on_delivered(record)
                self._moved.set()
        return {"delivered": delivered, "parked": list(self.parked)}

    async def _delivered(self, record: Stored, *, retain: bool) -> bool:
        """Send a record and wait; False where the broker refuses it or it goes to no topic."""
        connection = self._connection
        if connection is None:
            raise BrokerLostError("no broker is connected", subject=str(self._broker))
        refused = False
        messages = messages_again(self._site, record, retain=retain)
        for topic, payload, kept in messages:
            try:
                answer = await connection.send(topic, payload, retain=kept)
            except PublishRefusedError:
                refused = True
                continue
            await connection.answered(answer)
            refused = refused or answer.refusal is not None
        return bool(messages) and not refused

    async def _say_head(self, connection: BrokerConnection) -> None:
        seq, head = self._ledger.head
        payload = {"ledger": self._ledger.id, "seq": seq, "hash": head}
        await self._retain(connection, f"quietcell/{self._site}/head", json.dumps(payload))

    async def _retain(self, connection: BrokerConnection, topic: str, payload: str) -> Answer | None:
        """Send a retained value; a broker that refuses it does not stop the records."""
        event = "broker refuses a retained value"
        return await self._or_told(event, connection, topic, payload, retain=True)

    async def _or_told(
        self,
        event: str,
        connection: BrokerConnection,
        topic: str,
        payload: str,
        *,
        retain: bool = False,
        correlation: bytes | None = None,
    ) -> Answer | None:
        """Send what parks no record; that it is refused, now or by the broker, is told."""

        def look(answer: asyncio.Future[Json]) -> None:
            if isinstance(answer, Answer) and (refusal := answer.refusal) is not None:
                self._warn_once(event, text=refusal)

        try:
            answer = await connection.send(topic, payload, retain=retain, correlation=correlation)
        except PublishRefusedError as error:
            self._warn_once(event, text=str(error))
            return None
        answer.add_done_callback(look)
        return answer

    async def _say_goodbye(self, connection: BrokerConnection) -> None:
        try:
            async with asyncio.timeout(GOODBYE_S):
                if (offline := await self._retain(connection, *self._daemon("offline"))) is not None:
                    await connection.answered(offline)
            await connection.disconnect()
        except (BrokerLostError, TimeoutError):
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
            self._settled.set()

    async def _settle(self, connection: BrokerConnection, sent: _Sent) -> None:
        refusals = [] if sent.refusal is None else [sent.refusal]
        for answer in sent.answers:
            await connection.answered(answer)
            if answer.refusal is not None:
                refusals.append(answer.refusal)
        if refusals:
            await self._park(sent.record, "; ".join(refusals))
        else:
            self._standing.delivered(sent.body, sent.record.text)
        if sent.reply is not None:
            await connection.answered(sent.reply)
        if sent.answers:
            self._answered = True
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
            try:
                connection.tell(f"quietcell/{self._site}/{name}", payload)
            except PublishRefusedError as error:
                self._warn_once("a live value is larger than the broker takes", topic=error.subject)
