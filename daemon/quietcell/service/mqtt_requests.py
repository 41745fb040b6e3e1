"""Requests by MQTT: for a determination, or for records once more.

``quietcell/{site}/{cell}/request`` holds ``{"sample_id": ..., "operator": ..., "reference": ...}``, all
optional. A request that counts is answered by its own stored record and then by that of its
determination, both sent by following the journal, so a restart in between loses neither. One that is
wrong, and a repeat of one known by its reference, is answered at once.
``quietcell/{site}/{cell}/alarm-request`` holds ``{"command": "alarm-acknowledge", "alarm": ...,
"operator": ..., "reason": ...}`` and is answered at once. ``quietcell/{site}/replay`` holds
``{"from_seq": ..., "to_seq": ...}``: those records go to their topics again.

Answers go to the response topic of the message (MQTT 5), or to the one its payload names. What a
broker kept is ignored: nobody asks now. What is hostile is answered with an error and changes nothing.
"""

import asyncio
import base64
import json
from contextlib import suppress
from dataclasses import replace
from typing import TYPE_CHECKING, Annotated, Self

import structlog
from pydantic import AfterValidator, Field, model_validator
from pydantic_core import PydanticCustomError

from quietcell.core.records import Json
from quietcell.errors import CommandError, OutletError, QuietcellError
from quietcell.service.commands import Arguments, Commands, checked

if TYPE_CHECKING:
    from quietcell.outlets.mqtt import MqttOutlet
    from quietcell.outlets.mqtt_library import Heard

LARGEST_BYTES = 16 * 1024
MOST_WAITING = 1000
"""Requests that wait for their turn; more are turned away. Some brokers hold nothing back, so what waits is
bounded here, in number and in size."""
LONGEST_SPAN = 10_000
"""Records sent again for one request."""
LARGEST_CORRELATION_BYTES = 1024
REPLY_S, _TRY_S = 10.0, 0.1
"""An answer that is not in the journal is dropped where no broker takes it for so long."""
_COMPLAINTS_EVERY_S = 60.0
ALARM_ACTS = ("alarm-acknowledge", "alarm-shelve", "alarm-unshelve", "sanitisation")
"""Commands that a message to ``quietcell/{site}/{cell}/alarm-request`` may name."""
_FROM_SENDER = frozenset({"sample_id", "operator", "reference"})


def answerable(topic: str, site: str) -> str:
    """Return a response topic once an answer may go there.

    Raises
    ------
    CommandError
        If it is none, or one that other programs read the daemon's own records from.
    """
    wrong = not 0 < len(topic.encode(errors="replace")) <= 500 or not topic.isprintable()
    if wrong or set(topic) & {"+", "#"} or topic.startswith(("$", f"quietcell/{site}/")):
        raise CommandError("no topic an answer may go to", subject="response_topic")
    return topic


def _seq(value: int) -> int:
    if not 1 <= value < 2**53:
        raise PydanticCustomError("no_seq", "must be the number of a record, from 1 on")
    return value


class Span(Arguments):
    """Asks for stored records once more."""

    from_seq: Annotated[int, AfterValidator(_seq)] = Field(description="Number of the first.")
    to_seq: Annotated[int, AfterValidator(_seq)] = Field(description="Number of the last.")

    @model_validator(mode="after")
    def _coherent(self) -> Self:
        if not 0 <= self.to_seq - self.from_seq < LONGEST_SPAN:
            raise PydanticCustomError("span", f"to_seq must be from_seq or up to {LONGEST_SPAN - 1} more")
        return self


class MqttRequests:
    """Takes requests from the broker, one after another.

    Parameters
    ----------
    site : str
        Name of the site.
    commands : Commands
        Of the daemon.
    outlet : MqttOutlet, optional
        Carries the answers; another may take its place while requests wait.
    """

    def __init__(self, site: str, commands: Commands, outlet: "MqttOutlet | None" = None) -> None:
        self._site = site
        self._commands = commands
        self.outlet = outlet
        self._waiting: asyncio.Queue[Heard] = asyncio.Queue(MOST_WAITING)
        self._again: asyncio.Task[None] | None = None
        self._turned_away = 0
        self._complained_s = -_COMPLAINTS_EVERY_S
        self._log = structlog.get_logger()

    def hear(self, heard: "Heard") -> None:
        """Take a message as it comes; nothing is waited for."""
        if heard.retained:
            self._log.info("retained request ignored", topic=heard.topic[:200])
            heard.done()
            return
        if len(heard.payload) > LARGEST_BYTES:
            heard = replace(heard, payload=heard.payload[: LARGEST_BYTES + 1])
        try:
            self._waiting.put_nowait(heard)
        except asyncio.QueueFull:
            self._turned_away += 1
            self._complain(heard, f"{MOST_WAITING} requests wait already")
            heard.done()

    async def run(self) -> None:
        """Work off what was heard, until cancelled."""
        try:
            while True:
                heard = await self._waiting.get()
                if heard.topic.endswith(f"/{self._site}/replay") and (
                    self._again is None or self._again.done()
                ):
                    heard.done()  # a long span holds no other request up
                    self._again = asyncio.create_task(self._work_off(heard), name="records again")
                else:
                    await self._work_off(heard)
                    heard.done()
        finally:
            if self._again is not None:
                self._again.cancel()
                await asyncio.wait({self._again})

    async def _work_off(self, heard: "Heard") -> None:
        topic: str | None = None
        answer: dict[str, Json] | None
        try:
            payload = _parsed(heard.payload)
            topic = self._response_topic(heard, payload)
            answer = await self._answer(heard, payload, topic)
        except QuietcellError as error:
            self._complain(heard, str(error))
            answer = {"ok": False, "error": str(error)}
            with suppress(CommandError):
                topic = topic or self._response_topic(heard, {})
        except Exception as error:  # noqa: BLE001 # whoever asks must not end the carrier
            self._complain(heard, f"broke: {type(error).__name__}", exc_info=error)
            answer = {"ok": False, "error": "the command broke by a mistake of the daemon; see its log"}
        if topic is not None and answer is not None:
            await self._reply(topic, answer, _correlation(heard))

    async def _reply(self, topic: str, answer: dict[str, Json], correlation: bytes | None) -> None:
        """Answer at once, or when a broker is there again soon: a reload connects anew."""
        for _ in range(round(REPLY_S / _TRY_S)):
            if self.outlet is not None and await self.outlet.reply(topic, answer, correlation):
                return
            await asyncio.sleep(_TRY_S)

    def _response_topic(self, heard: "Heard", payload: dict[str, Json]) -> str | None:
        named = payload.pop("response_topic", None)
        topic = heard.response_topic if heard.response_topic is not None else named
        if topic is None:
            return None
        if not isinstance(topic, str):
            raise CommandError("must be text", subject="response_topic")
        return answerable(topic, self._site)

    async def _answer(
        self, heard: "Heard", payload: dict[str, Json], topic: str | None
    ) -> dict[str, Json] | None:
        """Do what is asked; None where the journal brings the answer."""
        levels = heard.topic.split("/")
        if levels[2:] == ["replay"]:
            if asyncio.current_task() is not self._again:
                raise CommandError(
                    "records are being sent already; ask when they have come", subject="replay"
                )
            return await self._send_again(payload)
        if levels[3:] == ["alarm-request"]:
            name = payload.get("command")
            if name not in ALARM_ACTS:
                raise CommandError(f"must be one of {', '.join(ALARM_ACTS)}", subject="command")
            if payload.get("operator") is None:  # shell and page know who acts, a broker does not
                raise CommandError("must name who acts", subject="operator")
            return {"ok": True, **await self._commands[name]({**payload, "cell": levels[2], "via": "mqtt"})}
        if unknown := set(payload) - _FROM_SENDER:
            allowed = sorted({*_FROM_SENDER, "response_topic"})
            raise CommandError(f"only {', '.join(allowed)} belong in a request", subject=_name(unknown))
        request: dict[str, Json] = {**payload, "command": "request", "cell": levels[2], "via": "mqtt"}
        if topic is not None:
            request["response_topic"] = topic
            if (data := _correlation(heard)) is not None:
                request["correlation_data"] = base64.b64encode(data).decode()
        answer = await self._commands["request"](request)
        return {"ok": True, **answer} if answer["repeated"] else None

    async def _send_again(self, payload: dict[str, Json]) -> dict[str, Json]:
        span = checked(Span, {**payload, "command": "replay", "via": "mqtt"})
        if self.outlet is None:
            raise CommandError("no broker is configured", subject="replay")
        sent = await self.outlet.send_again(span.from_seq, span.to_seq)
        return {"ok": True, "from_seq": span.from_seq, "to_seq": span.to_seq, "sent": sent}

    def _complain(self, heard: "Heard", text: str, *, exc_info: Exception | None = None) -> None:
        """Log what is wrong, but not every message of a flood."""
        now_s = asyncio.get_running_loop().time()
        if now_s - self._complained_s >= _COMPLAINTS_EVERY_S:
            self._complained_s = now_s
            self._log.warning(
                "request refused",
                topic=heard.topic[:200],
                text=text,
                turned_away=self._turned_away,
                exc_info=exc_info,
            )


class ParkedAgain:
    """The command ``resend``: what a broker refused goes out again."""

    def __init__(self, outlet: "MqttOutlet | None") -> None:
        self._outlet = outlet

    async def command(self, request: dict[str, Json]) -> dict[str, Json]:
        """Send; returns ``delivered`` and ``parked``, numbers of records.

        Raises
        ------
        CommandError
            If no broker is connected, or none is configured.
        """
        checked(Arguments, request)
        if self._outlet is None:
            hint = "Name one in [outlets.mqtt], then `quietcell reload`"
            raise CommandError("no broker is configured", subject="resend", hint=hint)
        try:
            return await self._outlet.send_parked()
        except OutletError as error:
            raise CommandError(str(error)) from error


def _parsed(payload: bytes) -> dict[str, Json]:
    if len(payload) > LARGEST_BYTES:
        raise CommandError(f"more than {LARGEST_BYTES} bytes", subject="request")
    if not payload:  # as it is sent to clear a retained message: nobody asks for anything
        raise CommandError("empty; send a JSON object, {} at least", subject="request")
    try:
        parsed = json.loads(payload.decode())
    except (ValueError, RecursionError):
        raise CommandError("no JSON in UTF-8", subject="request") from None
    if not isinstance(parsed, dict):
        raise CommandError("no JSON object", subject="request")
    return parsed


def _name(unknown: set[str]) -> str:
    name = min(unknown)
    return name[:40] if name.isprintable() else "a key"


def _correlation(heard: "Heard") -> bytes | None:
    if heard.correlation is None or len(heard.correlation) > LARGEST_CORRELATION_BYTES:
        return None
    return heard.correlation
