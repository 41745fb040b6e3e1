"""The flow test of ``quietcell check``: three flows and back, guided or unattended."""

import time
from dataclasses import dataclass

import click

from quietcell.cli.bench_session import LOOK_S, Session, confirmed, in_words, ready, show, told
from quietcell.cli.options import Number
from quietcell.core.ingress.flow_test import (
    BACK_RATIO,
    LEAST_FLOW_ML_MIN,
    LEAST_FLOW_RATIO,
    LEAST_SETTLE_S,
    SETTLED_VOLUMES,
)
from quietcell.core.records import Json
from quietcell.core.times import utc_ms
from quietcell.errors import QuietcellError, UsageError

NEAR = 1.05
"""A flow asked for is there within this ratio."""
LONGEST_TURN_S = 1800.0
"""Unattended, somebody or something has so long to set a flow."""
FRESH_MS = 1500
"""A reading shows the flow that somebody has just set when it is so much newer."""
WHAT_TO_DO = (
    "leave the flow as it is usually",
    "set the flow to about half of that",
    "set the flow to about double the first",
    "set the first flow again",
)
VALVES = (
    "Turn only the valve of the sample: behind it the line may be hot and under pressure. Follow your local "
    "rules. A step takes several minutes."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Flows:
    """How the flows come about.

    Parameters
    ----------
    given_ml_min : tuple of float
        Three flows to wait for, or that were measured by other means; empty: somebody sets them.
    settle_s : float or None
        Time to wait at each flow; None: by hold-up and flow.
    pause : bool
        Wait for Enter before each step.
    """

    given_ml_min: tuple[float, ...]
    settle_s: float | None
    pause: bool

    def __post_init__(self) -> None:
        """Refuse what is no test before anybody turns a valve."""
        if len(self.given_ml_min) not in (0, 3):
            raise UsageError(f"{len(self.given_ml_min)} --flow given; a flow test has three")
        for number, flow in enumerate(self.given_ml_min[1:], start=1):
            if not _differs(flow, self.given_ml_min[:number]):
                raise UsageError(
                    f"--flow {flow:g} is too near another", hint=f"Let each differ by {LEAST_FLOW_RATIO:g}"
                )


def flow_tested(here: Session, found: dict[str, Json], flows: Flows) -> dict[str, Json]:
    """Lead through a flow test and return the daemon's answer.

    Raises
    ------
    QuietcellError
        If the cell cannot be tested, a flow does not come, or a value does not come to rest.
    """
    if not found["calibrated"]:
        raise QuietcellError("the cell has no calibration", subject=here.cell, hint="Calibrate it first")
    metered = here.indication()["flow_ml_min"] is not None
    click.echo(VALVES, err=True)
    measured: list[str] = []
    seen: list[float] = []
    for number, words in enumerate(WHAT_TO_DO, start=1):
        flow = _set(here, number, words, seen, flows, metered=metered)
        _settle(here, flow, found, flows)
        body = here.known_solution("flow-test", f"flow {number} of {len(WHAT_TO_DO)}")
        if body["verdict"] != "accepted":
            raise QuietcellError(f"flow {number} did not come to rest: {in_words(body['reasons'])}")
        seen.append(body["flow_ml_min"] if metered else flow)
        click.echo(f"At rest: pH {body['ph']:.3f} at {seen[-1]:.1f} mL/min.", err=True)
        measured.append(body["id"])
    by_hand = {} if metered else {"flows_ml_min": seen}
    return here.ask("flow-test", attendance=here.attendance, measurements=measured, **by_hand)


def _set(here: Session, number: int, words: str, seen: list[float], flows: Flows, *, metered: bool) -> float:
    """Have a flow set and return it, mL/min."""
    if flows.given_ml_min:
        wanted = flows.given_ml_min[(number - 1) % 3]
        if metered:
            _wait_for(here, wanted)
        else:  # nothing shows that somebody has set it
            ready(f"Flow {number} of {len(WHAT_TO_DO)}: set {wanted:g} mL/min.", pause=flows.pause)
        return wanted
    while True:
        ready(f"Flow {number} of {len(WHAT_TO_DO)}: {words}.", pause=flows.pause)
        flow: float | None = (
            _fresh(here)["flow_ml_min"]
            if metered
            else told(None, "That flow by cylinder and stopwatch, mL/min", flag="--flow", type=Number())
        )
        if flow is None or flow < LEAST_FLOW_ML_MIN:
            flow, fits, why = flow or 0.0, False, f"is none to test with; at least {LEAST_FLOW_ML_MIN:g}"
        elif number == len(WHAT_TO_DO):
            fits, why = _ratio(flow, seen[0]) <= BACK_RATIO, f"is not the first, {seen[0]:.1f} mL/min"
        else:
            fits, why = _differs(flow, seen), f"must differ from the others by a factor {LEAST_FLOW_RATIO:g}"
        if fits:
            return flow
        click.echo(f"{flow:.1f} mL/min {why}.", err=True)
        if not confirmed(None, "Set it again", flag="three --flow to wait for"):
            raise QuietcellError("the flows are none of a test")


def _fresh(here: Session) -> dict[str, Json]:
    """Return a reading taken after now."""
    began_ms = utc_ms(here.indication()["at"])
    while utc_ms((live := here.indication())["at"]) < began_ms + FRESH_MS:
        time.sleep(LOOK_S)
    return live


def _ratio(one: float, other: float) -> float:
    return max(one, other) / max(min(one, other), 1e-9)


def _differs(flow: float, others: tuple[float, ...] | list[float]) -> bool:
    return all(_ratio(flow, other) >= LEAST_FLOW_RATIO for other in others)


def _wait_for(here: Session, wanted_ml_min: float) -> None:
    """Wait until the cell's meter shows a flow."""
    began_ms: int | None = None
    while True:
        live = here.indication()
        flow = live["flow_ml_min"]
        if flow is not None and _ratio(flow, wanted_ml_min) <= NEAR:
            show("")
            return
        now_ms = utc_ms(live["at"])
        began_ms = now_ms if began_ms is None else began_ms
        if now_ms - began_ms > 1000 * LONGEST_TURN_S:
            raise QuietcellError(f"the flow did not come to {wanted_ml_min:g} mL/min in half an hour")
        shown = "not measured" if flow is None else f"{flow:.1f} mL/min"
        show(f"flow {shown}: waits for {wanted_ml_min:g} mL/min")
        time.sleep(LOOK_S)


def _settle(here: Session, flow_ml_min: float, found: dict[str, Json], flows: Flows) -> None:
    """Wait until what was in the cell and the electrode's memory of it are gone."""
    volumes_s = 60.0 * SETTLED_VOLUMES * (found["hold_up_ml"] or 0.0) / flow_ml_min
    wait_s = max(volumes_s, LEAST_SETTLE_S) if flows.settle_s is None else flows.settle_s
    began_ms = utc_ms(here.indication()["at"])
    while True:
        live = here.indication()
        gone_s = (utc_ms(live["at"]) - began_ms) / 1000.0
        if gone_s >= wait_s:
            show("")
            return
        flow = flow_ml_min if live["flow_ml_min"] is None else live["flow_ml_min"]
        show(f"{flow:.1f} mL/min: settles, {gone_s:.0f} of {wait_s:.0f} s")
        time.sleep(LOOK_S)
