"""What the ingress detector finds, how soon, and what it mistakes: tables and a confusion matrix.

``python -m tests.bench.ingress_tables [--traces N] [--days D] [--months M] [--from NAME ...] [SECTION ...]``:
N traces a row from each of three generators that share no noise, shapes or disturbances; the third has its
own chemistry, too (what was chosen with it in view stands at its head). Rates stand with Wilson's one-sided
95 % limits and counts. Sections: leaks, lookalikes, quiet, alone, places, size, delivered.
"""

import argparse
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import partial
from itertools import count
from types import ModuleType

import numpy as np

from quietcell.core.endpoint.criterion import Criterion
from quietcell.core.ingress.event import EpisodeEvent
from tests.support import ingress_other as other
from tests.support import ingress_scenarios as own
from tests.support import ingress_third as third
from tests.support.ingress_engine import bodies_of
from tests.support.ingress_score import final_diagnosis, first_named, lower_limit, told, upper_limit
from tests.support.ingress_simulation import Scenario

Make = Callable[[int], Scenario]
Found = tuple[Scenario, list[EpisodeEvent]]
GENERATORS: dict[str, ModuleType] = {"own": own, "other": other, "third": third}
FROM: list[str] = list(GENERATORS)
"""Those asked for."""
POSITIONS = ("downstream", "same", "upstream", None)


def run(make: Make, n: int) -> list[Found]:
    """Return scenarios of seeds 0..n-1 and what was told of them."""
    return [(scenario, told(scenario)) for scenario in map(make, range(n))]


def share(hits: Iterable[bool]) -> str:
    """Return a share in per cent with its limits and counts."""
    found = list(hits)
    k, n = sum(found), len(found)
    low, high = 100.0 * lower_limit(k, n), 100.0 * upper_limit(k, n)
    return f"{100.0 * k / max(n, 1):5.1f} % ({low:.1f}..{high:.1f}, {k}/{n})"


def chosen(name: str) -> list[tuple[str, Callable[..., Scenario]]]:
    """Return what makes a kind of scenario, from the generators asked for that have it."""
    return [(each, getattr(GENERATORS[each], name)) for each in FROM if hasattr(GENERATORS[each], name)]


def delays_min(runs: Sequence[Found]) -> list[float]:
    """Return the minutes from onset to the first record that says CO2, of those found."""
    firsts = [(s, first_named(e, "co2-ingress", s.onset_ms)) for s, e in runs]
    return [(event.at_ms - s.onset_ms) / 60_000 for s, event in firsts if event is not None]


def leak_row(name: str, make: Make, n: int) -> None:
    """Print how many leaks of a kind are found, and how soon."""
    runs = run(make, n)
    waits = delays_min(runs) or [np.nan]
    median, late = np.median(waits), np.percentile(waits, 95)
    hits = [first_named(e, "co2-ingress", s.onset_ms) is not None for s, e in runs]
    misses = Counter(
        final_diagnosis(e, s.onset_ms) for (s, e), hit in zip(runs, hits, strict=True) if not hit
    )
    print(f"  {name:34} {share(hits):>32}  {median:6.1f} {late:6.1f}  {dict(misses) or ''}", flush=True)


def leaks(n: int) -> None:
    """Print clean water at 25 °C by size, then other waters."""
    print("Leaks: found, median and 95th percentile of the delay (min), what the others were called")
    for label, make in chosen("leak"):
        for size in own.SIZES:
            leak_row(f"{label}: {size} µg/L", partial(make, size=size), n)
    if "third" in FROM:
        for size in third.SIZES:
            leak_row(f"third: {size} µg/L, young", partial(third.leak, size=size, young=True), n)
        leak_row("third: 20-300 at 5..85 °C", third.warm_leak, n)
        leak_row("third: 20-300 in acidified water", third.acidified, n)
        leak_row("third: 5-200 of the loop itself", third.upstream, n)
    if "own" not in FROM:
        return
    for background in (20.0, 141.0):
        leak_row(
            f"own: 20-100 over {background:.0f} µg/L",
            partial(own.leak, size="20-100", background_ug_l=background),
            n,
        )
    for warm in (5.0, 45.0, 65.0, 85.0):
        leak_row(
            f"own: 20-100 at {warm:.0f} °C",
            partial(own.leak, size="20-100", temperature_c=warm),
            n,
        )
    leak_row("own: young gas, 10-200", own.young_leak, n)


def lookalikes(n: int) -> None:
    """Print what lookalikes are called."""
    for label, make in chosen("lookalike"):
        kinds = other.OTHER_LOOKALIKES if label == "other" else GENERATORS[label].LOOKALIKES
        print(f"Lookalikes, {label}: right, ever called CO2, cannot-tell; last diagnoses")
        right_all: list[bool] = []
        ever_all: list[bool] = []
        open_all: list[bool] = []
        for kind, (_, accepted) in kinds.items():
            runs = run(partial(make, kind=kind), n)
            last = [final_diagnosis(e, s.onset_ms) for s, e in runs]
            right = [each in accepted for each in last]
            ever = [first_named(e, "co2-ingress") is not None for _, e in runs]
            unsure = [each == "cannot-tell" and each not in accepted for each in last]
            right_all += right
            ever_all += ever if kind != "strong acid" else []
            open_all += unsure
            called = f"{sum(ever)}/{len(ever)}"
            print(
                f"  {kind:22} {share(right):>30} {called:>8}  {dict(Counter(last).most_common())}", flush=True
            )
        print(f"  all: right {share(right_all)}, cannot-tell {share(open_all)}")
        print(f"  all but strong acid: called CO2 {share(ever_all)}")


def quiet(months: int, days: float) -> None:
    """Print false calls per month of quiet cells."""
    print(f"Quiet cells, {months} spans of {days:g} days each: false per month of 30 days")
    for label, make in chosen("quiet"):
        for position in ("downstream", None):
            told_of = Counter[str]()
            for seed in range(months):
                events = told(make(seed, days, position=position))
                told_of.update(e.diagnosis for e in events if e.state == "opened")
                told_of["co2 ever"] += any(e.diagnosis == "co2-ingress" for e in events)
            spans = months * days / 30.0
            rates = {name: round(count / spans, 2) for name, count in told_of.items()}
            print(f"  {label:6} conductivity {position}: {rates}  (n = {spans:.1f} months)", flush=True)


def alone(n: int) -> None:
    """Print leaks where no conductivity is measured."""
    print("Without conductivity")
    for size in own.SIZES:
        for label, make in chosen("leak"):
            alone_make = (
                partial(own.leak_by_ph_alone, size=size)
                if label == "own"
                else partial(make, size=size, position=None)
            )
            leak_row(f"{label}: {size} µg/L", alone_make, n)
    for kind in ("junction drift", "junction relaxation", "electrical step", "streaming", "temperature"):
        runs = run(partial(own.lookalike, kind=kind, position=None), n)
        called = [first_named(e, "co2-ingress") is not None for _, e in runs]
        last = Counter(final_diagnosis(e, s.onset_ms) for s, e in runs)
        print(f"  {kind:34} called CO2 {share(called)} {dict(last)}")


def named(name: str, make: Make, n: int, groups: Mapping[str, tuple[str, ...]]) -> None:
    """Print in how many runs each group of diagnoses was the last one told."""
    runs = run(make, n)
    last = [final_diagnosis(e, s.onset_ms) for s, e in runs]
    shares = ", ".join(f"{label} {share(d in group for d in last)}" for label, group in groups.items())
    print(f"  {name:34} {shares}; {dict(Counter(last))}")


def places(n: int) -> None:
    """Print leaks by place, ammoniated water, standing leaks."""
    print("By place")
    for label, make in (*chosen("upstream_leak"), *chosen("before_both")):
        leak_row(f"{label}: before both, fall > 0.05", fallen(make), n)
    both = {"junction": ("junction-drift",), "cannot-tell": ("cannot-tell",)}
    for label, make in (*chosen("hidden_leak"), *chosen("hidden")):
        named(f"{label}: behind the conductivity cell", make, n, both)
    salt = {"salt": ("salt-ingress",)}
    if "own" in FROM:
        named("KCl from the reference", partial(own.lookalike, kind="reference outflow"), n, salt)
        named("KCl in a stagnant cell", own.stagnant, n, salt)
    if "third" in FROM:
        named("third: KCl in slow flow", partial(third.lookalike, kind="KCl in slow flow"), n, salt)
        named("third: CO2 of the loop", third.upstream, n, {"salt or base": ("salt-ingress", "base-ingress")})
    for label, make in (*chosen("ammoniated_leak"), *chosen("ammoniated")):
        runs = run(make, n)
        for low, high in ((0.05, 0.2), (0.2, 9.0)):
            within = [(s, e) for s, e in runs if low <= s.fall_ph < high]
            hits = [first_named(e, "co2-ingress", s.onset_ms) is not None for s, e in within]
            last = Counter(final_diagnosis(e, s.onset_ms) for s, e in within)
            print(
                f"  {label}: ammoniated, fall {low:g}..{high:g}: found {share(hits)} {dict(last)}", flush=True
            )
    for label, make in (*chosen("standing_leak"), *chosen("standing")):
        runs = run(make, n)
        seen = [any(e.diagnosis in ("co2-ingress", "cannot-tell") for e in events) for _, events in runs]
        print(f"  {label}: standing leak seen {share(seen)}", flush=True)
    if "own" in FROM:
        leak_row("hot, 40..85 °C, 10-300", own.hot_leak, n)


def fallen(make: Make) -> Make:
    """Return what makes the scenarios of a kind whose pH falls by more than 0.05."""
    kept: list[Scenario] = []
    seeds = count()

    def nth(seed: int) -> Scenario:
        while len(kept) <= seed:
            made = make(next(seeds))
            kept.extend([made] if made.fall_ph > 0.05 else [])
        return kept[seed]

    return nth


def delivered(n: int) -> None:
    """Print how many due determinations of carbonated water leave as results, beside clean water's."""
    print("Carbon dioxide of the loop: due determinations (every 10 min) accepted or qualified")
    for label, most in (("with CO2", 200.0), ("without", 0.001)):
        hits: list[bool] = []
        why = Counter[str]()
        for seed in range(n):
            # A cell whose noise the criterion allows: what is refused is then the water's doing.
            scenario = third.upstream(seed, most_ug_l=most, position=POSITIONS[seed % 4], noise=0.15)
            for body in bodies_of(scenario, criterion=Criterion()):
                if body["record"] == "determination" and "stopped" not in body["reasons"]:
                    hits.append(body["verdict"] in ("accepted", "qualified"))
                    why.update([] if hits[-1] else body["reasons"])
        print(f"  {label:10} {share(hits)} {dict(why)}", flush=True)


def size(n: int) -> None:
    """Print how honest and how narrow stated sizes are."""
    print("Size: truth (total by pH and conductivity, rise) within the stated uncertainty")
    rows: list[tuple[str, Make]] = [
        (f"{label} {z}", partial(make, size=z)) for label, make in chosen("leak") for z in own.SIZES
    ]
    if "own" in FROM:
        rows += [("young", own.young_leak), ("ammoniated", own.ammoniated_leak), ("hot", own.hot_leak)]
    if "third" in FROM:
        rows += [("third young", partial(third.leak, size="20-100", young=True))]
        rows += [("third warm", third.warm_leak), ("third ammoniated", third.ammoniated)]
    for name, make in rows:
        inside: dict[str, list[bool]] = {"pH": [], "conductivity": [], "rise": []}
        wide: list[float] = []
        by_leak: list[bool] = []  # one leak tells of itself many times, alike right or wrong
        for scenario, events in run(make, n):
            hits: list[bool] = []
            assert scenario.size_at is not None
            for e in events:
                if e.diagnosis != "co2-ingress" or e.state == "closed":
                    continue
                rise = float(np.interp(e.at_ms, *scenario.size_at))
                total = rise + scenario.background_ug_l
                for key, amount, truth in (
                    ("pH", e.co2_ug_per_l_from_ph, total),
                    ("conductivity", e.co2_ug_per_l_from_conductivity, total),
                    ("rise", e.co2_rise_ug_per_l, rise),
                ):
                    if amount is not None:
                        inside[key].append(abs(amount.value - truth) <= amount.expanded_uncertainty)
                    if amount is not None and key == "rise":
                        wide.append(amount.expanded_uncertainty / max(amount.value, 1e-9))
                        hits.append(inside[key][-1])
            by_leak.extend([sum(hits) > len(hits) / 2] if hits else [])
        shares = ", ".join(f"{key} {share(found)}" for key, found in inside.items())
        shares += f", rise of most records of a leak {share(by_leak)}"
        print(
            f"  {name:16} {shares}; k=2 of the rise, median {100 * np.median(wide or [np.nan]):.0f} %",
            flush=True,
        )


def main() -> None:
    """Print the sections asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--traces", type=int, default=30)
    parser.add_argument("--months", type=int, default=4)
    parser.add_argument("--days", type=float, default=7.0)
    parser.add_argument("--from", dest="generators", action="append", choices=list(GENERATORS))
    parser.add_argument("sections", nargs="*")
    asked = parser.parse_args()
    FROM[:] = asked.generators or FROM
    sections: dict[str, Callable[[], None]] = {
        "leaks": lambda: leaks(asked.traces),
        "lookalikes": lambda: lookalikes(asked.traces),
        "quiet": lambda: quiet(asked.months, asked.days),
        "alone": lambda: alone(asked.traces),
        "places": lambda: places(asked.traces),
        "size": lambda: size(asked.traces),
        "delivered": lambda: delivered(asked.traces),
    }
    for name in asked.sections or sections:
        sections[name]()


if __name__ == "__main__":
    main()
