"""Listening to unknown meters: what is proposed reads them."""

import asyncio
import itertools
import tomllib
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from quietcell.cli.ports import with_criteria
from quietcell.config import parse_config
from quietcell.errors import PortUnavailableError, UsageError
from quietcell.service.drivers import InstalledDrivers
from quietcell_drivers import listening
from quietcell_drivers.framing import Line
from quietcell_drivers.line_format import LineFormatSettings
from quietcell_drivers.line_reader import LineReader
from quietcell_drivers.listening import Heard, _toml, listen
from quietcell_drivers.pseudo_terminal import PseudoTerminal
from quietcell_drivers.simulation import SCENARIOS, Sample, Simulation
from tests.support.until import until

SITE = '[site]\nname = "merrow-sound"\n[store]\nfolder = "state"\n'


@dataclass(frozen=True, kw_only=True)
class Meter:
    """A meter nobody has described."""

    line: Callable[[Sample, int], str]
    measures: tuple[str, ...]
    question: str = ""
    encoding: str = "latin-1"


METERS = {
    "semicolons": Meter(
        line=lambda s, _: (
            f"{s.mv:.2f};{s.temperature_c:.2f};{s.conductivity_us_cm:.4f};{s.flow_ml_min:.1f}\r\n"
        ),
        measures=("mv", "temperature_c", "conductivity_us_cm", "flow_ml_min"),
    ),
    "decimal comma, units": Meter(
        line=lambda s, n: (
            f"{n:05d} E: {s.mv:+.1f} mV; t: {s.temperature_c:.1f} °C; "
            f"K: {s.conductivity_us_cm:.3f} µS/cm OK\n"
        ).replace(".", ","),
        measures=("mv", "temperature_c", "conductivity_us_cm"),
    ),
    "resistivity, kelvins": Meter(
        line=lambda s, _: (
            f"RES={1 / s.conductivity_us_cm:.3f} MΩ·cm TEMP={s.temperature_c + 273.15:.2f} K "
            f"EMF={s.mv / 1e3:.5f} V\n"
        ),
        measures=("mv", "temperature_c", "conductivity_us_cm"),
        encoding="utf-8",
    ),
    "tabs with a clock": Meter(
        line=lambda s, n: f"2026-03-01 08:{n // 60:02}:{n % 60:02}\t{s.mv:.2f}\t{s.temperature_c:.2f}\tRUN\r",
        measures=("mv", "temperature_c"),
    ),
    "no terminator": Meter(
        line=lambda s, _: f"T{s.temperature_c:06.2f}E{s.mv:+08.2f}", measures=("mv", "temperature_c")
    ),
    "ohms between start and end of text": Meter(
        line=lambda s, _: f"\x02{100 * (1 + 3.9083e-3 * s.temperature_c):.3f}ohm {s.mv:.2f}mV\x03",
        measures=("mv",),
    ),
    "asked": Meter(
        line=lambda s, _: f"{s.mv:.2f},{s.temperature_c:.2f},{s.conductivity_us_cm:.4f}\r\n",
        question=r"MEAS?\r\n",
        measures=("mv", "temperature_c", "conductivity_us_cm"),
    ),
    "columns of blanks": Meter(
        line=lambda s, n: f"{n:6d} {s.mv:10.3f} {s.temperature_c:8.3f} {s.flow_ml_min:7.1f}\n",
        measures=("mv", "temperature_c", "flow_ml_min"),
    ),
    "words and brackets": Meter(
        line=lambda s, n: (
            f"[{'STAB' if n % 5 else 'MOVE'}] potential={s.mv:.1f}mV temp={s.temperature_c:.1f}C "
            f"flow={s.flow_ml_min * 0.06:.3f}l/h\n"
        ),
        measures=("mv", "temperature_c", "flow_ml_min"),
    ),
}


async def speak(meter: Meter, terminal: PseudoTerminal, said: dict[bytes, Sample]) -> None:
    """Send samples, or answer with them; fast, but with pauses a machine can tell from none."""
    samples = Simulation(SCENARIOS["air-gets-in"], 3).samples(8.0)
    for number in itertools.count():
        sample = next(samples)
        message = meter.line(sample, number).encode(meter.encoding)
        said[message.strip(b"\r\n\x02\x03")] = sample
        if meter.question:
            heard = b""
            while b"MEAS?\r\n" not in heard:
                await asyncio.sleep(0.005)  # the meter's end of the line has no event
                heard += terminal.read()
        else:
            await asyncio.sleep(0.05)
        try:
            terminal.write(message)
        except (BlockingIOError, OSError):
            continue


async def heard(port: str, *, question: str = "", seconds: float = 15.0, baud: int | None = None) -> Heard:
    return await listen(port, seconds=seconds, question=question, baud=baud, tell=lambda _: None)


async def test_a_working_section_is_proposed_for_each_of_nine_meters(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("quietcell_drivers.listening._ASK_EVERY_S", 0.05)

    async def propose(name: str) -> tuple[Heard, dict[bytes, Sample]]:
        meter = METERS[name]
        said: dict[bytes, Sample] = {}
        terminal = PseudoTerminal(tmp_path, name.replace(" ", "-"))
        speaking = asyncio.create_task(speak(meter, terminal, said))
        found = await heard(terminal.port, question=meter.question)
        speaking.cancel()
        await asyncio.wait({speaking})
        terminal.unplug()
        return found, said

    for name, (found, said) in zip(
        METERS, await asyncio.gather(*(propose(name) for name in METERS)), strict=True
    ):
        assert found.section, (name, found)
        config = parse_config(SITE + found.section, f"{name}.toml", InstalledDrivers())
        assert config.cells["my-cell"].calibration is None  # nobody has made one yet
        settings = config.cells["my-cell"].settings
        assert isinstance(settings, LineFormatSettings), name
        reader = LineReader(settings)
        read = 0
        for message, sample in said.items():
            reading = reader.reading(Line(message), 0)
            if reading is None:
                continue
            read += 1
            for quantity in METERS[name].measures:
                value = getattr(reading, quantity)
                assert value == pytest.approx(getattr(sample, quantity), rel=0.01, abs=0.06), (name, quantity)
        assert read >= 10, (name, found.section)


@asynccontextmanager
async def saying(terminal: PseudoTerminal, line: bytes, *, every_s: float) -> AsyncIterator[None]:
    """Let a meter say the same again and again."""

    async def say() -> None:
        while True:
            terminal.write(line)
            await asyncio.sleep(every_s)

    talking = asyncio.create_task(say())
    try:
        yield
    finally:
        talking.cancel()
        await asyncio.wait({talking})


async def test_hostile_bytes_are_shown_harmless_and_nothing_is_proposed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("quietcell_drivers.listening._TRIAL_S", 0.3)
    terminal = PseudoTerminal(tmp_path)

    async with saying(terminal, b"\x1b[2J\x1b]0;owned\x07 no numbers here\r\n", every_s=0.02):
        found = await heard(terminal.port, seconds=0.3, baud=19200)
    terminal.unplug()
    assert found.section == ""
    assert "no numbers that could be readings" in found.advice
    assert found.lines
    assert all(line.isprintable() and line.isascii() for line in found.lines)


async def test_silence_ends_with_what_to_do(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("quietcell_drivers.listening._TRIAL_S", 0.05)
    terminal = PseudoTerminal(tmp_path)
    advice = (await heard(terminal.port, seconds=0.05)).advice
    assert "--ask" in advice
    assert "--seconds" in advice
    assert "question right" in (await heard(terminal.port, seconds=0.05, question="?")).advice
    terminal.unplug()
    with pytest.raises(PortUnavailableError, match="no such port"):
        await heard(terminal.port)
    with pytest.raises(UsageError, match="begins no escape"):
        await heard(terminal.port, question="\\q")
    with pytest.raises(UsageError, match=r"^'socket://serial-server' is not of the form socket://host:port"):
        await heard("socket://serial-server")


async def test_a_meter_that_speaks_seldom_is_to_be_listened_to_for_longer(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(listening, "_TRIAL_S", 0.05)
    terminal = PseudoTerminal(tmp_path)
    async with saying(terminal, b"21.50;21.04\r\n", every_s=0.2):
        found = await heard(terminal.port, seconds=0.3)
    terminal.unplug()
    assert found.section == ""
    assert "too few to propose from: try --seconds 10" in found.advice


async def test_a_speed_of_its_own_is_kept_to(tmp_path: Path) -> None:
    terminal = PseudoTerminal(tmp_path)
    async with saying(terminal, b"21.50;21.04\r\n", every_s=0.01):
        found = await heard(terminal.port, baud=300)
    terminal.unplug()
    assert "baud = 300\n" in found.section


async def test_messages_of_many_lines_are_heard_until_there_are_enough(tmp_path: Path) -> None:
    terminal = PseudoTerminal(tmp_path)
    block = b"--- cell ---\r\nE 41.35 mV\r\nT 21.07 C\r\nLF 0.178 uS/cm\r\n\r\n"
    async with saying(terminal, block, every_s=0.1):
        found = await heard(terminal.port)
    terminal.unplug()
    assert "(?P<conductivity_us_cm>" in found.section


@pytest.mark.parametrize(
    ("line", "advice"),
    [(b"pH 6.288 21.0 C\r\n", "switch its output to mV"), (b"\xb4\xb1\xb2\xbb\x8d\n" * 3, "no text at any")],
)
async def test_what_cannot_be_read_is_told_with_what_helps(
    line: bytes, advice: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(listening, "_TRIAL_S", 0.05)
    terminal = PseudoTerminal(tmp_path)
    async with saying(terminal, line, every_s=0.02):
        found = await heard(terminal.port, seconds=0.5)
    terminal.unplug()
    assert found.section == ""
    assert advice in found.advice


@pytest.mark.parametrize(("every_s", "own"), [(1.0, 0), (3.5, 1), (5.0, 2), (30.0, 2), (120.0, 2)])
def test_a_slow_meter_is_proposed_criteria_it_can_meet(every_s: float, own: int) -> None:
    section = (
        '[cells.my-cell]\ndriver = "line-stream"\nsettings = { port = "/dev/ttyS0", columns = ["mv"] }\n'
    )
    config = parse_config(SITE + with_criteria(section, every_s), "slow.toml", InstalledDrivers())
    assert len(config.criteria) == own
    for criterion in (config.criterion_of("my-cell"), config.buffer_criterion_of("my-cell")):
        assert criterion.longest_interval_s > every_s


def test_a_section_is_toml_whatever_the_meter_says() -> None:
    for text in ("it's \\d", 'say "hi"', "tab\there", "µS/cm", "\x1b", "a\\b'c"):
        assert tomllib.loads(f"x = {_toml(text)}")["x"] == text


async def test_a_serial_server_that_serves_one_at_a_time_is_given_time_to_see_that_the_last_has_gone(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(listening, "_SERVER_REST_S", 0.001)
    came = itertools.count(1)
    serving: set[int] = set()

    async def serve(_: asyncio.StreamReader, out: asyncio.StreamWriter) -> None:
        number = next(came)
        serving.add(number)
        if number % 2 == 0:  # the one before is still there
            out.write(b"in use\r\n")
        while number % 2 and not out.is_closing():
            number += 2
            out.write(b"%d.25;21.%02d\r\n" % (number % 7, number % 13))
            await asyncio.sleep(0.001)
        out.close()
        serving.clear()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    host, port = server.sockets[0].getsockname()
    found = await heard(f"socket://{host}:{port}")
    assert 'columns = ["mv", "temperature_c"]' in found.section
    server.close()
    await until(lambda: not serving)
