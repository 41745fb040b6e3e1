"""Print what settling criteria accept, when, and how wrong: ``python -m tests.bench.endpoint_table``.

Options: ``--traces N`` (own physics, 2000), ``--other N`` (second generator, 700), ``--held-out N`` (third,
never tuned to, 700), ``--uptake N`` (200), ``--ramps N`` (500), ``--seed S``.
Families with tails that are no exponentials, or a false plateau, are summed apart as "hard". Every trace is
judged as if nothing were known of the electrode; those of one lately lifted from a buffer are judged once
more, told so, as an engine is after a calibration: the rows that end in "told".
"""

import argparse
from collections import Counter
from collections.abc import Callable, Sequence
from functools import partial

import numpy as np
from numpy.random import Generator

from quietcell.core.attempts import LOOK_MS
from quietcell.core.endpoint.criterion import SHIPPED, Criterion
from quietcell.core.endpoint.judge import judge
from quietcell.core.endpoint.uptake import co2_uptake
from tests.support.settling import (
    FAMILIES,
    HARD,
    HEADER,
    MV_PER_PH,
    Acceptance,
    Array,
    Trace,
    autoregressive,
    flicker,
    score,
    settling_traces,
    white,
)
from tests.support.settling_held_out import HELD_OUT_HARD, held_out_traces
from tests.support.settling_other import OTHER_HARD, other_traces

GRAB_WATER, LOOP_WATER = SHIPPED["grab-water"], SHIPPED["loop-water"]


def judged(
    trace: Trace, criterion: Criterion, *, flowing: bool = False, told: bool = False
) -> Acceptance | None:
    """Accept at the first look at which every proof stands.

    `told`: where the electrode comes from a buffer, it is known, as it is after a calibration.
    """
    start = int(trace.ms[0]) - 1
    step = LOOK_MS
    first = -(-int(max(criterion.window_s, criterion.long_window_s or 0.0) * 1000) // step) * step
    last = min(int(trace.ms[-1]) - start, int(criterion.max_wait_s * 1000))
    for waited in range(first, last + 1, step):
        n = int(np.searchsorted(trace.ms, start + waited, side="right"))
        look = judge(
            trace.ms[:n],
            trace.mv[:n],
            now_ms=start + waited,
            began_ms=start,
            disturbed_ms=start,
            criterion=criterion,
            mv_per_ph=MV_PER_PH,
            from_buffer=told and trace.from_buffer,
            flowing=flowing,
        )
        if look.at_rest:
            return Acceptance(at_s=waited / 1000.0, ph=7.0 - look.drift.mean_mv / MV_PER_PH)
    return None


def slope_only(trace: Trace, limit_ph_per_min: float, held_s: int) -> Acceptance | None:
    """Accept when the slope over 60 s has been small for a while: the practice to be bettered."""
    start, held = int(trace.ms[0]) - 1, 0
    for waited in range(60, int((trace.ms[-1] - start) / 1000), 1):
        begin, end = np.searchsorted(trace.ms, (start + 1000 * (waited - 60), start + 1000 * waited), "right")
        if end - begin < 4:
            continue
        t, y = trace.ms[begin:end] / 60_000.0, trace.mv[begin:end]
        t = t - t.mean()
        slope = float((t * y).sum() / (t * t).sum()) / MV_PER_PH
        held = held + 1 if abs(slope) < limit_ph_per_min else 0
        if held > held_s:
            return Acceptance(at_s=float(waited), ph=7.0 - float(y.mean()) / MV_PER_PH)
    return None


Method = Callable[[Trace], Acceptance | None]

SLOPES: dict[str, Method] = {
    "slope < 0.02 pH/min over 60 s": partial(slope_only, limit_ph_per_min=0.02, held_s=0),
    "slope < 0.005 pH/min, held 30 s": partial(slope_only, limit_ph_per_min=0.005, held_s=30),
}
JUDGES: dict[str, Callable[..., Acceptance | None]] = {
    "grab-water": partial(judged, criterion=GRAB_WATER),
    "loop-water": partial(judged, criterion=LOOP_WATER),
    "loop-water, flowing": partial(judged, criterion=LOOP_WATER, flowing=True),
}
TOLD: dict[str, Method] = {name: partial(method, told=True) for name, method in JUDGES.items()}
METHODS = SLOPES | JUDGES


def table(title: str, traces: Sequence[Trace], methods: Sequence[str]) -> None:
    """Print one block of rows a method."""
    families = list(dict.fromkeys(trace.family for trace in traces))
    groups = {family: [i for i, trace in enumerate(traces) if trace.family == family] for family in families}
    hard = [i for i, trace in enumerate(traces) if trace.family in HARD | OTHER_HARD | HELD_OUT_HARD]
    every = list(range(len(traces)))
    for method in methods:
        outcomes = [METHODS[method](trace) for trace in traces]
        print(f"\n{title}: {method}\n{'':20s}{HEADER}")
        for name, rows in {**groups, "hard": hard, "all": every}.items():
            print_row(name, [traces[i] for i in rows], [outcomes[i] for i in rows])
        if method not in TOLD or not any(trace.from_buffer for trace in traces):
            continue
        told = [
            TOLD[method](trace) if trace.from_buffer else outcome
            for trace, outcome in zip(traces, outcomes, strict=True)
        ]
        for name, rows in groups.items():
            if traces[rows[0]].from_buffer:
                print_row(f"{name}, told", [traces[i] for i in rows], [told[i] for i in rows])
        print_row("all, told", traces, told)


def print_row(name: str, traces: Sequence[Trace], outcomes: Sequence[Acceptance | None]) -> None:
    """Print what became of some traces."""
    print(f"{name:20s}{score(traces, outcomes).row}", flush=True)


RAMP_NOISES: dict[str, Callable[[Generator, int, float], Array]] = {
    "white": white,
    "AR(1) 0.9": lambda rng, n, sd: autoregressive(rng, n, sd, 0.9),
    "1/f": lambda rng, n, sd: flicker(rng, n, 0.5 * sd),
}


def coverage(runs: int, seed: int) -> None:
    """Print how often a whole run accepts a drift that breaks the limit all along."""
    for name, make in RAMP_NOISES.items():
        rng = np.random.default_rng(seed)
        accepted = 0
        for _ in range(runs):
            n = 1800
            ms = np.arange(n, dtype=np.int64) * 1000
            rate = GRAB_WATER.max_drift_mv_per_min * rng.uniform(1.02, 2.0) * rng.choice([-1.0, 1.0])
            mv = rate * ms / 60_000.0 + make(rng, n, np.exp(rng.uniform(np.log(0.02), np.log(0.2))))
            quiet = np.zeros(n)
            trace = Trace(
                family="ramp",
                ms=ms,
                mv=mv,
                temperature_c=quiet,
                conductivity_us_cm=quiet,
                flow_ml_min=quiet,
                clean_ph=quiet,
                end_ph=None,
                right_s=None,
            )
            accepted += judged(trace, GRAB_WATER) is not None
        print(
            f"whole runs of 30 min with |drift| above the limit, {name}: {accepted} of {runs} accepted",
            flush=True,
        )


def uptake(traces: Sequence[Trace]) -> None:
    """Print what conductivity adds at the first rest: uptake refused, and steady samples flagged."""
    told = {True: Counter[str](), False: Counter[str]()}
    for trace in traces:
        found, rests = judged(trace, GRAB_WATER), trace.end_ph is not None
        if found is None:
            told[rests]["not at rest"] += 1
            continue
        n = int(np.searchsorted(trace.ms, int(trace.ms[0]) - 1 + found.at_s * 1000.0, side="right"))
        seen = co2_uptake(
            trace.ms[:n],
            trace.mv[:n],
            trace.conductivity_us_cm[:n],
            ph=found.ph,
            mv_per_ph=-MV_PER_PH,
            max_remaining_ph=GRAB_WATER.max_remaining_ph,
        )
        told[rests]["flagged" if seen is not None and seen.suspected else "accepted"] += 1
    print(f"at the first rest: with an endpoint {dict(told[True])}, while taking up {dict(told[False])}")


def main() -> None:
    """Read the options and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--traces", type=int, default=2000)
    parser.add_argument("--other", type=int, default=700)
    parser.add_argument("--held-out", type=int, default=700)
    parser.add_argument("--uptake", type=int, default=200)
    parser.add_argument("--ramps", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--methods", nargs="*", default=list(METHODS))
    options = parser.parse_args()
    if options.traces:
        table("own physics", settling_traces(options.traces, options.seed), options.methods)
    if options.other:
        table("other physics", other_traces(options.other, options.seed), options.methods)
    if options.held_out:
        table("held out", held_out_traces(options.held_out, options.seed), options.methods)
    if options.uptake:
        uptake(settling_traces(options.uptake, options.seed, families=("co2-uptake",)))
        uptake(held_out_traces(options.uptake, options.seed, families=("leak",)))
        uptake(settling_traces(options.uptake, options.seed, families=FAMILIES[:9]))
    if options.ramps:
        coverage(options.ramps, options.seed)


if __name__ == "__main__":
    main()
