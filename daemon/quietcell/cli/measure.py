"""``quietcell measure``: a sample someone brought to the bench, portion by portion until they agree."""

import math
from pathlib import Path

import click

from quietcell.cli.bench_session import (
    CAUTIONS,
    Session,
    bench_options,
    confirmed,
    in_words,
    session,
    told,
    who_works,
)
from quietcell.cli.options import Number, Place, print_json
from quietcell.core.evaluation import AIR_COUNTS_US_CM
from quietcell.core.records import Json
from quietcell.errors import QuietcellError
from quietcell.service.clock import SystemClock

ADVICE = (
    "A sample of purified water changes from when it is drawn: fill the container to the brim, close it, "
    "measure soon. Glass gives off alkali, plastic lets carbon dioxide through. Where the source cannot be "
    "led to the cell, degas and cover the portion with an inert gas: secure the cylinder, air the room."
)
OPEN_WARNING = (
    f"Below {AIR_COUNTS_US_CM:g} µS/cm carbon dioxide from the air changes an open sample within minutes: "
    "the result will be of the beaker, not of the source, and says so. Cover it, or let it flow."
)
KCL_DOSE = " Add 0.3 mL of saturated potassium chloride solution to each 100 mL of it."
NO_USE = frozenset({"not-calibrated", "calibration-expired", "check-failed", "busy", "superseded"})
"""Reasons another portion does not cure."""


def _read_conductivity(text: str) -> str | float:
    """Return µS/cm, or the word that stands for where it comes from."""
    if text in ("none", "meter"):
        return text
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not 0.0 < value < 1e6:
        raise click.BadParameter(f"{text!r} is no conductivity. Write µS/cm as 1.25, meter, or none")
    return value


def _read_temperature(text: str) -> float | None:
    """Return °C; nothing stands for none."""
    try:
        value = float(text) if text else None
    except ValueError:
        value = math.nan
    if value is not None and not math.isfinite(value):
        raise click.BadParameter(f"{text!r} is no temperature. Write °C as 22.5")
    return value


@click.command("measure")
@bench_options
@click.option("--sample", "sample_id", help="What is measured, as you name it; every record carries it.")
@click.option("--container", help="Material of the container, such as glass or polypropylene.")
@click.option("--age-min", type=Number(min=0), help="Minutes since the container was filled.")
@click.option(
    "--conductivity",
    metavar="NUMBER",
    type=_read_conductivity,
    help="µS/cm of a separate portion, before the electrode goes in; meter: what the cell's own meter shows "
    "now; none: not measured.",
)
@click.option(
    "--conductivity-temperature", type=Number(), help="°C of that portion. Absent: that of the sample."
)
@click.option("--open-to-air/--closed", default=None, help="Whether air gets at it while it is measured.")
@click.option("--kcl", is_flag=True, help="0.3 mL of saturated potassium chloride go into each 100 mL.")
@click.option(
    "--from-buffer", is_flag=True, help="The electrode was in a buffer before: hold until it has relaxed."
)
@click.option(
    "--portions", type=click.IntRange(1, 100), default=6, show_default=True, help="Most portions to try."
)
def command(  # one argument a flag
    cell: str,
    path: Path,
    operator: str | None,
    sample_id: str | None,
    container: str | None,
    age_min: float | None,
    conductivity: str | float | None,
    conductivity_temperature: float | None,
    portions: int,
    *,
    open_to_air: bool | None,
    kcl: bool,
    from_buffer: bool,
    no_pause: bool,
    supersede: bool,
    as_json: bool,
) -> int:
    """Measure a sample someone brought to the electrode of CELL.

    Works beside a running daemon, and without one. As many portions are asked for as the cell's criterion
    wants to agree. Container, age and conductivity are asked for before the electrode goes in, for its
    potassium chloride leaks into the sample; they travel with each record. Every question has a flag;
    stopping early changes nothing.
    """
    operator = who_works(path, cell, operator)
    sample_id = told(sample_id, "Sample", flag="--sample")
    with session(path, cell, operator, supersede=supersede) as here, here.attending("measure") as found:
        _require_able(cell, found, path)
        click.echo(CAUTIONS, err=True)
        click.echo(ADVICE, err=True)
        clock = SystemClock()
        grab: dict[str, Json] = {
            "container": told(container, "Material of the container", flag="--container"),
            "kcl_adjusted": kcl or found["kcl_adjusted"],
        }
        age = told(age_min, "Minutes since it was filled", flag="--age-min", type=Number(min=0))
        filled_ms = clock.boot_ms() - 60_000.0 * age
        grab |= _conductivity(here, conductivity, conductivity_temperature)
        grab["open_to_air"] = confirmed(
            open_to_air, "Does air get at it while it is measured", flag="--open-to-air or --closed"
        )
        if grab["open_to_air"] and grab.get("conductivity_us_cm", 0.0) < AIR_COUNTS_US_CM:
            click.echo(OPEN_WARNING, err=True)
        bodies: list[dict[str, Json]] = []
        while len(bodies) < portions and not (bodies and _is_result(bodies[-1])):
            number = len(bodies) + 1
            here.ready(_what_to_do(number, kcl=grab["kcl_adjusted"]), pause=not no_pause)
            grab |= {"portion": number, "age_min": (clock.boot_ms() - filled_ms) / 60_000.0}
            bodies.append(here.brought_sample(sample_id, grab, from_buffer=from_buffer and number == 1))
            _tell(number, bodies[-1])
        status = _told(sample_id, bodies, decimals=found["ph_decimals"], as_json=as_json)
        here.put_back(pause=not no_pause)
    return status


def _require_able(cell: str, found: dict[str, Json], config: Path) -> None:
    """Say before anything is poured that no value could be accepted."""
    calibrate = f"quietcell calibrate {cell} {Place(config, None).words()}"
    if not found["calibrated"]:
        raise QuietcellError(
            "the cell has no calibration: no value could be accepted",
            subject=cell,
            hint=f"Calibrate it first: {calibrate}",
        )
    if found["failed_check"] is not None:
        raise QuietcellError(
            f"check {found['failed_check']} failed: no value could be accepted",
            subject=cell,
            hint=f"Let one like it pass first; if it was of the pH, {calibrate} will do",
        )


def _conductivity(here: Session, given: str | float | None, temperature_c: float | None) -> dict[str, Json]:
    """Return the conductivity of a separate portion, and its temperature."""
    answer = told(
        given,
        "Conductivity of a separate portion, before the electrode goes in (µS/cm; meter: as the cell shows "
        "it now; none)",
        flag="--conductivity",
        type=_read_conductivity,
    )
    if answer == "none":
        return {}
    if answer == "meter":
        live = here.indication()
        if live["conductivity_us_cm"] is None:
            raise QuietcellError(
                "the meter shows no conductivity", subject=here.cell, hint="Give it with --conductivity"
            )
        click.echo(f"{live['conductivity_us_cm']:.3f} µS/cm at {_degrees(live['temperature_c'])}", err=True)
        return {
            "conductivity_us_cm": live["conductivity_us_cm"],
            "conductivity_temperature_c": live["temperature_c"],
        }
    if given is None and temperature_c is None:
        temperature_c = told(
            None,
            "Its temperature, °C (empty: that of the sample)",
            flag="--conductivity-temperature",
            default="",
            type=_read_temperature,
        )
    return {"conductivity_us_cm": answer, "conductivity_temperature_c": temperature_c}


def _what_to_do(number: int, *, kcl: bool) -> str:
    return (
        f"Portion {number}: rinse electrode and beaker with pure water, then with the sample. Pour a fresh "
        f"portion and close the container again.{KCL_DOSE if kcl else ''} Put the electrode in, cover it, do "
        "not stir air into it. Electrodes and beakers are glass: broken glass is not picked up by hand."
    )


def _is_result(body: dict[str, Json]) -> bool:
    return body["verdict"] in ("accepted", "qualified")


def _tell(number: int, body: dict[str, Json]) -> None:
    """Say what became of a portion; raises where another would end no better."""
    if body["verdict"] == "refused":
        reasons = in_words(body["reasons"])
        if NO_USE & set(body["reasons"]):
            raise QuietcellError(f"portion {number} was refused: {reasons}")
        click.echo(f"Portion {number} was refused: {reasons}.", err=True)
    elif body["verdict"] == "cannot-tell":
        click.echo(f"Portion {number}: pH {body['ph']:.3f}. More portions have to agree with it.", err=True)
    else:
        click.echo(f"Portion {number}: pH {body['ph']:.3f}.", err=True)


def _told(sample_id: str, bodies: list[dict[str, Json]], *, decimals: int, as_json: bool) -> int:
    """Print the outcome, its pH with the decimals it is reported with; returns the exit status."""
    last = bodies[-1]
    result = last if _is_result(last) else None
    if as_json:
        told_json = {"sample_id": sample_id, "result": result, "determinations": bodies}
        print_json(told_json)
    elif result is None:
        click.echo(f"{sample_id}: no result after {len(bodies)} portions; they do not agree or did not rest")
    else:
        at_25c = "" if result["ph_25c"] is None else f", {result['ph_25c']:.2f} at 25 °C"
        ph, unsure = f"{result['ph_reported']:.{decimals}f}", result["ph_expanded_uncertainty"]
        click.echo(
            f"{sample_id}: pH {ph} ± {unsure:.2f} (k = 2) at "
            f"{_degrees(result['temperature_c'])}{at_25c}; {result['verdict']}, {result['id']}"
        )
        if len(result.get("portions_ph", ())) > 1:
            click.echo(f"  portions: {', '.join(f'{ph:.3f}' for ph in result['portions_ph'])}")
        if result["qualifiers"]:
            click.echo(f"  bear in mind: {in_words(result['qualifiers'])}")
    return 0 if result is not None else 1


def _degrees(temperature_c: float | None) -> str:
    return "a temperature not known" if temperature_c is None else f"{temperature_c:.1f} °C"
