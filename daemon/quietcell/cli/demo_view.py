"""What the demonstration shows: a live table or lines, and a summary in plain words."""

import shlex
import shutil
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from importlib.util import find_spec
from pathlib import Path

import click
from rich.console import Console
from rich.live import Live
from rich.table import Table

from quietcell.cli.options import Place
from quietcell.core.indication import Indication
from quietcell.core.records import Json
from quietcell.ledger.chain import Stored

Draw = Callable[[list[Indication]], None]


@dataclass(slots=True, kw_only=True)
class Story:
    """What the ledger has told so far."""

    cells: list[str]
    seq: int = 0
    determinations: dict[str, list[dict[str, Json]]] = field(default_factory=dict)
    episodes: dict[str, list[dict[str, Json]]] = field(default_factory=dict)
    """All steps of each, by cell and first record."""
    news: list[str] = field(default_factory=list)
    """Lines not yet shown."""

    def learn(self, records: list[Stored]) -> None:
        """Take further records."""
        for record in records:
            self.seq = record.seq
            body = record.body()
            if body["record"] == "determination":
                self.determinations.setdefault(body["cell"], []).append(body)
                self.news.append(f"{body['at'][11:19]}  {body['cell']:16} {outcome(body)}")
            elif body["record"] == "episode":
                self.episodes.setdefault(f"{body['cell']} {body['episode']}", []).append(body)
                self.news.append(f"{body['at'][11:19]}  {body['cell']:16} {body['state']}: {body['text']}")
            elif body["record"] in {"gap", "driver-fault", "clock-step"}:
                self.news.append(f"{body['at'][11:19]}  {body['cell']:16} {body['record']}")


def outcome(body: dict[str, Json]) -> str:
    """Return a determination in one line."""
    caveats = [q for q in body["qualifiers"] if q.startswith("co2")]
    why = ", ".join(body["reasons"] or caveats or [f"episode {each}" for each in body.get("episodes", ())])
    value = ""
    if body["verdict"] in {"accepted", "qualified"}:
        unsure = body["ph_expanded_uncertainty"]
        value = f" pH {body['ph_reported']:.2f} ± {unsure:.2f} at {body['temperature_c']:.1f} °C"
    return f"{body['verdict']}{value}{f' ({why})' if why else ''}"


@contextmanager
def show_plain(story: Story) -> Iterator[Draw]:
    """Print each piece of news on a line of its own."""

    def draw(_indications: list[Indication]) -> None:
        for line in story.news:
            click.echo(line)
        story.news.clear()

    yield draw


@contextmanager
def show_table(story: Story) -> Iterator[Draw]:
    """Keep a table of the cells on the terminal, with the latest news below."""
    console = Console()
    latest: list[str] = []
    with Live(console=console, refresh_per_second=4, transient=True) as live:

        def draw(indications: list[Indication]) -> None:
            latest.extend(story.news)
            story.news.clear()
            live.update(_table(story, indications, latest[-6:]))

        yield draw
    for line in latest:
        console.print(line, markup=False, highlight=False)


def _table(story: Story, indications: list[Indication], news: list[str]) -> Table:
    outer = Table.grid(padding=(0, 0))
    table = Table(title="Merrow Sound purified-water loop", title_justify="left", expand=True)
    for heading in ("cell", "indication", "waits for", "last verdict"):
        table.add_column(heading, overflow="fold", no_wrap=heading == "cell")
    for indication in indications:
        done = story.determinations.get(indication.cell)
        table.add_row(
            indication.cell,
            _live(indication),
            indication.waits_for,
            outcome(done[-1]) if done else "none yet",
        )
    outer.add_row(table)
    for line in news:
        outer.add_row(line)
    return outer


def _live(indication: Indication) -> str:
    if indication.ph is None:
        return "no reading yet"
    parts = [f"pH {indication.ph:.2f}", f"{indication.temperature_c:.1f} °C"]
    if indication.conductivity_us_cm is not None:
        parts.append(f"{indication.conductivity_us_cm:.3f} µS/cm")
    return ", ".join(parts)


def subscription(host: str, port: int) -> str:
    """Return the command that shows the results as they arrive."""
    return f"mosquitto_sub -h {host} -p {port} -t 'quietcell/merrow-sound/+/result' -v"


def summary(story: Story, place: Path) -> str:
    """Return what happened, where it lies and what to try next."""
    lines = ["", "What happened"]
    for cell in story.cells:
        done = story.determinations.get(cell, [])
        lines.append(f"  {cell}: {_counted(done)}")
        for reason, count in _reasons(done).items():
            lines.append(
                f"    refused {count} times: {reason}" if count > 1 else f"    refused once: {reason}"
            )
    for first, *_, last in ((steps[0], *steps) for steps in story.episodes.values()):
        lines.append(f"  {first['cell']}: {first['text']}")
        if last["state"] == "closed":
            lines.append(f"  {first['cell']}, {last['at'][11:19]}: {last['text']}")
    if not story.episodes:
        lines.append("  no ingress suspected")
    # Whoever has not activated the environment can take the lines as they stand, too.
    program = "quietcell" if shutil.which("quietcell") else shlex.quote(sys.argv[0])
    config, ledger = Place(place / "demo.toml", None), Place(None, place / "ledger")
    if find_spec("matplotlib") is None:
        report = "No report: install 'quietcell[report]' for one."
    else:
        out = shlex.quote(str(place / "demo.html"))
        report = f"A report of it:                {program} report {config.words()} --out {out}"
    lines += [
        "",
        f"Results as JSON lines and CSV: {place / 'results'}",
        f"The ledger with all readings:  {ledger.ledger}   ({program} verify {ledger.words()})",
        f"The configuration that ran:    {config.config}",
        report,
    ]
    return "\n".join(lines)


def _counted(done: list[dict[str, Json]]) -> str:
    """Return how many determinations ended in which verdict."""
    counts: dict[str, int] = {}
    for body in done:
        counts[body["verdict"]] = counts.get(body["verdict"], 0) + 1
    values = [body["ph_reported"] for body in done if body["verdict"] in {"accepted", "qualified"}]
    ends = dict.fromkeys(f"{end(values):.2f}" for end in (min, max)) if values else ()
    span = f"; pH {' to '.join(ends)}" if ends else ""
    return (
        ", ".join(f"{count} {verdict}" for verdict, count in counts.items()) + span
        if done
        else "no determination"
    )


def _reasons(done: list[dict[str, Json]]) -> dict[str, int]:
    """Return how often each set of reasons refused a determination."""
    found: dict[str, int] = {}
    for body in done:
        if body["verdict"] == "refused":
            why = ", ".join(body["reasons"])
            found[why] = found.get(why, 0) + 1
    return found
