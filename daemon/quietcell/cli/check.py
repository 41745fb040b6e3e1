"""``quietcell check``: hold a cell against something known."""

from pathlib import Path

import click

from quietcell.cli.bench_session import (
    CAUTIONS,
    Session,
    bench_options,
    in_doubt,
    in_words,
    session,
    told,
    who_works,
)
from quietcell.cli.buffer_flag import buffer_from
from quietcell.cli.flow_test import Flows, flow_tested
from quietcell.cli.options import Number, print_json
from quietcell.core.electrode.low_ionic import FEWEST_SOLUTIONS, known_solution
from quietcell.core.ingress.flow_test import LEAST_FLOW_ML_MIN
from quietcell.core.records import Json
from quietcell.errors import DomainError, QuietcellError, UsageError
from quietcell.report.wording import UNITS
from quietcell.service.checks import KNOWN_PH, KNOWN_TEMPERATURE_C

_TOLERANCE = Number(0, 100, min_open=True)


@click.command("check")
@bench_options
@click.option("--buffer", "check_buffer", help="A third buffer: SET/NAME,lot=... or NAME,ph=7.00,u=0.01.")
@click.option("--known-ph", type=Number(*KNOWN_PH), help="pH by another meter or a laboratory.")
@click.option("--known-from", help="Whose value that is.")
@click.option(
    "--determination",
    help="Whose water the known pH is of, by id, also a refused one that came to rest. Absent: the last "
    "of this cycle.",
)
@click.option("--known-temperature", type=Number(*KNOWN_TEMPERATURE_C), help="°C by another thermometer.")
@click.option("--low-ionic", is_flag=True, help="Dilute solutions of known pH, at working flow.")
@click.option(
    "--solution",
    "solutions",
    multiple=True,
    help="For --low-ionic, three or more: acid:5e-5 (mol/L), base or ammonia (by conductivity), "
    "stated:5.30:0.02.",
)
@click.option(
    "--conductivity",
    "conductivities",
    multiple=True,
    type=Number(),
    help="µS/cm, where the cell measures none.",
)
@click.option("--tolerance", type=_TOLERANCE, help="Largest deviation, pH or °C.")
@click.option(
    "--flow-test",
    is_flag=True,
    help="Three flows and back: does carbon dioxide come in before the electrode?",
)
@click.option(
    "--flow",
    "flows",
    multiple=True,
    type=Number(min=LEAST_FLOW_ML_MIN),
    help="For --flow-test, three, mL/min. Each is waited for; where no flow is measured, until you say so.",
)
@click.option("--settle-s", type=Number(min=0), help="Wait at each flow. Absent: by hold-up and flow.")
def command(  # noqa: PLR0917 # one argument a flag
    cell: str,
    path: Path,
    operator: str | None,
    check_buffer: str | None,
    known_ph: float | None,
    known_from: str | None,
    determination: str | None,
    known_temperature: float | None,
    solutions: tuple[str, ...],
    conductivities: tuple[float, ...],
    tolerance: float | None,
    flows: tuple[float, ...],
    settle_s: float | None,
    *,
    low_ionic: bool,
    flow_test: bool,
    no_pause: bool,
    supersede: bool,
    as_json: bool,
) -> int:
    """Hold CELL against a buffer, another value, a thermometer, or dilute solutions of known pH.

    A check that fails puts a doubt on every result since the last good one, and nothing is accepted until
    a check passes or the cell is calibrated. The flow test is no such check: it tells where carbon dioxide
    comes in, and an open episode learns its place from it.
    """
    ways = (
        check_buffer is not None,
        known_ph is not None,
        known_temperature is not None,
        low_ionic,
        flow_test,
    )
    _require_one(sum(ways), solutions if low_ionic else None)
    if flow_test:
        how = Flows(given_ml_min=flows, settle_s=settle_s, pause=not no_pause)
        operator = who_works(path, cell, operator)
        with session(path, cell, operator, supersede=supersede) as here, here.attending("flow-test") as found:
            click.echo(CAUTIONS, err=True)
            tested = flow_tested(here, found, how)
        return _tested(tested, as_json=as_json)
    if not low_ionic:
        unit = "pH" if known_temperature is None else "°C"
        tolerance = told(tolerance, f"Largest deviation allowed, {unit}", flag="--tolerance", type=_TOLERANCE)
    names: list[str] = []
    asked: dict[str, Json] = {} if tolerance is None else {"tolerance": tolerance}
    asked |= {} if known_from is None else {"known_from": known_from}
    if known_ph is not None:
        named = [] if determination is None else [determination]
        asked |= {"method": "comparison", "known": known_ph, "measurements": named}
    elif known_temperature is not None:
        asked |= {"method": "temperature", "known": known_temperature}
    elif low_ionic:
        names = list(solutions)
        asked |= {"method": "low-ionic", "solutions": names, "conductivities_us_cm": list(conductivities)}
    elif check_buffer is not None:
        names = [check_buffer]
        asked |= {"method": "buffer", "buffer": buffer_from(check_buffer)}
    operator = who_works(path, cell, operator)
    with session(path, cell, operator, supersede=supersede) as here:
        if not names:
            if known_temperature is not None:
                here.indication()  # without a daemon the meter has only just been opened
            outcome = here.ask("check", **asked)
        else:
            with here.attending("check") as found:
                click.echo(CAUTIONS, err=True)
                purpose = "low-ionic" if low_ionic else "check"
                ids = [_measured(here, purpose, name, pause=not no_pause) for name in names]
                outcome = here.ask("check", **asked, attendance=here.attendance, measurements=ids)
                status = _told(outcome, as_json=as_json)
                here.put_back(pause=not no_pause)
                return status
    return _told(outcome, as_json=as_json)


def _require_one(ways: int, solutions: tuple[str, ...] | None) -> None:
    """Refuse what is no check before anybody prepares one."""
    if ways != 1:
        raise UsageError(
            "choose one of --buffer, --known-ph, --known-temperature, --low-ionic and --flow-test"
        )
    if solutions is None:
        return
    for described in solutions:
        try:
            known_solution(described)
        except DomainError as error:
            raise UsageError(f"--solution: {error.message}", hint=error.hint) from None
    if len(solutions) < FEWEST_SOLUTIONS:
        raise UsageError(f"{len(solutions)} --solution given; --low-ionic takes {FEWEST_SOLUTIONS} or more")


def _measured(here: Session, purpose: str, name: str, *, pause: bool) -> str:
    """Measure one solution and return the id of its record."""
    where = "let it flow as usual" if purpose == "low-ionic" else "stir gently"
    here.ready(f"{name}: rinse with pure water, blot, put the electrode into it and {where}.", pause=pause)
    body = here.known_solution(purpose, name)
    if body["verdict"] != "accepted":
        raise QuietcellError(f"{name} did not come to rest: {in_words(body['reasons'])}")
    shown = "" if body["ph"] is None else f", pH {body['ph']:.3f}"
    click.echo(f"At rest: {body['mv']:.2f} mV{shown}.", err=True)
    found: str = body["id"]
    return found


def _tested(outcome: dict[str, Json], *, as_json: bool) -> int:
    """Print what a flow test has shown; returns the exit status."""
    body = outcome["body"]
    if as_json:
        print_json(outcome)
    else:
        click.echo(f"{body['verdict']}: {body['id']}")
        click.echo(f"  {body['text']}")
        for episode in outcome["episodes"]:
            click.echo(
                f"  Episode {episode['episode']} ({episode['diagnosis']}) is now placed: {episode['place']}"
            )
    return 0 if body["verdict"] in ("nothing-found", "carbon-dioxide-in-water") else 1


def _told(outcome: dict[str, Json], *, as_json: bool) -> int:
    """Print what a check has shown; returns the exit status."""
    body = outcome["body"]
    if as_json:
        print_json(outcome)
    else:
        unit = UNITS.get(body["unit"], body["unit"])
        click.echo(f"{body['verdict']}: {body['id']}, {body['deviation']:+.3f} {unit}")
        if compared := outcome.get("compared"):
            click.echo(
                f"  compared with {compared['id']}: {compared['verdict']}, pH {compared['ph']:.3f}, "
                f"ended {compared['ended']}"
            )
        if still := outcome.get("still_failed"):
            click.echo(
                f"  nothing is accepted yet: the {still['method']} check {still['id']} failed, which this "
                "one does not clear"
            )
        for refusal in body["refusals"]:
            click.echo(f"  {refusal['reason']}: {refusal['text']}")
        if outcome["doubt"]:
            click.echo(in_doubt(outcome["doubt"]))
    return 0 if body["verdict"] == "passed" else 1
