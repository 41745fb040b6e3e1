"""The generator of settling traces and its scorer."""

from collections.abc import Callable

import numpy as np
import pytest

from tests.support.settling import (
    FAMILIES,
    RIGHT_WITHIN_PH,
    Acceptance,
    Trace,
    flicker,
    score,
    settling_trace,
)
from tests.support.settling_held_out import HELD_OUT, held_out_trace, ladder, surface_exchange
from tests.support.settling_other import OTHER, cole_cole, film, other_trace

EVERY = [(settling_trace, family) for family in FAMILIES] + [(other_trace, family) for family in OTHER]
EVERY += [(held_out_trace, family) for family in HELD_OUT]


@pytest.mark.parametrize(("make", "family"), EVERY)
def test_equal_seeds_give_equal_traces_and_others_differ(
    make: Callable[[str, int], Trace], family: str
) -> None:
    one, again, other = make(family, 3), make(family, 3), make(family, 4)
    assert np.array_equal(one.mv, again.mv)
    assert not np.array_equal(one.mv[:100], other.mv[:100])
    assert bool(np.all(np.diff(one.ms) >= 0))


@pytest.mark.parametrize("family", [family for family in FAMILIES if family != "co2-uptake"])
def test_from_the_earliest_right_moment_the_clean_trace_stays_at_its_end(family: str) -> None:
    for seed in range(5):
        trace = settling_trace(family, seed)
        if trace.end_ph is None or trace.right_s is None:
            continue
        error = np.abs(trace.clean_ph - trace.end_ph)
        assert float(error[trace.ms / 1000.0 > trace.right_s].max()) <= RIGHT_WITHIN_PH
        if trace.right_s > 0.0:
            assert float(error[trace.ms / 1000.0 <= trace.right_s][-1]) > RIGHT_WITHIN_PH


def test_a_sample_taking_up_carbon_dioxide_has_no_endpoint() -> None:
    trace = settling_trace("co2-uptake", 1)
    assert trace.end_ph is None
    assert trace.conductivity_us_cm[-60:].mean() > trace.conductivity_us_cm[:60].mean()
    assert 5.0 < trace.clean_ph[-1] < 7.0


@pytest.mark.parametrize(("make", "family"), EVERY)
def test_only_junctions_full_of_buffer_say_that_they_come_from_one(
    make: Callable[[str, int], Trace], family: str
) -> None:
    assert make(family, 1).from_buffer == (family in {"junction", "film-junction", "from-buffer"})


def test_flicker_noise_has_equal_variance_in_equal_ratios_of_frequency() -> None:
    rng = np.random.default_rng(1)
    spectra = np.mean([np.abs(np.fft.rfft(flicker(rng, 4096, 1.0))) ** 2 for _ in range(100)], axis=0)
    low, high = spectra[16:64].sum(), spectra[256:1024].sum()
    assert low / high == pytest.approx(1.0, rel=0.15)


def test_special_shapes_meet_their_known_limits() -> None:
    t = np.array([0.0, 1.0, 50.0])
    assert film(t, 100.0)[0] == pytest.approx(1.0, abs=0.01)
    # Half empty when Dt/l² is 0.197 (Crank, The Mathematics of Diffusion, plane sheet, half thickness l)
    assert film(np.array([19.7]), 100.0)[0] == pytest.approx(0.5, abs=0.01)
    # exp(1) erfc(1) = 0.42758 (Abramowitz and Stegun, table 7.1); an empty layer holds nothing
    assert surface_exchange(t, 1.0)[1] == pytest.approx(0.42758, abs=1e-4)
    assert ladder(np.array([0.0, 1e6]), 100.0) == pytest.approx([1.0, 0.0], abs=1e-9)
    assert cole_cole(t, 10.0, 0.01)[2] == pytest.approx(np.exp(-5.0), abs=0.01)


def test_the_scorer_counts_what_its_words_say() -> None:
    n = 100
    quiet = np.zeros(n)

    def trace(end_ph: float | None, right_s: float | None) -> Trace:
        return Trace(
            family="plain",
            ms=np.arange(n, dtype=np.int64) * 1000,
            mv=quiet,
            temperature_c=quiet,
            conductivity_us_cm=quiet,
            flow_ml_min=quiet,
            clean_ph=quiet,
            end_ph=end_ph,
            right_s=right_s,
        )

    traces = [trace(7.0, 50.0)] * 5 + [trace(None, None)] * 2
    outcomes = [
        Acceptance(at_s=80.0, ph=7.01),  # right
        Acceptance(at_s=80.0, ph=7.06),  # off
        Acceptance(at_s=30.0, ph=7.03),  # early
        Acceptance(at_s=30.0, ph=7.01),  # before its time, yet true
        None,
        Acceptance(at_s=30.0, ph=7.0),
        None,
    ]
    found = score(traces, outcomes)
    assert (found.with_endpoint, found.accepted, found.off, found.early) == (5, 4, 1, 1)
    assert (found.without_endpoint, found.accepted_without) == (2, 1)
    assert found.delays_s == (30.0, 30.0, -20.0, -20.0)
