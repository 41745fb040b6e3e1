"""What the ingress detector finds, how soon, and what it mistakes: tables and a confusion matrix.

``python -m tests.bench.ingress_tables [--traces N] [--days D] [--months M] [SECTION ...]``: N traces a row
from each of two generators that share no noise, shapes or disturbances. Sections: leaks, lookalikes,
quiet, alone, places, size.
"""

import argparse
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import partial

import numpy as np

from quietcell.core.ingress.event import EpisodeEvent
from tests.support import ingress_other as other
from tests.support import ingress_scenarios as own
from tests.support.ingress_scenarios import Scenario
from tests.support.ingress_score import final_diagnosis, first_named, told

Make = Callable[[int], Scenario]
Found = tuple[Scenario, list[EpisodeEvent]]


def run(make: Make, n: int) -> list[Found]:
    """Return scenarios of seeds 0..n-1 and what was told of them."""
    return [(scenario, told(scenario)) for scenario in map(make, range(n))]


def share(hits: Iterable[bool]) -> str:
    """Return a share in per cent with its counts."""
    found = list(hits)
    return f"{100.0 * sum(found) / max(len(found), 1):5.1f} % ({sum(found)}/{len(found)})"


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
    print(f"  {name:34} {share(hits):>18}  {median:6.1f} {late:6.1f}  {dict(misses) or ''}")


def leaks(n: int) -> None:
    """Print clean water at 25 °C by size, then other waters."""
    print("Leaks: found, median and 95th percentile of the delay (min), what the others were called")
    for label, module in (("own", own), ("other", other)):
        for size in own.SIZES:
            leak_row(f"{label}: {size} µg/L", partial(module.leak, size=size), n)
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
    for label, kinds, make in (
        ("own", own.LOOKALIKES, own.lookalike),
        ("other", other.OTHER_LOOKALIKES, other.lookalike),
    ):
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
            ever_all += ever
            open_all += unsure
            print(f"  {kind:22} {share(right):>16} {share(ever):>16}  {dict(Counter(last).most_common())}")
        print(f"  all: right {share(right_all)}, called CO2 {share(ever_all)}, cannot-tell {share(open_all)}")


def quiet(months: int, days: float) -> None:
    """Print false calls per month of quiet cells."""
    print(f"Quiet cells, {months} spans of {days:g} days each: false per month of 30 days")
    for label, module in (("own", own), ("other", other)):
        for position in ("downstream", None):
            told_of = Counter[str]()
            for seed in range(months):
                events = told(module.quiet(seed, days, position=position))
                told_of.update(e.diagnosis for e in events if e.state == "opened")
                told_of["co2 ever"] += any(e.diagnosis == "co2-ingress" for e in events)
            spans = months * days / 30.0
            rates = {name: round(count / spans, 2) for name, count in told_of.items()}
            print(f"  {label:6} conductivity {position}: {rates}  (n = {spans:.1f} months)")


def alone(n: int) -> None:
    """Print leaks where no conductivity is measured."""
    print("Without conductivity")
    for size in own.SIZES:
        leak_row(f"own: {size} µg/L", partial(own.leak_by_ph_alone, size=size), n)
        leak_row(f"other: {size} µg/L", partial(other.leak, size=size, position=None), n)
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
    leak_row("before both, fall > 0.05", own.upstream_leak, n)
    both = {"junction": ("junction-drift",), "cannot-tell": ("cannot-tell",)}
    named("own: behind the conductivity cell", own.hidden_leak, n, both)
    named("other: behind the conductivity cell", other.hidden_leak, n, both)
    salt = {"salt": ("salt-ingress",)}
    named("KCl from the reference", partial(own.lookalike, kind="reference outflow"), n, salt)
    named("KCl in a stagnant cell", own.stagnant, n, salt)
    for label, make in (("own", own.ammoniated_leak), ("other", other.ammoniated_leak)):
        runs = run(make, n)
        for low, high in ((0.05, 0.2), (0.2, 9.0)):
            chosen = [(s, e) for s, e in runs if low <= s.fall_ph < high]
            hits = [first_named(e, "co2-ingress", s.onset_ms) is not None for s, e in chosen]
            last = Counter(final_diagnosis(e, s.onset_ms) for s, e in chosen)
            print(f"  {label}: ammoniated, fall {low:g}..{high:g}: found {share(hits)} {dict(last)}")
    runs = run(own.standing_leak, n)
    seen = [any(e.diagnosis in ("co2-ingress", "cannot-tell") for e in events) for _, events in runs]
    print(f"  standing leak seen {share(seen)}")
    leak_row("hot, 40..85 °C, 10-300", own.hot_leak, n)


def size(n: int) -> None:
    """Print how honest and how narrow stated sizes are."""
    print("Size: truth (total by pH and conductivity, rise) within the stated uncertainty")
    rows: list[tuple[str, Make]] = [(z, partial(own.leak, size=z)) for z in own.SIZES]
    rows += [("young", own.young_leak), ("ammoniated", own.ammoniated_leak), ("hot", own.hot_leak)]
    rows += [(f"other {z}", partial(other.leak, size=z)) for z in own.SIZES]
    for name, make in rows:
        inside: dict[str, list[bool]] = {"pH": [], "conductivity": [], "rise": []}
        wide: list[float] = []
        for scenario, events in run(make, n):
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
        shares = ", ".join(f"{key} {share(hits)}" for key, hits in inside.items())
        print(f"  {name:16} {shares}; k=2 of the rise, median {100 * np.median(wide or [np.nan]):.0f} %")


def main() -> None:
    """Print the sections asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--traces", type=int, default=30)
    parser.add_argument("--months", type=int, default=4)
    parser.add_argument("--days", type=float, default=7.0)
    parser.add_argument("sections", nargs="*")
    asked = parser.parse_args()
    sections: dict[str, Callable[[], None]] = {
        "leaks": lambda: leaks(asked.traces),
        "lookalikes": lambda: lookalikes(asked.traces),
        "quiet": lambda: quiet(asked.months, asked.days),
        "alone": lambda: alone(asked.traces),
        "places": lambda: places(asked.traces),
        "size": lambda: size(asked.traces),
    }
    for name in asked.sections or sections:
        sections[name]()


if __name__ == "__main__":
    main()
