"""``quietcell replay``: judge recordings as if they were measured now."""

import json
import os
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict
from itertools import takewhile
from pathlib import Path
from typing import TextIO

import click

from quietcell.cli.options import config_option
from quietcell.config import Config, load_config
from quietcell.core.endpoint.criterion import SHIPPED
from quietcell.core.recording import Piece
from quietcell.core.recording_reader import read_recording
from quietcell.core.records import Json
from quietcell.core.times import rfc3339, utc_ms
from quietcell.errors import RecordingError, UsageError
from quietcell.service.assembly import engine_settings, recording_layout
from quietcell.service.compare import Trial, counted, summary, table, trace_of, trial
from quietcell.service.drivers import InstalledDrivers
from quietcell.service.plot import plot
from quietcell.service.replay import replay


def _times(_context: click.Context, _option: click.Parameter, texts: tuple[str, ...]) -> tuple[int, ...]:
    try:
        return tuple(utc_ms(text) for text in texts)
    except ValueError as error:
        raise click.BadParameter(f"{error}; write it like 2026-03-01T08:00:00Z") from error


@click.command("replay")
@click.argument("words", nargs=-1, required=True, metavar="[CRITERION]... RECORDING...")
@config_option
@click.option(
    "--out", type=click.File("w", encoding="utf-8"), help="JSON lines; - for here. Needed without --compare."
)
@click.option("--cell", help="Cell of the configuration; else the one named like the recording.")
@click.option(
    "--request", "requests", multiple=True, callback=_times, help="Ask for a determination at this time."
)
@click.option("--compare", is_flag=True, help="Try the criteria named before the recordings on them.")
@click.option(
    "--plot",
    "picture",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Draw the first determination of the first recording here (png, svg, pdf; extra `report`). Without "
    "--compare: by the cell's own criterion, of which --out then tells what --compare does.",
)
def command(
    words: tuple[str, ...],
    path: Path,
    out: TextIO | None,
    cell: str | None,
    requests: tuple[int, ...],
    picture: Path | None,
    *,
    compare: bool,
) -> None:
    """Judge RECORDINGS (CSV) as if they were measured now.

    Writes one JSON object a line: the body of each record, with the recording's name. The cell's settings
    come from the configuration; its meter is not needed. With --request a determination begins at that
    time, as a person at the bench would begin it; without, the cell's own mode applies.

    With --compare it tries criteria (shipped or your own) on your recordings and tells for each what
    share it accepts, after what time, and how far the value lies from where the reading came to rest later:

        quietcell replay --compare grab-water loop-water archive/*.csv --config cells.toml
    """
    if out is not None and any(os.path.realpath(word) == os.path.realpath(out.name) for word in words):
        raise UsageError("is one of the recordings", subject=out.name, hint="Name another file")
    config = load_config(path, InstalledDrivers())
    if compare or picture is not None:
        criteria, recordings = _criteria_and_recordings(config, words, compare=compare)
        _compare(config, criteria, recordings, cell, requests, out, picture)
        return
    if out is None:
        raise UsageError("nowhere to write to", hint="Give --out FILE.jsonl, or --out - for here.")
    verdicts: Counter[str] = Counter()
    refused_for: Counter[str] = Counter()
    asked: set[int] = set()
    for recording in _existing(words):
        for line in _replayed(config, recording, _cell_of(config, recording, cell), requests, asked):
            out.write(json.dumps(line, ensure_ascii=False) + "\n")
            if line["record"] == "determination":
                verdicts[line["verdict"]] += 1
                refused_for.update(line["reasons"])
    told = ", ".join(f"{count} {verdict}" for verdict, count in sorted(verdicts.items()))
    why = f" ({counted(refused_for)})" if refused_for else ""
    click.echo(f"Determinations: {told or 'none'}{why}", err=True)
    if outside := sorted({*requests} - asked):
        raise RecordingError(
            f"no recording has readings at {', '.join(map(rfc3339, outside))}",
            subject="--request",
            hint="Nothing was asked then. Times are UTC; see first and last time of the recording",
        )


def _replayed(
    config: Config, recording: Path, cell: str, requests: tuple[int, ...], asked: set[int]
) -> Iterator[dict[str, Json]]:
    """Yield what a recording gives, as it is written."""
    with _pieces(config, recording, cell) as pieces:
        for body in replay(pieces, engine_settings(config, cell), requests, asked_utc_ms=asked):
            plain = body.as_json()
            yield {"record": plain.pop("record"), "recording": recording.name, **plain}


@contextmanager
def _pieces(config: Config, recording: Path, cell: str) -> Iterator[Iterator[Piece]]:
    """Open a recording and show how far it was read."""
    layout = recording_layout(config, cell)
    with (
        recording.open(encoding="utf-8-sig", newline="") as file,
        click.progressbar(length=recording.stat().st_size, label=recording.name, file=sys.stderr) as bar,
    ):
        try:
            yield read_recording(_counted(file, bar.update), name=str(recording), layout=layout)
        except UnicodeDecodeError as error:
            raise RecordingError("not UTF-8 text", subject=str(recording), hint="Save it as UTF-8") from error


def _existing(words: tuple[str, ...], *, hint: str = "") -> list[Path]:
    """Return the recordings named.

    Raises
    ------
    UsageError
        If one is no file.
    """
    for word in words:
        if not Path(word).is_file():
            raise UsageError("no such recording", subject=word, hint=hint)
    return [Path(word) for word in words]


def _criteria_and_recordings(
    config: Config, words: tuple[str, ...], *, compare: bool
) -> tuple[list[str], list[Path]]:
    """Part the criteria in front from the recordings behind them."""
    known = [*config.criteria, *SHIPPED]
    criteria = list(takewhile(lambda word: word in known and not Path(word).is_file(), words))
    no_criterion = f"Nor is it a criterion: there is {', '.join(known)}" if compare else ""
    recordings = _existing(words[len(criteria) :], hint=no_criterion)
    if compare and not criteria:
        raise UsageError("--compare names no criterion", hint=f"There is {', '.join(known)}.")
    if not recordings:
        raise UsageError("no recording given", hint="Name recordings (CSV) behind the criteria.")
    return criteria, recordings


def _compare(
    config: Config,
    criteria: list[str],
    recordings: list[Path],
    cell: str | None,
    requests: tuple[int, ...],
    out: TextIO | None,
    picture: Path | None,
) -> None:
    """Try criteria on recordings, print a table, and draw the first."""
    trials: list[Trial] = []
    for recording in recordings:
        name = _cell_of(config, recording, cell)
        settings = engine_settings(config, name)
        with _pieces(config, recording, name) as told:
            pieces = list(told)
        own = [
            trial(pieces, settings, each, config.named_criterion(each), requests)
            for each in criteria or [settings.criterion_name]
        ]
        trials += own
        if picture is not None and recording is recordings[0]:
            plot(picture, trace_of(pieces), own, settings, recording.name)
    summaries = [summary(each, trials) for each in dict.fromkeys(each.criterion for each in trials)]
    if out is not None:
        out.writelines(json.dumps(asdict(each)) + "\n" for each in summaries)
    click.echo(table(summaries))


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
