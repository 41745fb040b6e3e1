"""Hostile bytes by a coverage-guided fuzzer: nothing may escape, memory must stay flat.

Needs atheris (``pip install atheris``). Usage: python -m tests.bench.fuzz [TARGET...] [--megabytes 10]
"""

# ruff: noqa: PLC0415 # what is fuzzed is imported under the fuzzer's instrumentation
import argparse
import importlib
import os
import random
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Coroutine
from contextlib import suppress
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

Target = Callable[[bytes], None]


def framing_and_decoding() -> tuple[Target, list[bytes]]:
    """Bytes of a line through framing, decoding and the guess at settings."""
    from quietcell_drivers.framing import LineFramer
    from quietcell_drivers.line_format import LineFormatSettings
    from quietcell_drivers.line_reader import LineReader

    columns = LineReader(
        LineFormatSettings.model_validate(
            {
                "columns": ["mv", "temperature_c", "conductivity_us_cm", "status"],
                "units": {"temperature_c": "Pt100 ohm", "conductivity_us_cm": "MΩ·cm"},
                "status": {"OL": "meter-overrange"},
            }
        )
    )
    pattern = LineReader(
        LineFormatSettings.model_validate(
            {
                "pattern": r"E=(?P<mv>\S+) T=(?P<temperature_c>\S+)(?P<temperature_c_unit> \S+)?",
                "encoding": "utf-8",
            }
        )
    )

    def run(data: bytes) -> None:
        size = 1 + data[0] % 32 if data else 1
        for reader in (columns, pattern):
            framer = LineFramer(b"\n", 64, discard_head=False)
            for start in range(0, len(data), size):
                for item in framer.feed(data[start : start + size]):
                    for part in reader.parted(item):
                        reader.reading(part, 0)
                assert framer.held_bytes <= 65
            framer.end_by_silence()

    return run, [b"-102.31;107.9;18.2;OL\n", b"E=-1.5 T=25.0 \xc2\xb0C\r\nE=\x00\n", b"1e999;nan;-;\xb5\n"]


def configuration() -> tuple[Target, list[bytes]]:
    """Text of a configuration."""
    from quietcell.config import example_text, parse_config
    from quietcell.errors import ConfigError
    from quietcell.service.drivers import InstalledDrivers

    drivers = InstalledDrivers()

    def run(data: bytes) -> None:
        with suppress(ConfigError):
            parse_config(data.decode("utf-8", "replace"), "fuzz.toml", drivers)

    tables = example_text().split("\n\n")
    return run, [table.encode() for table in tables] + [example_text().encode()]


def request() -> tuple[Target, list[bytes]]:
    """Lines to the control socket, against the arguments of every command."""
    from quietcell.errors import QuietcellError
    from quietcell.service import commands
    from quietcell.service.control import ControlSocket

    for name in ("alarms", "requests", "episode_verdicts", "reload"):
        importlib.import_module(f"quietcell.service.{name}")
    models: list[type[commands.Arguments]] = [commands.Arguments]
    for model in models:
        models.extend(model.__subclasses__())

    async def command(given: dict[str, Any]) -> dict[str, Any]:
        told = []
        for model in models:
            try:
                commands.checked(model, given)
            except QuietcellError as error:
                told.append(str(error))
        return {"told": told[:1]}

    socket = ControlSocket(Path("unused"), {"measure": command})

    def run(data: bytes) -> None:
        answer = _result(socket._answer(data))
        assert answer["ok"] in {True, False}
        assert "mistake of the daemon" not in answer.get("error", "")

    return run, [
        b'{"command": "measure", "cell": "live-feed-room", "operator": "A", "sample_id": "7"}',
        b'{"command": "measure", "id": [1, {"a": null}], "text": "\\ud800"}',
        b"[[[[", b"{}",
    ]  # fmt: skip


def _result(coroutine: Coroutine[Any, Any, dict[str, Any]]) -> dict[str, Any]:
    """Return what a coroutine that waits for nothing returns."""
    try:
        coroutine.send(None)
    except StopIteration as ended:
        result: dict[str, Any] = ended.value
        return result
    raise AssertionError("it waits")


def recording() -> tuple[Target, list[bytes]]:
    """Text of a recording."""
    from quietcell.core.recording import Layout
    from quietcell.core.recording_reader import read_recording
    from quietcell.errors import RecordingError

    layouts = [
        Layout(),
        Layout(columns={"time": "t", "ph": "pH"}, time="elapsed-s", required=frozenset({"ph"})),
        Layout(
            columns={"time": ("day", "t"), "mv": "E", "conductivity_us_cm": 5},
            time="local",
            time_format="%d.%m.%Y %H:%M:%S",
            zone=ZoneInfo("Europe/Oslo"),
            units={"mv": "V", "conductivity_us_cm": "MΩ·cm"},
            not_measured=frozenset({"OVER", "9999"}),
            delimiter=";",
            decimal_comma=True,
            leave_out_unreadable=True,
        ),
    ]

    def run(data: bytes) -> None:
        lines = data.decode("utf-8", "replace").splitlines(keepends=True)
        for layout in layouts:
            with suppress(RecordingError):
                for _ in read_recording(lines, name="fuzz.csv", layout=layout):
                    pass

    return run, [
        b"time,mv,temperature_c,flags,segment\n2026-03-01T08:00:00Z,1,21,burst,1\n",
        b't,pH\n0,7\n1,"8"\n',
        b"time,mv,flags,segment\n2026-03-01T08:00:00Z,,began-started,1\n",
        b"Loop\nday;t;E;-;k\n;;V;;MOhm\n25.10.2026;02:30:00;0,0312;x;18,2\n25.10.2026;02:10:00;OVER;\0;9999\n",
    ]


def modbus() -> tuple[Target, list[bytes]]:
    """Bytes that come back to a Modbus question."""
    from quietcell_drivers.modbus_codec import Codec
    from quietcell_drivers.modbus_registers import RegisterBlock

    codec, block = Codec(1), RegisterBlock("holding", 0, 2)

    def run(data: bytes) -> None:
        found = codec.answer(data, block)
        assert found is None or isinstance(found, int) or len(found) == 2

    return run, [bytes.fromhex("0103040001000a2bf4"), bytes.fromhex("018302c0f1")]


def listening() -> tuple[Target, list[bytes]]:
    """What an unknown meter says, for a proposal."""
    from quietcell_drivers.proposal import propose

    def run(data: bytes) -> None:
        propose([(20 * n, data[n * 16 : n * 16 + 16]) for n in range(-(-len(data) // 16))])

    return run, [b"-102.31;25.04;OK\r\n" * 5, b"E=-1,5mV T=25,0C\n" * 5, b"CH1:1.5 CH2:25.0*4A\r\n" * 5]


_VALUES = (
    "0", "-1", "1e308", "nan", "true", '""', '"x"', "[]", "{}", "[[1]]", "2026-03-01", "1979-05-27T07:32:00Z",
    '"' + "a" * 300 + '"', "9" * 30, "{ a = 1 }", '["mv", "mv"]', "\u2212 1",
)  # fmt: skip


def other_values(data: bytes, seed: int) -> bytes:
    """Change a line or a value and leave the text what it is, TOML or JSON: so deeper code is reached."""
    dice = random.Random(seed)
    parting = b"\n" if b"\n" in data else b","
    parts = data.split(parting)
    place = dice.randrange(len(parts))
    sign = b"=" if b"=" in parts[place] else b":"
    head, found, _ = parts[place].partition(sign)
    kind = dice.randrange(4)
    if kind == 0 or not found:
        parts.insert(dice.randrange(len(parts) + 1), parts[place])
    elif kind == 1:
        del parts[place]
    else:
        parts[place] = head + sign + b" " + dice.choice(_VALUES).encode()
    return parting.join(parts)


TARGETS: dict[str, Callable[[], tuple[Target, list[bytes]]]] = {
    each.__name__: each
    for each in (framing_and_decoding, configuration, request, recording, modbus, listening)
}


def _resident_mb() -> float:
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def campaign(name: str, megabytes: float) -> None:
    """Fuzz one target in this process; ends the process."""
    import atheris

    with atheris.instrument_imports(include=["quietcell", "quietcell_drivers"]):
        run, seeds = TARGETS[name]()
    limit, began = megabytes * 1e6, time.monotonic()  # noqa: TID251 # a figure
    fed = inputs = 0
    early_mb = 0.0

    def one(data: bytes) -> None:
        nonlocal fed, inputs, early_mb
        run(data)
        fed, inputs = fed + len(data), inputs + 1
        if not early_mb and fed > limit / 10:
            early_mb = _resident_mb()
        if fed >= limit:
            took_s = time.monotonic() - began  # noqa: TID251 # a figure
            print(
                f"{name:22} {fed:11} bytes in {inputs} inputs, nothing escaped; resident {early_mb:.0f} MB "
                f"after a tenth, {_resident_mb():.0f} MB at the end; {took_s:.0f} s",
                flush=True,
            )
            os._exit(0)

    with tempfile.TemporaryDirectory() as folder:
        for number, seed in enumerate(seeds):
            (Path(folder) / str(number)).write_bytes(seed)
        arguments = [sys.argv[0], folder, "-max_len=4096", "-len_control=0", "-seed=1", "-verbosity=0"]
        arguments += ["-rss_limit_mb=1000", "-timeout=20"]

        def mutate(data: bytes, largest: int, seed: int) -> bytes:
            plain: bytes = atheris.Mutate(data, largest)
            return plain if seed % 3 == 0 else other_values(data, seed)[:largest]

        keeps_its_form = name in {"configuration", "request"}
        atheris.Setup(arguments, one, **({"custom_mutator": mutate} if keeps_its_form else {}))
        atheris.Fuzz()


def main() -> None:
    """Run a campaign for each target, each in a process of its own."""
    parser = argparse.ArgumentParser()
    parser.add_argument("targets", nargs="*", metavar="TARGET", help=", ".join(TARGETS))
    parser.add_argument("--megabytes", type=float, default=10.0)
    parser.add_argument("--here", action="store_true", help="in this process, one target")
    given = parser.parse_args()
    if unknown := set(given.targets) - set(TARGETS):
        parser.error(f"no target {', '.join(unknown)}; there are {', '.join(TARGETS)}")
    if given.here:
        campaign(given.targets[0], given.megabytes)
        return
    failed = 0
    for name in given.targets or TARGETS:
        command = [sys.executable, "-m", "tests.bench.fuzz", name, "--here"]
        failed += subprocess.call([*command, "--megabytes", str(given.megabytes)]) != 0
    sys.exit(1 if failed else 0)


if __name__ == "__main__":
    main()
