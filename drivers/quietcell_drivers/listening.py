"""Listen to an unknown meter: try line settings, collect what it sends, propose a section to paste."""

import asyncio
import json
import math
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import ValidationError

from quietcell.errors import DriverError, PortUnavailableError, UsageError
from quietcell_drivers.line_format import unescape
from quietcell_drivers.machine_clock import MachineClock
from quietcell_drivers.message_shape import Chunks, messages
from quietcell_drivers.port import open_port
from quietcell_drivers.port_settings import SOCKET_SCHEME, PortSettings
from quietcell_drivers.proposal import Proposal, propose

ENOUGH_MESSAGES = 12
MOST_BYTES = 64 * 1024
_TRIAL_S = 3.0
_ASK_EVERY_S = 0.5
_SERVER_TRIES, _SERVER_REST_S = 3, 1.0
_NONSENSE_BYTES = 300
"""So much that makes no sense will make none later."""
_USUAL = ((9600, 8, "none"), (19200, 8, "none"), (115200, 8, "none"), (38400, 8, "none"), (57600, 8, "none"))
_RARE = (
    (4800, 8, "none"), (2400, 8, "none"), (1200, 8, "none"), (9600, 7, "even"), (19200, 8, "even"),
    (9600, 8, "even"), (4800, 7, "even"), (2400, 7, "even"), (1200, 7, "even"), (9600, 7, "odd"),
    (600, 7, "even"), (300, 7, "even"), (600, 8, "none"), (300, 8, "none"),
)  # fmt: skip
_FORMS = ((8, "none"), (7, "even"), (8, "even"), (7, "odd"), (8, "odd"))
"""All common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """What listening found."""

    lines: tuple[str, ...]
    """The first messages, printable characters only."""
    numbers: tuple[str, ...]
    """The numbers that move or were given a meaning, in words."""
    section: str
    """What to paste into the configuration; empty if nothing could be proposed."""
    advice: str
    """What to do where nothing could be proposed."""
    every_s: float | None = None
    """Time from one message to the next, s, of a meter that sends by itself."""


class _Ear:
    """Keeps what comes; bounded."""

    def __init__(self) -> None:
        self.chunks: list[tuple[int, bytes]] = []
        self.size = 0
        self.error: DriverError | None = None

    def received(self, boot_ms: int, data: bytes) -> None:
        if self.size < MOST_BYTES:
            self.chunks.append((boot_ms, data))
            self.size += len(data)

    def damaged(self, size: int) -> None:
        self.size += size

    def lost(self, error: DriverError) -> None:
        self.error = error

    def data(self) -> bytes:
        """Return all bytes."""
        return b"".join(content for _, content in self.chunks)

    def sense(self) -> float:
        """Return the share of bytes that belong to text; UTF-8 and the signs of units do."""
        data = self.data()
        try:
            text = data.decode("utf-8")
        except UnicodeDecodeError:
            text = data.decode("latin-1")
        good = sum(c.isascii() and (c.isprintable() or c in "\r\n\t\x02\x03\x04\x05\x06") for c in text)
        good += sum(text.count(c) for c in "µμ°ΩΩ·²³−±")
        return good / max(1, len(text))


def _candidates(port: str, baud: int | None) -> Iterator[PortSettings]:
    if port.startswith(SOCKET_SCHEME):
        yield PortSettings(port=port)
        return
    lines = (*_USUAL, *_RARE) if baud is None else tuple((baud, bits, parity) for bits, parity in _FORMS)
    for speed, bits, parity in lines:
        yield PortSettings.model_validate({"port": port, "baud": speed, "data_bits": bits, "parity": parity})


async def listen(
    port: str, *, seconds: float, question: str, baud: int | None, tell: Callable[[str], None]
) -> Heard:
    """Listen to a port and propose settings.

    Parameters
    ----------
    port : str
        Device or socket:// address.
    seconds : float
        Longest wait for enough messages with settings that make sense, s.
    question : str
        What to ask, once a second, with escapes; empty for a meter that sends by itself.
    baud : int or None
        Speed to keep to, any; None tries the common ones.
    tell : callable
        Takes a word on what is going on.

    Raises
    ------
    PortUnavailableError
        If the port cannot be opened at all.
    """
    try:
        asked = unescape(question).encode("latin-1")
        candidates = list(_candidates(port, baud))
    except ValidationError as error:
        raise UsageError(
            "; ".join(each["msg"].removeprefix("Value error, ") for each in error.errors())
        ) from error
    except ValueError as error:
        raise UsageError(str(error)) from error
    settings, ear = await _try(candidates, asked, seconds, tell)
    if not ear.size:
        return Heard(lines=(), numbers=(), section="", advice=_nothing_came(question, seconds))
    tell(f"{_named(settings)}: listening on")
    proposal: Proposal | None = None
    for enough in (ENOUGH_MESSAGES, 3 * ENOUGH_MESSAGES, 12 * ENOUGH_MESSAGES):
        ear = await _hear(settings, asked, seconds, enough=enough) or ear
        proposal = propose(ear.chunks, asked)
        # Temperature may come in a line of its own, seldom.
        waits = enough == ENOUGH_MESSAGES and proposal and "temperature_c" not in proposal.quantities
        if proposal is not None and proposal.read >= 10 and not waits:
            section = _section(proposal, settings, question)
            return Heard(
                lines=_shown(proposal.lines),
                numbers=proposal.numbers,
                section=section,
                advice="",
                every_s=None if asked else _every_s(ear.chunks),
            )
    return Heard(
        lines=_shown(proposal.lines if proposal else tuple(ear.data().splitlines())),
        numbers=proposal.numbers if proposal else (),
        section="",
        advice=_too_little(ear, proposal, seconds),
    )


async def _try(
    candidates: list[PortSettings], question: bytes, seconds: float, tell: Callable[[str], None]
) -> tuple[PortSettings, _Ear]:
    """Return the line settings with which what comes makes most sense, and what came."""
    tried: list[tuple[PortSettings, _Ear]] = []
    for settings in candidates:
        tell(_named(settings))
        ear = await _hear(settings, question, _TRIAL_S, enough=3)
        if ear is not None and not ear.size:
            # At a wrong speed something would come, too: it speaks rarely or not at all.
            ear = await _hear(settings, question, seconds, enough=1)
            if ear is not None and not ear.size:
                return settings, ear
        if ear is not None:
            tried.append((settings, ear))
            if ear.sense() >= 0.97:
                break
    return max(tried, key=lambda each: each[1].sense())


async def _hear(settings: PortSettings, question: bytes, seconds: float, *, enough: int) -> _Ear | None:
    """Return what comes within `seconds`, or as soon as it holds enough messages; None if it can't be set."""
    ear = await _hear_once(settings, question, seconds, enough=enough)
    for _ in range(_SERVER_TRIES if settings.port.startswith(SOCKET_SCHEME) else 0):
        if ear is None or ear.error is None:
            break
        # Many serial servers serve one at a time, say so and close until they see that the last has gone.
        await asyncio.sleep(_SERVER_REST_S)
        ear = await _hear_once(settings, question, seconds, enough=enough)
    if ear is not None and ear.error is not None:
        raise ear.error
    return ear


async def _hear_once(settings: PortSettings, question: bytes, seconds: float, *, enough: int) -> _Ear | None:
    ear = _Ear()
    try:
        port = await open_port(settings, MachineClock(), ear)
    except PortUnavailableError:
        if settings.parity == "none" and settings.data_bits == 8:
            raise
        return None  # not every line can do parity
    try:
        loop = asyncio.get_running_loop()
        ends_s, asks_s = loop.time() + seconds, loop.time()
        while loop.time() < ends_s and ear.error is None and ear.size < MOST_BYTES:
            if question and loop.time() >= asks_s:
                await port.write(question)
                asks_s += _ASK_EVERY_S
            await asyncio.sleep(0.05)
            if question == b"" and ear.size >= _NONSENSE_BYTES and ear.sense() < 0.9:
                break
            if len(messages(ear.chunks)[0]) >= enough:
                break
    finally:
        port.close()
    return ear


def _named(settings: PortSettings) -> str:
    if settings.port.startswith(SOCKET_SCHEME):
        return settings.port
    return f"{settings.port} at {settings.baud} bit/s, {settings.data_bits} bits, parity {settings.parity}"


def _nothing_came(question: str, seconds: float) -> str:
    if question:
        return "Nothing came. Is the meter on, the question right (with its end, such as \\r\\n), cable good?"
    return (
        f"Nothing came in {seconds:g} s. Is the meter on, and does it send by itself? If seldom, listen for "
        "three of its lines: --seconds 200. If it must be asked, give its question: --ask 'READ?\\r\\n'. "
        "One with registers keeps silent too: `quietcell drivers modbus-rtu`"
    )


def _too_little(ear: _Ear, proposal: Proposal | None, seconds: float) -> str:
    """Say why nothing is proposed, and what to do."""
    if ear.sense() < 0.9:
        return (
            "What came is no text at any of the speeds and forms tried. Give the meter's own: --baud 1200. "
            "Behind a serial server they are set there, also 7 bits with parity"
        )
    data = ear.data()
    if re.search(rb"\bpH", data) and not re.search(rb"mV", data):
        return "The meter sends pH by its own calibration, which is of no use here: switch its output to mV"
    came = len(messages(ear.chunks)[0])
    if came < (3 if proposal is None else ENOUGH_MESSAGES):
        needed = 10 * math.ceil(1.5 * ENOUGH_MESSAGES * (_every_s(ear.chunks) or seconds) / 10)
        return f"Only {came} whole messages in {seconds:g} s, too few to propose from: try --seconds {needed}"
    found = "no numbers that could be readings" if proposal is None else f"only {proposal.read} readings"
    return (
        f"Found {found} in {seconds:g} s. Listen longer with --seconds, or write the pattern by hand: "
        "drivers/README.md shows how, for lines of several kinds or of fixed width too"
    )


def _every_s(chunks: Chunks) -> float:
    """Return the time from one message to the next, s; 0 where it cannot be told."""
    came = len(messages(chunks)[0])
    return (chunks[-1][0] - chunks[0][0]) / 1000 / came if came else 0.0


def _shown(lines: tuple[bytes, ...]) -> tuple[str, ...]:
    """Return the first lines as a terminal may show them: nothing in them is acted upon."""
    return tuple(
        "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in line.decode("latin-1"))[:120]
        for line in lines[:10]
    )


def _toml(value: Any) -> str:
    """Return a value as TOML."""
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{_key(key)} = {_toml(each)}" for key, each in value.items()) + " }"
    if isinstance(value, str) and "\\" in value and "'" not in value and value.isprintable():
        return f"'{value}'"  # a pattern, as people write it
    return json.dumps(value, ensure_ascii=False)


def _key(text: str) -> str:
    bare = text.isascii() and text.replace("_", "").replace("-", "").isalnum()
    return text if bare else json.dumps(text, ensure_ascii=False)


def _escaped(text: str) -> str:
    """Return text the way settings with escapes take it."""
    short = {"\r": "\\r", "\n": "\\n", "\t": "\\t", "\\": "\\\\"}
    return "".join(short.get(c, c if c.isprintable() else f"\\x{ord(c):02x}") for c in text)


def _section(proposal: Proposal, settings: PortSettings, question: str) -> str:
    """Return a section with comments that say where each value comes from."""
    found = dict(proposal.settings)
    for key in ("terminator", "delimiter"):
        if key in found:
            found[key] = _escaped(found[key])
    rows = [
        f"# Proposed by listening: {proposal.read} of {proposal.seen} messages are read with these settings.",
        "# Compare the values below with the meter's display before you trust them, and rename the cell.",
        *(f"#   {text}" for text in proposal.numbers),
    ]
    rows += [
        *_remarks(proposal),
        "[cells.my-cell]",
        f"driver = {_toml('line-poll' if question else 'line-stream')}",
        "",
        "[cells.my-cell.settings]",
        f"port = {_toml(settings.port)}",
    ]
    if not settings.port.startswith(SOCKET_SCHEME):
        rows[-1] += "   # better a name that stays: quietcell ports"
        rows.append(f"baud = {settings.baud}")
        if settings.data_bits != 8:
            rows.append(f"data_bits = {settings.data_bits}")
        if settings.parity != "none":
            rows.append(f"parity = {_toml(settings.parity)}")
    if question:
        rows.append(f"question = {_toml(question)}")
    for key, value in found.items():
        note = proposal.notes.get(key, "")
        rows.append(f"{key} = {_toml(value)}" + (f"   # {note}" if note else ""))
    rows += [
        "",
        "# No pH is shown until `quietcell calibrate my-cell --config FILE` has been done,",
        "# or the last one stands here:",
        "#[cells.my-cell.calibration]",
        "#slope_pct = 98.4   # % of theory",
        "#zero_mv = 3.1      # at pH 7 and 25 °C",
    ]
    return "\n".join(rows) + "\n"


def _remarks(proposal: Proposal) -> Iterator[str]:
    """Yield what else is to be known of a proposal, as comments."""
    if proposal.last is not None:
        yield f"# Last message: {_reading_text(proposal)}"
    if proposal.unread:
        yield f"# Not read: {proposal.unread}"
    if "temperature_c" not in proposal.quantities:
        yield "# No temperature, so no pH. If it comes seldom, in a line of its own: --seconds 120"


def _reading_text(proposal: Proposal) -> str:
    last = proposal.last
    if last is None:
        return ""
    values = (
        (last.mv, "mV"),
        (last.temperature_c, "°C"),
        (last.conductivity_us_cm, "µS/cm"),
        (last.flow_ml_min, "mL/min"),
    )
    return ", ".join(f"{value:.6g} {unit}" for value, unit in values if value is not None)
