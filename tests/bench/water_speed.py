"""Time the water chemistry against a scalar root finder and against PHREEQC, in one run.

Run as ``python -m tests.bench.water_speed``. Every figure is processor time per row, the best of three.
"""

import math
import time
from collections.abc import Callable

import numpy as np
import phreeqpython
from scipy.optimize import brentq

from quietcell.core.constants import LN10
from quietcell.core.water import (
    Composition,
    inverse_both,
    inverse_conductivity,
    inverse_ph,
    limits,
    reference25,
    speciation,
)
from quietcell.core.water._mixture import Amounts, ionic_strength, ions, medium

ROWS = 1_000_000
SEED = 1


def best_s(work: Callable[[], object], repeat: int = 3) -> float:
    """Return the least processor time of a few runs, s."""
    times = []
    for _ in range(repeat):
        start = time.process_time()
        work()
        times.append(time.process_time() - start)
    return min(times)


def root_finder_row(ph: float, temperature_c: float) -> float:
    """Return total carbonate by brentq on the charge balance of the same chemistry."""
    m, a = medium(temperature_c), math.exp(-LN10 * ph)
    strength = 1e-7

    def unbalanced(log_carbonate: float) -> float:
        nonlocal strength
        n = Amounts(math.exp(log_carbonate), 0.0, 0.0, 0.0, 0.0)
        i = ions(m, a, strength, n)
        strength = float(ionic_strength(i, n))
        return float(i.hydrogen - i.hydroxide - i.bicarbonate - 2.0 * i.carbonate)

    return math.exp(brentq(unbalanced, math.log(1e-12), math.log(0.1), xtol=1e-12))


def plain_root_finder_row(ph: float, temperature_c: float) -> float:
    """Return total carbonate by brentq on the barest balance: floats, no activity, constants ready."""
    m, a = medium(temperature_c), math.exp(-LN10 * ph)
    first, second, open_charge = m.k1 / a, m.k1 * m.k2 / (a * a), a - m.kw / a
    mean_charge = (first + 2.0 * second) / (1.0 + first + second)
    return math.exp(
        brentq(lambda x: open_charge - math.exp(x) * mean_charge, math.log(1e-12), math.log(0.1), xtol=1e-12)
    )


def main() -> None:
    """Print the table."""
    generator = np.random.default_rng(SEED)
    temperature_c = generator.uniform(5.0, 60.0, ROWS)
    ph = generator.uniform(5.0, 6.4, ROWS)

    ours = best_s(lambda: inverse_ph.total_carbonate_from_ph(ph, temperature_c)) / ROWS
    few = 3000
    rows = [(float(p), float(t)) for p, t in zip(ph[:few], temperature_c[:few], strict=True)]
    same = best_s(lambda: [root_finder_row(p, t) for p, t in rows]) / few
    bare = best_s(lambda: [plain_root_finder_row(p, t) for p, t in rows]) / few
    found = inverse_ph.total_carbonate_from_ph(ph[:few], temperature_c[:few])
    apart = np.max(np.abs(np.array([root_finder_row(p, t) for p, t in rows]) / found - 1.0))
    print(f"inverse, pH and temperature to total carbonate, {ROWS} rows: {1e6 * ours:.3f} µs per row")
    print(f"  brentq, same chemistry:                {1e6 * same:8.1f} µs per row, ratio {same / ours:6.0f}")
    print(f"  brentq, no activity, closed-form terms:{1e6 * bare:8.1f} µs per row, ratio {bare / ours:6.0f}")
    print(f"  largest difference: {apart:.1e} relative")

    solutes = {name: 10.0 ** generator.uniform(-7.0, -4.5, ROWS) for name in ("c", "n", "acid", "base")}
    water = Composition(
        total_carbonate_mol_kg=solutes["c"],
        ammonia_mol_kg=solutes["n"],
        strong_acid_mol_kg=solutes["acid"],
        strong_base_mol_kg=solutes["base"],
    )
    ours = best_s(lambda: speciation.speciate(water, temperature_c)) / ROWS
    program = phreeqpython.PhreeqPython(database="phreeqc.dat")

    def by_program() -> None:
        for row in range(300):
            solution = program.add_solution(
                {
                    "temp": float(temperature_c[row]),
                    "pH": "7 charge",
                    "units": "mol/kgw",
                    "C(4)": float(solutes["c"][row]),
                    "N(-3)": float(solutes["n"][row]),
                    "Cl": float(solutes["acid"][row]),
                    "Na": float(solutes["base"][row]),
                }
            )
            _ = solution.pH, solution.sc
            solution.forget()

    theirs = best_s(by_program) / 300
    print(f"forward, four solutes to pH and conductivity, {ROWS} rows: {1e6 * ours:.3f} µs per row")
    print(
        f"  phreeqpython:                          {1e6 * theirs:8.1f} µs per row, ratio {theirs / ours:6.0f}"
    )

    print("single scalar calls:")
    calls: dict[str, Callable[[], object]] = {
        "total carbonate from pH": lambda: inverse_ph.total_carbonate_from_ph(6.1, 23.0),
        "speciation": lambda: speciation.speciate(Composition(total_carbonate_mol_kg=1e-6), 23.0),
        "allowed interval": lambda: limits.allowed_ph_interval(
            0.5, 23.0, conductivity_rel_u=0.02, temperature_u_c=0.2
        ),
        "pH at 25 °C": lambda: reference25.ph_25c(6.1, 23.0),
        "pH at 25 °C with conductivity": lambda: reference25.ph_25c(6.1, 23.0, conductivity_us_cm=0.5),
        "conductivity at 25 °C": lambda: reference25.conductivity_25c(0.5, 23.0),
        "total carbonate from conductivity": lambda: inverse_conductivity.total_carbonate_from_conductivity(
            0.4, 23.0
        ),
        "total carbonate from both": lambda: inverse_both.amount_from_both(
            "total_carbonate", 6.1, 0.4, 23.0, ph_u=0.02, conductivity_rel_u=0.02
        ),
    }
    for name, call in calls.items():

        def repeated(call: Callable[[], object] = call) -> None:
            for _ in range(300):
                call()

        print(f"  {name:36} {1e6 * best_s(repeated) / 300:8.1f} µs")


if __name__ == "__main__":
    main()
