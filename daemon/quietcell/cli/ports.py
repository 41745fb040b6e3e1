"""``quietcell ports``: serial ports by names that stay."""

import json
from dataclasses import asdict, dataclass
from pathlib import Path

import click
from serial.tools import list_ports


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
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def command(*, as_json: bool) -> None:
    """List serial ports with the names that stay the same.

    Use by-id for an adaptor that may move between sockets, by-path where two adaptors are twins.
    """
    ports = serial_ports()
    if as_json:
        click.echo(json.dumps([asdict(port) for port in ports], ensure_ascii=False))
        return
    if not ports:
        click.echo("No serial port found. A serial server on the network is named socket://HOST:PORT.")
    for port in ports:
        click.echo(f"{port.device}  {port.description}".rstrip())
        for name in (port.by_id, port.by_path):
            if name is not None:
                click.echo(f"  {name}")
        if port.twin:
            click.echo("  has a twin with the same serial number: use the by-path name")
