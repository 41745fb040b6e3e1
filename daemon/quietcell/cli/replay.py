"""``quietcell replay``: judge recordings as if they were measured now."""

import json
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TextIO

import click

from quietcell.cli.options import config_option
from quietcell.config import Config, load_config
from quietcell.core.recording import read_recording
from quietcell.core.times import utc_ms
from quietcell.errors import RecordingError, UsageError
from quietcell.service.assembly import engine_settings, recording_layout
from quietcell.service.drivers import InstalledDrivers
from quietcell.service.replay import replay


def _times(_context: click.Context, _option: click.Parameter, texts: tuple[str, ...]) -> tuple[int, ...]:
    try:
        return tuple(utc_ms(text) for text in texts)
    except ValueError as error:
        raise click.BadParameter(f"{error}; write it like 2026-03-01T08:00:00Z") from error


@click.command("replay")
@click.argument(
    "recordings", nargs=-1, required=True, type=click.Path(exists=True, dir_okay=False, path_type=Path)
)
@config_option
@click.option("--out", required=True, type=click.File("w", encoding="utf-8"), help="JSON lines; - for here.")
@click.option("--cell", help="Cell of the configuration; else the one named like the recording.")
@click.option(
    "--request", "requests", multiple=True, callback=_times, help="Ask for a determination at this time."
)
def command(
    recordings: tuple[Path, ...], path: Path, out: TextIO, cell: str | None, requests: tuple[int, ...]
) -> None:
    """Judge RECORDINGS (CSV) as if they were measured now.

    Writes one JSON object a line: the body of each record, with the recording's name. The cell's settings
    come from the configuration; its meter is not needed. With --request a determination begins at that
    time, as a person at the bench would begin it; without, the cell's own mode applies.
    """
    config = load_config(path, InstalledDrivers())
    verdicts: dict[str, int] = {}
    for recording in recordings:
        name = _cell_of(config, recording, cell)
        layout = recording_layout(config, name)
        size = recording.stat().st_size
        with (
            recording.open(encoding="utf-8-sig", newline="") as file,
            click.progressbar(length=size, label=recording.name, file=sys.stderr) as bar,
        ):
            pieces = read_recording(_counted(file, bar.update), name=str(recording), layout=layout)
            try:
                for body in replay(pieces, engine_settings(config, name), requests):
                    plain = body.as_json()
                    line = {"record": plain.pop("record"), "recording": recording.name, **plain}
                    out.write(json.dumps(line, ensure_ascii=False) + "\n")
                    if line["record"] == "determination":
                        verdicts[line["verdict"]] = verdicts.get(line["verdict"], 0) + 1
            except UnicodeDecodeError as error:
                raise RecordingError("not UTF-8 text", subject=str(recording)) from error
    told = ", ".join(f"{count} {verdict}" for verdict, count in sorted(verdicts.items()))
    click.echo(f"Determinations: {told or 'none'}", err=True)


def _cell_of(config: Config, recording: Path, named: str | None) -> str:
    """Return the cell a recording belongs to."""
    names = list(config.cells)
    if named is not None:
        if named not in names:
            raise UsageError(f"no cell {named!r}; the configuration has {', '.join(names)}")
        return named
    if recording.stem in names:
        return recording.stem
    if len(names) == 1:
        return names[0]
    raise UsageError(
        f"no cell is named like {recording.name}", hint=f"Name one with --cell: {', '.join(names)}"
    )


def _counted(file: TextIO, tell: Callable[[int], None]) -> Iterator[str]:
    """Pass lines on and tell how much was read, now and then."""
    read = 0
    for line in file:
        read += len(line)
        if read > 65536:
            tell(read)
            read = 0
        yield line
    tell(read)
