"""Print coverage and width of the drift bound, and its cost: ``python -m tests.bench.endpoint_coverage``.

Width is the median standard error over that of generalised least squares with the noise known.
"""

import timeit
from collections.abc import Callable
from functools import partial

import numpy as np
from numpy.random import Generator

from quietcell.core.endpoint.noise import BIN_S, NoiseHistory
from quietcell.core.endpoint.relaxation import forecast
from quietcell.core.endpoint.window import drift
from tests.support.settling import Array, autoregressive, flicker, white

HISTORY_S, TEST_S, RUNS = 4 * 3600, 4 * 3600, 12
NOISES: dict[str, Callable[[Generator, int], Array]] = {
    "white": lambda rng, n: white(rng, n, 0.05),
    "AR(1) 0.5": lambda rng, n: autoregressive(rng, n, 0.05, 0.5),
    "AR(1) 0.9": lambda rng, n: autoregressive(rng, n, 0.05, 0.9),
    "1/f": lambda rng, n: flicker(rng, n, 0.03),
    "1/f + white": lambda rng, n: flicker(rng, n, 0.03) + white(rng, n, 0.05),
}


def gls_se(make: Callable[[Generator, int], Array], n: int) -> float:
    """Return the standard error of generalised least squares with the covariance known, mV/min."""
    rng = np.random.default_rng(77)
    samples = np.concatenate([make(rng, 40 * n).reshape(40, n) for _ in range(max(60, n))])
    samples = np.diff(samples, axis=1)  # the level is unknown and, for 1/f, has no variance
    covariance = samples.T @ samples / len(samples)
    step = np.full(n - 1, 1.0 / 60.0)
    return float(1.0 / np.sqrt(step @ np.linalg.solve(covariance, step)))


def main() -> None:
    """Print the tables."""
    print("noise         window   no history: cover %  width   4 h of history: cover %  width")
    for name, make in NOISES.items():
        for n in (60, 300):
            hits, widths = {False: 0, True: 0}, {False: [0.0], True: [0.0]}
            tries = 0
            for seed in range(RUNS):
                mv = make(np.random.default_rng([5, seed]), HISTORY_S + TEST_S)
                ms = np.arange(len(mv), dtype=np.int64) * 1000
                history = NoiseHistory()
                history.learn(0, HISTORY_S // BIN_S, ms, mv)
                for begin in range(HISTORY_S, len(mv) - n, n):
                    tries += 1
                    for learnt in (False, True):
                        found = drift(
                            ms[begin : begin + n], mv[begin : begin + n], noise=history if learnt else None
                        )
                        hits[learnt] += 2.0 * abs(found.slope_mv_per_min) <= found.bound_mv_per_min
                        widths[learnt].append(found.se_mv_per_min)
            best = gls_se(make, n)
            cells = [
                f"{100.0 * hits[k] / tries:13.1f} {float(np.median(widths[k])) / best:12.2f}"
                for k in (False, True)
            ]
            print(f"{name:14s}{n:4d} s {cells[0]}     {cells[1]}   n = {tries}", flush=True)
    for n in (60, 300):
        ms, mv = np.arange(n, dtype=np.int64) * 1000, np.random.default_rng(1).normal(0.0, 0.05, n)
        cost = min(timeit.repeat(partial(drift, ms, mv), number=200, repeat=5)) / 200
        print(f"drift over {n} readings: {1e6 * cost:.0f} µs")
    n = 600
    ms = np.arange(n, dtype=np.int64) * 1000
    mv = 60.0 * np.exp(-ms / 30_000.0) + np.random.default_rng(1).normal(0.0, 0.05, n)
    cost = (
        min(
            timeit.repeat(
                lambda: forecast(
                    ms,
                    mv,
                    disturbed_ms=0,
                    window_s=60.0,
                    limit_mv=1.2,
                    confidence=0.98,
                    slow_tail_odds=3.0,
                ),
                number=50,
                repeat=5,
            )
        )
        / 50
    )
    print(f"forecast over {n} readings: {1e6 * cost:.0f} µs")


if __name__ == "__main__":
    main()
