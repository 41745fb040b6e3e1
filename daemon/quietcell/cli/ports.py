"""``quietcell ports``: serial ports by names that stay, and what an unknown meter says."""

import asyncio
from dataclasses import asdict, dataclass, replace
from importlib.metadata import entry_points
from pathlib import Path

import click
from serial.tools import list_ports

from quietcell.cli.options import Number, json_option, print_json
from quietcell.core.endpoint.criterion import SHIPPED, slower
from quietcell.errors import UsageError, printable


@dataclass(frozen=True, slots=True, kw_only=True)
class PortNames:
    """One serial port of this machine and its names."""

    device: str
    by_id: str | None
    """Follows the adaptor, wherever it is plugged in."""
    by_path: str | None
    """Follows the socket, whatever is plugged in."""
    description: str
    twin: bool
    """Another adaptor has the same make and serial number: by-id can't tell them apart."""


def serial_ports(folder: Path = Path("/dev/serial")) -> list[PortNames]:
    """Return the serial ports of this machine, in order of device name."""
    found = sorted(list_ports.comports(), key=lambda port: port.device)
    makes = [(port.vid, port.pid, port.serial_number) for port in found]
    return [
        PortNames(
            device=port.device,
            by_id=_name_in(folder / "by-id", port.device),
            by_path=_name_in(folder / "by-path", port.device),
            description=port.description if port.description != "n/a" else "",
            twin=make[0] is not None and makes.count(make) > 1,
        )
        for port, make in zip(found, makes, strict=True)
    ]


def _name_in(folder: Path, device: str) -> str | None:
    """Return the link in a folder that leads to a device."""
    if not folder.is_dir():
        return None
    links = sorted(folder.iterdir())
    return next((str(link) for link in links if link.resolve() == Path(device).resolve()), None)


@click.command("ports")
@json_option
@click.option("--listen", "port", metavar="PORT", help="Listen to this device or socket:// address.")
@click.option(
    "--ask", "question", default="", help=r"For a meter that must be asked: its question, such as READ?\r\n."
)
@click.option("--baud", type=int, help="Keep to this speed; left out: the common ones are tried.")
@click.option("--seconds", type=Number(1, 3600), default=30.0, show_default=True, help="How long to listen.")
def command(*, as_json: bool, port: str | None, question: str, baud: int | None, seconds: float) -> int:
    """List serial ports with the names that stay the same.

    Use by-id for an adaptor that may move between sockets, by-path where two adaptors are twins.

    With --listen: find out how an unknown meter speaks. Tries common line settings, shows what comes and
    what its numbers may be, and proposes a section for the configuration. Only what --ask names is ever sent.
    """
    if port is not None:
        return _listen(port, question, baud, seconds, as_json=as_json)
    if question or baud is not None:
        raise UsageError("--ask and --baud go with --listen PORT")
    ports = serial_ports()
    if as_json:
        print_json([asdict(port) for port in ports])
        return 0
    if not ports:
        click.echo("No serial port found. A serial server on the network is named socket://HOST:PORT.")
    for found in ports:
        click.echo(printable(f"{found.device}  {found.description}".rstrip()))
        for name in (found.by_id, found.by_path):
            if name is not None:
                click.echo(f"  {name}")
        if found.twin:
            click.echo("  has a twin with the same serial number: use the by-path name")
    return 0


def _listen(port: str, question: str, baud: int | None, seconds: float, *, as_json: bool) -> int:
    """Print what listening to a port brings; 1 if nothing can be proposed."""
    (point,) = entry_points(group="quietcell.listening", name="lines")
    listen = point.load()
    heard = asyncio.run(
        listen(
            port, seconds=seconds, question=question, baud=baud, tell=lambda text: click.echo(text, err=True)
        )
    )
    if heard.section and heard.every_s is not None:
        heard = replace(heard, section=with_criteria(heard.section, heard.every_s))
    if as_json:
        print_json(asdict(heard))
        return 0 if heard.section else 1
    for line in heard.lines:
        click.echo(f"  | {line}")
    for text in heard.numbers:
        click.echo(f"  number {text}")
    click.echo("")
    click.echo(heard.section or heard.advice)
    return 0 if heard.section else 1


def with_criteria(section: str, every_s: float) -> str:
    """Return a cell's section with criteria it can meet, where its meter is too slow for the shipped ones.

    Parameters
    ----------
    section : str
        As proposed by listening.
    every_s : float
        Time from one reading to the next, s.
    """
    named: list[str] = []
    tables: list[str] = []
    for key, base, name in (
        ("criterion", "loop-water", "seldom"),
        ("buffer_criterion", "buffer", "seldom-buffer"),
    ):
        shipped = SHIPPED[base]
        if every_s <= shipped.longest_interval_s:
            continue
        numbers = slower(shipped, every_s)
        named.append(
            f'{key} = "{name}"   # a reading every {every_s:.3g} s never fills the window of "{base}"\n'
        )
        table = "".join(f"{number} = {value}\n" for number, value in numbers.items())
        tables.append(f'\n[criteria.{name}]\nbased_on = "{base}"\n{table}')
    head = "[cells.my-cell]\n"
    return section.replace(head, head + "".join(named), 1) + "".join(tables)
