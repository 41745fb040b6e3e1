"""``quietcell calibrate``: find slope and zero of an electrode in buffers, one after another."""

import sys
from datetime import date
from math import isfinite
from pathlib import Path

import click

from quietcell.cli.bench_session import (
    CAUTIONS,
    Session,
    bench_options,
    confirmed,
    in_doubt,
    in_words,
    session,
    told,
    who_works,
)
from quietcell.cli.buffer_flag import buffer_from
from quietcell.cli.options import Number, print_json
from quietcell.core.electrode.buffers import BUFFER_SETS, buffer
from quietcell.core.electrode.described_buffer import described_buffer
from quietcell.core.electrode.nernst import Line
from quietcell.core.electrode.recognition import NOMINAL_LINE, recognise
from quietcell.core.records import Json
from quietcell.errors import QuietcellError, UsageError

FEWEST_BUFFERS, MOST_BUFFERS = 2, 5
NEAR_MV, FAR_MV = 12.0, 45.0
"""How far a buffer may be from what the last calibration, or theory, expects, mV."""


def _read_day(text: str) -> str:
    """Return a day as it is recorded; nothing stands for none."""
    try:
        return date.fromisoformat(text).isoformat() if text else ""
    except ValueError:
        raise click.BadParameter(f"{text!r} is no day. Write it like 2027-12-31") from None


def _read_ph_span(text: str) -> list[float]:
    """Return one pH, or lowest and highest."""
    try:
        values = sorted(float(part) for part in text.split(":"))
    except ValueError:
        values = []
    if not 1 <= len(values) <= 2 or not all(map(isfinite, values)):
        raise click.BadParameter(f"{text!r} is no pH. Write 6.8 or 6.2:7.4")
    return values


@click.command("calibrate")
@bench_options
@click.option(
    "--buffer",
    "buffers",
    multiple=True,
    help="In order: SET/NAME,lot=...,expires=YYYY-MM-DD or NAME,ph=7.00,u=0.01. Absent: the potential tells.",
)
@click.option(
    "--set",
    "buffer_set",
    type=click.Choice(list(BUFFER_SETS)),
    default="iupac-2002",
    show_default=True,
    help="Buffers to choose from where the potential tells.",
)
@click.option(
    "--expected-ph", metavar="PH", type=_read_ph_span, help="Where the sample is expected, as 6.8 or 6.2:7.4."
)
@click.option("--valid-days", type=Number(0, 3660, min_open=True), help="Days until it expires.")
@click.option(
    "--as-found-limit",
    type=Number(0, 14, min_open=True),
    default=0.05,
    show_default=True,
    help="A buffer read further off before puts earlier results in doubt, pH.",
)
@click.option("--use/--no-use", default=None, help="Use it if nothing speaks against it, or do not.")
@click.option(
    "--accept-change/--refuse-change",
    default=None,
    help="Answer to a large change, or to mV that rise with pH.",
)
@click.option("--comment", help="Kept with the calibration.")
def command(
    cell: str,
    path: Path,
    operator: str | None,
    buffers: tuple[str, ...],
    buffer_set: str,
    expected_ph: list[float] | None,
    valid_days: float | None,
    as_found_limit: float,
    comment: str | None,
    *,
    no_pause: bool,
    supersede: bool,
    as_json: bool,
    use: bool | None,
    accept_change: bool | None,
) -> int:
    """Find slope and zero of the electrode of CELL in buffers.

    Works beside a running daemon, and without one. Two buffers or more must lie on both sides of the
    expected pH. Every question has a flag; stopping early changes nothing.
    """
    _require_buffers(buffers)
    operator = who_works(path, cell, operator)
    with session(path, cell, operator, supersede=supersede) as here, here.attending("calibration") as found:
        if found["fixed"]:
            key = f"the configuration fixes this calibration: cells.{cell}.calibration"
            if use:
                hint = "Remove that table and `quietcell reload`, or keep this one without use (--no-use)"
                raise QuietcellError(key, subject=cell, hint=hint)
            click.echo(f"Note that {key}. What you find is kept, not used.", err=True)
            use = False
        click.echo(CAUTIONS, err=True)
        expected = _span(expected_ph, found)
        points: list[dict[str, Json]] = []
        names = list(buffers) or [""] * MOST_BUFFERS
        for number, name in enumerate(names, start=1):
            if number > FEWEST_BUFFERS and not buffers:
                tell_lacking(points, expected)
                if not confirmed(None, "Another buffer", flag="--buffer"):
                    break
            points.append(_point(here, found, number, name, buffer_set, pause=not no_pause))
        asked: dict[str, Json] = {
            "attendance": here.attendance,
            "points": points,
            "expected_ph": expected,
            "as_found_limit_ph": as_found_limit,
        }
        asked |= {} if valid_days is None else {"valid_d": valid_days}
        asked |= {} if comment is None else {"comment": comment}
        judged = here.ask("calibrate", **asked)
        _tell(judged)
        wanted = use is not False and not judged["body"]["refusals"]
        for question in judged["questions"] if wanted else ():
            wanted = wanted and confirmed(
                accept_change, f"{question['text']}. Is it so", flag="--accept-change"
            )
        if wanted:
            wanted = confirmed(use, "Use this calibration from here on", flag="--use")
        kept = here.ask("calibrate", **asked, use=wanted)
        _tell_outcome(kept, as_json=as_json)
        here.put_back(pause=not no_pause)
    return 0 if kept["body"]["verdict"] == "accepted" else 1


def _tell_outcome(kept: dict[str, Json], *, as_json: bool) -> None:
    """Say what became of a calibration."""
    if as_json:
        print_json(kept)
        return
    click.echo(f"{kept['body']['verdict']}: {kept['body']['id']}")
    if kept["doubt"]:
        click.echo(in_doubt(kept["doubt"]))
        if kept["doubt"]["determinations"]:
            click.echo(f"  {kept['doubt']['text']}")


def _require_buffers(given: tuple[str, ...]) -> None:
    """Refuse what could not be used before it is measured."""
    if not given and not sys.stdin.isatty():
        raise UsageError("Buffers: nobody to ask; give each with --buffer")
    for text in given:
        buffer_from(text)
    if given and not FEWEST_BUFFERS <= len(given) <= MOST_BUFFERS:
        raise UsageError(
            f"{len(given)} --buffer given; a calibration takes {FEWEST_BUFFERS} to {MOST_BUFFERS}"
        )


def _span(given: list[float] | None, found: dict[str, Json]) -> list[float]:
    """Return where the sample is expected."""
    recent = found["expected_ph"]
    usual = "7.0" if recent is None else ":".join(dict.fromkeys(f"{value:.2f}" for value in recent))
    if given is None:
        given = told(
            None, "Expected pH of the sample", flag="--expected-ph", default=usual, type=_read_ph_span
        )
    return [given[0], given[-1]]


def tell_lacking(points: list[dict[str, Json]], expected: list[float]) -> None:
    """Say while a buffer can still be added that those so far do not suit the sample."""
    values = sorted(described_buffer(point).ph(25.0) for point in points)
    if not values[0] <= expected[0] <= expected[1] <= values[-1]:
        click.echo(
            f"The sample is expected at pH {' to '.join(f'{ph:.2f}' for ph in sorted(set(expected)))}, the "
            f"buffers reach from {values[0]:.2f} to {values[-1]:.2f} at 25 °C: without one on its other side "
            "this will be refused.",
            err=True,
        )


def _point(
    here: Session, found: dict[str, Json], number: int, given: str, buffer_set: str, *, pause: bool
) -> dict[str, Json]:
    """Measure one buffer and return it as the daemon wants it."""
    here.ready(
        f"Buffer {number}: rinse the electrode with pure water, blot it (do not rub), put it into fresh "
        "buffer at the temperature of the others and stir gently.",
        pause=pause,
    )
    while True:
        body = here.known_solution("calibration", given or f"buffer {number}")
        if body["verdict"] == "accepted":
            break
        click.echo(f"Did not come to rest: {in_words(body['reasons'])}.", err=True)
        if not confirmed(None, "Measure it again", flag="a fresh buffer"):
            raise QuietcellError("a buffer did not come to rest")
    click.echo(f"At rest: {body['mv']:.2f} mV at {body['temperature_c']:.1f} °C.", err=True)
    described = buffer_from(given) if given else _recognised(body, found, buffer_set)
    if "ph" not in described and not given:
        described["lot"] = told(None, "Lot of the bottle", flag="--buffer ...,lot=", default="")
        prompt, flag = "Last day of use (YYYY-MM-DD)", "--buffer ...,expires="
        expiry = told(None, prompt, flag=flag, default="", type=_read_day)
        described |= {"expires": expiry} if expiry else {}
    return {**described, "measurement": body["id"]}


def _recognised(body: dict[str, Json], found: dict[str, Json], buffer_set: str) -> dict[str, Json]:
    """Return the buffer the potential tells of, or the answer to a question."""
    calibrated = found["calibrated"]
    line = Line(slope_pct=found["slope_pct"], zero_mv=found["zero_mv"]) if calibrated else NOMINAL_LINE
    shelf = [buffer(buffer_set, name) for name in BUFFER_SETS[buffer_set].tables]
    seen = recognise(
        body["mv"], body["temperature_c"], shelf, within_mv=NEAR_MV if calibrated else FAR_MV, line=line
    )
    if seen.buffer is not None and calibrated:
        click.echo(f"That is {seen.buffer.name}.", err=True)
        return {"set": buffer_set, "name": seen.buffer.name}
    every = list(BUFFER_SETS[buffer_set].tables)
    if seen.buffer is not None:  # by theory: where mV rise with pH it is the one as far beyond pH 7
        likely = f"Which buffer is it? By its potential {seen.buffer.name}"
        name = told(None, likely, flag="--buffer", default=seen.buffer.name, type=click.Choice(every))
    else:
        choices = [one.name for one in seen.fits] or every
        name = told(None, seen.question, flag="--buffer", type=click.Choice(choices))
    return {"set": buffer_set, "name": name}


def _tell(judged: dict[str, Json]) -> None:
    """Show what the buffers say."""
    body = judged["body"]
    before = body["previous"]
    click.echo(
        f"Slope {body['slope_pct']:.2f} ± {body['slope_expanded_uncertainty_pct']:.2f} %, "
        f"zero {body['zero_mv']:+.2f} ± {body['zero_expanded_uncertainty_mv']:.2f} mV (k = 2)",
        err=True,
    )
    if before is not None:
        click.echo(
            f"Since last time: slope {body['slope_pct'] - before['slope_pct']:+.2f} %, "
            f"zero {body['zero_mv'] - before['zero_mv']:+.2f} mV",
            err=True,
        )
    for point in body["points"]:
        found = "" if point["as_found_ph"] is None else f", as found pH {point['as_found_ph']:.3f}"
        click.echo(
            f"  {point['buffer']}: pH {point['ph']:.3f}, residual {point['residual_ph']:+.3f} pH{found}",
            err=True,
        )
    for refusal in body["refusals"]:
        click.echo(f"Refused, {refusal['reason']}: {refusal['text']}.", err=True)
