"""``quietcell replay``: judge recordings as if they were measured now."""

import json
import os
import sys
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from itertools import takewhile
from pathlib import Path
from types import TracebackType
from typing import TextIO

import click

from quietcell.cli.options import config_option
from quietcell.config import Config, load_config
from quietcell.core.endpoint.criterion import SHIPPED
from quietcell.core.recording import Piece, Remarks
from quietcell.core.recording_reader import read_recordings
from quietcell.core.settings import CellSettings
from quietcell.core.times import rfc3339, utc_ms
from quietcell.errors import RecordingError, UsageError, printable
from quietcell.service.assembly import engine_settings, recording_encoding, recording_layout
from quietcell.service.compare import Trace, Trial, summary, table, trace_of, trial
from quietcell.service.drivers import InstalledDrivers
from quietcell.service.plot import plot
from quietcell.service.recording_files import STANDARD_INPUT, opened
from quietcell.service.replay import replay
from quietcell.service.survey import Outcome, Survey


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
@click.option(
    "--join", is_flag=True, help="Judge the recordings as one, such as a logger's daily files in their order."
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
    join: bool,
) -> None:
    """Judge RECORDINGS (CSV, also packed as .gz; - is standard input) as if they were measured now.

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
        _compare(config, criteria, _groups(recordings, join=join), cell, requests, out, picture)
        return
    if out is None:
        raise UsageError("nowhere to write to", hint="Give --out FILE.jsonl, or --out - for here")
    criterion = words[0] in {*config.criteria, *SHIPPED}
    recordings = _existing(words, hint="A criterion is tried with --compare" if criterion else "")
    _judge(config, _groups(recordings, join=join), cell, requests, out)


def _judge(
    config: Config, groups: list[list[Path]], cell: str | None, requests: tuple[int, ...], out: TextIO
) -> None:
    """Write what recordings give, and say at the end what became of them."""
    asked: set[int] = set()
    told: dict[str, tuple[Survey, Outcome]] = {}
    faults = _Faults(among=len(groups))
    for group in groups:
        named = _cell_of(config, group, cell)
        survey, outcome = told.setdefault(named, (Survey(), Outcome()))
        with faults:
            pieces = _pieces(config, group, named, survey)
            for body in replay(pieces, engine_settings(config, named), requests, asked_utc_ms=asked):
                outcome.note(body)
                plain = body.as_json()
                line = {"record": plain.pop("record"), "recording": group[0].name, **plain}
                out.write(json.dumps(line, ensure_ascii=False) + "\n")
    for named, (survey, outcome) in told.items():
        if len(told) > 1:
            click.echo(f"{named}:", err=True)
        criterion = (config.cells[named].criterion, config.criterion_of(named))
        lines = [*survey.lines(), *outcome.lines(criterion[1]), *survey.coarse([criterion])]
        if config.cells[named].mode == "on-request" and not requests:
            lines.append("This cell is measured on request only: ask with --request TIME")
        elif not outcome.accepted:
            lines += survey.hints([criterion])
        click.echo(printable("\n".join(lines), "\n"), err=True)
    faults.raise_if_any()
    if outside := sorted({*requests} - asked):
        raise RecordingError(
            f"no recording has readings at {', '.join(map(rfc3339, outside))}",
            subject="--request",
            hint="Nothing was asked then. Times are UTC; see first and last time of the recording",
        )


class _Faults:
    """Tells of recordings that cannot be read, and lets the others be judged."""

    def __init__(self, *, among: int) -> None:
        self._among = among
        self._count = 0

    def __enter__(self) -> None:
        """Watch over one recording."""

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, _: TracebackType | None
    ) -> bool:
        """Keep its fault from ending all, if there are others."""
        if self._among == 1 or not isinstance(error, RecordingError):
            return False
        click.echo(printable(f"quietcell: {error}"), err=True)
        self._count += 1
        return True

    def raise_if_any(self) -> None:
        """End with an error, once all were tried."""
        if self._count:
            raise RecordingError(
                f"{self._count} of {self._among} recordings could not be read to their end",
                hint="Nothing behind that place of theirs counts above; see what is said of each",
            )


def _groups(recordings: list[Path], *, join: bool) -> list[list[Path]]:
    """Return which recordings are judged as one."""
    return [recordings] if join else [[each] for each in recordings]


def _pieces(config: Config, recordings: Sequence[Path], cell: str, survey: Survey) -> Iterator[Piece]:
    """Return what recordings hold, read as one as it is taken, and show how far they were read."""
    encoding, remarks = recording_encoding(config, cell), Remarks()

    def sources() -> Iterator[tuple[str, Iterator[str]]]:
        for path in recordings:
            name = "standard input" if path == STANDARD_INPUT else path.name
            length = 0 if path == STANDARD_INPUT else path.stat().st_size
            with (
                click.progressbar(length=length, label=printable(name), file=sys.stderr) as bar,
                opened(path, encoding, bar.update) as lines,
            ):
                yield str(path), lines

    pieces = read_recordings(sources(), layout=recording_layout(config, cell), remarks=remarks)
    return survey.read(pieces, remarks)


def _existing(words: tuple[str, ...], *, hint: str = "") -> list[Path]:
    """Return the recordings named.

    Raises
    ------
    UsageError
        If one is no file.
    """
    for word in words:
        if Path(word).is_dir():
            raise UsageError("is a folder", subject=word, hint=f"Name its recordings: {Path(word) / '*.csv'}")
        if word != str(STANDARD_INPUT) and not Path(word).exists():
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
        raise UsageError("--compare names no criterion", hint=f"There is {', '.join(known)}")
    if not recordings:
        raise UsageError("no recording given", hint="Name recordings (CSV) behind the criteria")
    return criteria, recordings


def _compare(
    config: Config,
    criteria: list[str],
    groups: list[list[Path]],
    cell: str | None,
    requests: tuple[int, ...],
    out: TextIO | None,
    picture: Path | None,
) -> None:
    """Try criteria on recordings, print a table, and draw the first."""
    trials: list[Trial] = []
    survey = Survey()
    drawn: tuple[Trace, list[Trial], CellSettings] | None = None
    faults = _Faults(among=len(groups))
    for group in groups:
        name = _cell_of(config, group, cell)
        settings = engine_settings(config, name)
        pieces: list[Piece] = []
        with faults:
            pieces.extend(_pieces(config, group, name, survey))
        own = [
            trial(pieces, settings, each, config.named_criterion(each), requests)
            for each in criteria or [settings.criterion_name]
        ]
        trials += own
        if picture is not None and group is groups[0]:
            drawn = trace_of(pieces), own, settings
    summaries = [summary(each, trials) for each in dict.fromkeys(each.criterion for each in trials)]
    if out is not None:
        out.writelines(json.dumps(asdict(each)) + "\n" for each in summaries)
    tried = [(each.criterion, config.named_criterion(each.criterion)) for each in summaries]
    without = [one for one, each in zip(tried, summaries, strict=True) if not each.accepted]
    lines = [table(summaries), *survey.lines(), *survey.coarse(tried), *survey.hints(without)]
    click.echo(printable("\n".join(lines), "\n"))
    if picture is not None and drawn is not None:
        plot(picture, *drawn, title=groups[0][0].name)
    faults.raise_if_any()


def _cell_of(config: Config, recordings: list[Path], named: str | None) -> str:
    """Return the cell recordings belong to."""
    names = list(config.cells)
    if named is not None:
        if named not in names:
            raise UsageError(f"no cell {named!r}; the configuration has {', '.join(names)}")
        return named
    alike = {stem for path in recordings if (stem := path.name.partition(".")[0]) in names}
    if len(alike) == 1:
        return alike.pop()
    if len(names) == 1:
        return names[0]
    first = "standard input" if recordings[0] == STANDARD_INPUT else recordings[0].name
    raise UsageError(f"no cell is named like {first}", hint=f"Name one with --cell: {', '.join(names)}")
