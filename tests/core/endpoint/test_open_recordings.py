"""Real settling, judged look by look; origin and licence lie beside each recording."""

from dataclasses import replace

import numpy as np
import pytest

from quietcell.core.endpoint.criterion import SHIPPED, Criterion
from quietcell.core.endpoint.judge import Judgement, Missing, judge
from quietcell.core.endpoint.window import drift
from tests.support.settling import Array
from tests.support.tables import columns

ISFET_MV_PER_PH = 57.5  # 17 °C, theory


BATH = Criterion(window_s=300.0, long_window_s=600.0, max_remaining_risk=0.02, min_readings=8)
BENCH = SHIPPED["grab-water"]
NOISY_BENCH = replace(BENCH, max_drift_mv_per_min=1.5)


def looks(
    t_s: Array, mv: Array, criterion: Criterion, *, every_s: int, disturbed_s: float = -0.001
) -> list[tuple[int, Judgement]]:
    ms = np.round(t_s * 1000.0).astype(np.int64)
    found = []
    for now_s in range(0, int(t_s[-1]) + 1, every_s):
        n = int(np.searchsorted(ms, now_s * 1000, side="right"))
        look = judge(
            ms[:n],
            mv[:n],
            now_ms=now_s * 1000,
            began_ms=0,
            disturbed_ms=round(disturbed_s * 1000),
            criterion=criterion,
            mv_per_ph=ISFET_MV_PER_PH,
        )
        found.append((now_s, look))
    return found


@pytest.mark.parametrize(
    ("session", "rests"),
    [
        ("20230407-1800_sensor-G_logger-P", True),
        ("20230407-1800_sensor-R_logger-Q", True),
        ("20230407-1440_sensor-G_logger-Q", False),  # ends before it is sure that no slow tail is left
        ("20230407-1440_sensor-R_logger-P", True),
        ("20230408-1230_sensor-G_logger-Q", True),
        ("20230407-1105_sensor-G_logger-P", True),
    ],
)
def test_no_value_of_a_bath_still_on_its_way_is_accepted(session: str, rests: bool) -> None:
    t_s, mv = columns(f"isfet-bath/{session}", "t_s", "e_mV")
    end_mv = float(np.median(mv[-20:]))
    accepted = [(now_s, look) for now_s, look in looks(t_s, mv, BATH, every_s=60) if look.at_rest]
    assert bool(accepted) == rests
    # 0.02 pH is 1.2 mV; the slope alone accepts these 1 to 5 mV off
    assert all(abs(look.drift.mean_mv - end_mv) < 1.2 for _, look in accepted)


@pytest.mark.parametrize("session", ["20230407-1800_sensor-G_logger-P", "20230407-1800_sensor-R_logger-Q"])
def test_the_slope_alone_falls_into_the_trap_that_the_proofs_avoid(session: str) -> None:
    t_s, mv = columns(f"isfet-bath/{session}", "t_s", "e_mV")
    first = next(
        now_s
        for now_s in range(300, 3600, 30)
        if abs(
            drift(
                (t_s * 1000).astype(np.int64)[now_s // 30 - 10 : now_s // 30 + 1],
                mv[now_s // 30 - 10 : now_s // 30 + 1],
            ).slope_mv_per_min
        )
        <= 0.1
    )
    assert first < 1000
    assert not any(look.at_rest for now_s, look in looks(t_s, mv, BATH, every_s=60) if now_s < 3600)


def test_a_handling_step_ends_the_rest_and_keeps_what_was_accepted_before() -> None:
    t_s, mv = columns("isfet-bath/20230410-0955_sensor-G_logger-P", "t_s", "e_mV")
    criterion = replace(BATH, min_readings=20)
    seen = looks(t_s, mv, criterion, every_s=30)
    assert any(look.at_rest for now_s, look in seen if now_s < 4700)
    assert not any(look.at_rest for now_s, look in seen if now_s >= 4720)


@pytest.mark.parametrize("disturbed_s", [-0.001, 60.0, 417.0])
@pytest.mark.parametrize(
    "criterion",
    [BENCH, NOISY_BENCH, replace(NOISY_BENCH, long_window_s=300.0, long_max_drift_mv_per_min=0.5)],
)
def test_nothing_is_at_rest_in_the_reactor_after_the_acid_feed_starts(
    criterion: Criterion, disturbed_s: float
) -> None:
    t_s, ph = columns("reactor-glass-1hz/run-a", "t_s", "pH")
    seen = looks(t_s, -58.6 * (ph - 7.0), criterion, every_s=5, disturbed_s=disturbed_s)
    assert not any(look.at_rest for now_s, look in seen if now_s > 417)


def test_the_reactor_before_the_feed_is_accepted_where_its_noise_is_allowed() -> None:
    t_s, ph = columns("reactor-glass-1hz/run-a", "t_s", "pH")
    early = t_s <= 417.0
    mv = -58.6 * (ph - 7.0)
    assert any(
        look.at_rest for _, look in looks(t_s[early], mv[early], NOISY_BENCH, every_s=5, disturbed_s=60.0)
    )
    strict = looks(t_s[early], mv[early], BENCH, every_s=5, disturbed_s=60.0)
    assert any(Missing.NOISE in look.missing for _, look in strict)
    # Over a minute its noise hides the drift; what shows it is a span of two minutes, or of four.
    rested = [(now_s, look) for now_s, look in strict if look.at_rest]
    assert all(now_s >= 60.0 + 120.0 for now_s, _ in rested)
    assert all(look.drift.bound_mv_per_min <= BENCH.max_drift_mv_per_min for _, look in rested)


@pytest.mark.parametrize(
    "run",
    ["2020-06-09_17-23-28", "2021-04-27_05-40-26_part1", "2021-06-17_15-26-51", "2021-06-17_17-58-17"],
)
def test_no_endpoint_spans_an_addition_of_acid(run: str) -> None:
    mv, acid_ml = columns(f"glass-acid-steps/{run}", "e_mV", "acid_mL")
    for now_s, look in looks(np.arange(len(mv), dtype=np.float64), mv, BENCH, every_s=3):
        spanned = np.ptp(acid_ml[max(0, now_s - 59) : now_s + 1])
        assert not (look.at_rest and spanned > 0.0)


def test_a_failing_contact_is_accepted_nowhere() -> None:
    mv, acid_ml = columns("glass-acid-steps/2020-06-09_17-23-28", "e_mV", "acid_mL")
    step_s = replace(BENCH, window_s=8.0, max_drift_mv_per_min=6.0, min_readings=7)
    t_s = np.arange(len(mv), dtype=np.float64)
    starts = np.flatnonzero(np.diff(acid_ml, prepend=np.nan) != 0.0)
    for begin, end in zip(starts, np.append(starts[1:], len(mv)), strict=True):
        seen = looks(t_s[:end], mv[:end], step_s, every_s=1, disturbed_s=float(begin) - 0.5)
        assert not any(look.at_rest for now_s, look in seen if now_s >= begin)


def test_a_spike_moves_a_plain_mean_but_not_the_window() -> None:
    plain, kept = [], []
    for run in ("2021-06-17_15-26-51", "2021-06-17_17-58-17", "2021-04-27_05-40-26_part1"):
        mv, acid_ml = columns(f"glass-acid-steps/{run}", "e_mV", "acid_mL")
        for step in np.unique(acid_ml):
            level = mv[acid_ml == step][2:]  # the first two are the approach
            from_median = np.abs(level - np.median(level))
            spiked = len(level) >= 8 and from_median.max() > 8.0 * np.sort(from_median)[-2]
            if spiked:
                found = drift(np.arange(len(level), dtype=np.int64) * 1000, level)
                assert found.rejected == 1
                plain.append(abs(float(level.mean() - np.median(level))))
                kept.append(abs(found.mean_mv - float(np.median(level))))
    assert len(plain) >= 3
    assert float(np.mean(kept)) < 0.5 * float(np.mean(plain))
